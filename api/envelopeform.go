package api

import (
	"fmt"
	"strconv"
	"strings"

	"alike/spc/envelope"
)

// An envelopeForm is an envelope as a person types it: numbers on lines, so that a
// keyboard reaches everything and a line can be named in an error.
type envelopeForm struct {
	Lower, Upper string // "Hz dB" per line
	Around       string // "from to minus plus" per line
	Guard        string // "from to dB" per line
	Balance      string // likewise
	SensLower    string
	SensUpper    string
	SensGuard    string
	Roughness    string
	Reason, By   string
}

// formOf writes an envelope into the form.
func formOf(e envelope.Envelope) envelopeForm {
	var f envelopeForm
	if e.Mask != nil {
		f.Lower, f.Upper = points(e.Mask.Lower), points(e.Mask.Upper)
	}
	for _, r := range e.Around {
		f.Around += rowOf(r.From, r.To, r.Minus, r.Plus)
	}
	for _, g := range e.Guard {
		f.Guard += rowOf(g.From, g.To, g.DB)
	}
	for _, g := range e.Balance {
		f.Balance += rowOf(g.From, g.To, g.DB)
	}
	if s := e.Sensitivity; s != nil {
		f.SensLower, f.SensUpper, f.SensGuard = plain(s.Lower), plain(s.Upper), plain(s.Guard)
	}
	if e.Roughness > 0 {
		f.Roughness = plain(e.Roughness)
	}
	return f
}

func points(line []envelope.Breakpoint) string {
	var out string
	for _, p := range line {
		out += rowOf(p.Hz, p.DB)
	}
	return out
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func rowOf(values ...float64) string {
	words := make([]string, len(values))
	for i, v := range values {
		words[i] = plain(v)
	}
	return strings.Join(words, "  ") + "\n"
}

// envelope reads the form. The error names the field and the line.
func (f envelopeForm) envelope() (envelope.Envelope, error) {
	var e envelope.Envelope
	var mask envelope.Mask
	read := func(name, text string, columns string, n int, add func(v []float64)) error {
		rows, err := rowsOf(text, n)
		if err != nil {
			return fmt.Errorf("%s, %w: write %s", name, err, columns)
		}
		for _, r := range rows {
			add(r)
		}
		return nil
	}
	for _, err := range []error{
		read("lower line", f.Lower, "Hz and dB", 2, func(v []float64) { mask.Lower = append(mask.Lower, envelope.Breakpoint{Hz: v[0], DB: v[1]}) }),
		read("upper line", f.Upper, "Hz and dB", 2, func(v []float64) { mask.Upper = append(mask.Upper, envelope.Breakpoint{Hz: v[0], DB: v[1]}) }),
		read("around the target", f.Around, "from Hz, to Hz, dB below and dB above", 4, func(v []float64) {
			e.Around = append(e.Around, envelope.Range{From: v[0], To: v[1], Minus: v[2], Plus: v[3]})
		}),
		read("guard band", f.Guard, "from Hz, to Hz and dB", 3, func(v []float64) { e.Guard = append(e.Guard, envelope.Guard{From: v[0], To: v[1], DB: v[2]}) }),
		read("balance", f.Balance, "from Hz, to Hz and dB", 3, func(v []float64) { e.Balance = append(e.Balance, envelope.Guard{From: v[0], To: v[1], DB: v[2]}) }),
		f.scalars(&e),
	} {
		if err != nil {
			return e, err
		}
	}
	if len(mask.Lower)+len(mask.Upper) > 0 {
		e.Mask = &mask
	}
	return e, e.Check()
}

func (f envelopeForm) scalars(e *envelope.Envelope) error {
	values := map[string]float64{}
	for name, text := range map[string]string{"least sensitivity": f.SensLower, "greatest sensitivity": f.SensUpper, "guard of the sensitivity": f.SensGuard, "roughness": f.Roughness} {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		v, err := decimal(text)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		values[name] = v
	}
	e.Roughness = values["roughness"]
	_, low := values["least sensitivity"]
	_, high := values["greatest sensitivity"]
	if low != high {
		return fmt.Errorf("sensitivity: give both the least and the greatest, or neither")
	}
	if low {
		e.Sensitivity = &envelope.Scalar{Lower: values["least sensitivity"], Upper: values["greatest sensitivity"], Guard: values["guard of the sensitivity"]}
	}
	return nil
}

// rowsOf reads lines of n numbers, apart by blanks or semicolons. Empty lines do not
// matter.
func rowsOf(text string, n int) ([][]float64, error) {
	var out [][]float64
	for i, line := range strings.Split(text, "\n") {
		words := strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == ';' || r == '\r' || r == '\u00a0' })
		if len(words) == 0 {
			continue
		}
		if len(words) != n {
			return nil, fmt.Errorf("line %d: %d numbers belong here, not %d", i+1, n, len(words))
		}
		row := make([]float64, n)
		for k, w := range words {
			v, err := decimal(w)
			if err != nil {
				return nil, fmt.Errorf("line %d: %w", i+1, err)
			}
			row[k] = v
		}
		out = append(out, row)
	}
	return out, nil
}

// decimal reads one number with a decimal point or comma, a Unicode minus, and k for
// thousands as frequencies are written.
func decimal(w string) (float64, error) {
	t := strings.ReplaceAll(strings.ReplaceAll(w, "\u2212", "-"), ",", ".")
	times := 1.0
	if k, ok := strings.CutSuffix(strings.ToLower(t), "k"); ok {
		t, times = k, 1000
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is no number", w)
	}
	return v * times, nil
}
