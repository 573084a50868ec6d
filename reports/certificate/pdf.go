package certificate

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"alike/reports"
	"alike/reports/plot"
	"alike/spc/band"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// The page, in mm.
const (
	width, height = 148.0, 210.0
	margin        = 12.0
	inner         = width - 2*margin
)

// Write writes the certificates, one A5 page each. It returns an error when there is
// none, when the slices of one do not fit each other, or when w fails.
func Write(w io.Writer, all reports.Certificates) error {
	if len(all.Good) == 0 {
		return fmt.Errorf("lot %q has no unit with a certificate: none passed", all.Lot)
	}
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: width, Ht: height}})
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(margin, margin, margin)
	pdf.SetCatalogSort(true)
	made := all.Good[0].DecidedAt.UTC() // not the moment of printing: the same certificates are the same file
	pdf.SetCreationDate(made)
	pdf.SetModificationDate(made)
	pdf.SetTitle("Certificates of lot "+all.Lot, true)
	pdf.SetCreator("alike", true)
	pdf.SetProducer("alike", true)
	pdf.SetLang("en")
	for _, c := range all.Good {
		if err := c.Check(); err != nil {
			return err
		}
		p := &page{Fpdf: pdf, c: c, y: margin}
		p.write()
	}
	return pdf.Output(w)
}

// A page is one certificate on its way; y is where the next line goes.
type page struct {
	*fpdf.Fpdf
	c reports.Certificate
	y float64
}

func (p *page) write() {
	c := p.c
	p.AddPage()
	p.ink(plot.Text)
	p.line(c.Site, "", 9, plot.Muted, "R", 4)
	p.line(c.Product, "", 11, plot.Text, "L", 6)
	p.line(c.Serial, "B", 20, plot.Text, "L", 10)
	p.verdict()
	p.y += 3
	p.curves()
	p.facts()
	p.foot()
}

// ink sets the colour of text.
func (p *page) ink(hex string) { r, g, b := rgb(hex); p.SetTextColor(r, g, b) }

func rgb(hex string) (r, g, b int) {
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		panic("certificate: colour " + hex)
	}
	return int(v >> 16), int(v >> 8 & 255), int(v & 255)
}

// line writes one line of text, shortened to the page.
func (p *page) line(text, style string, size float64, colour, align string, high float64) {
	p.SetFont("go", style, size)
	p.ink(colour)
	p.SetXY(margin, p.y)
	p.CellFormat(inner, high, p.fit(text, inner), "", 0, align, false, 0, "")
	p.y += high
}

// fit cuts a text to a width in the current type.
func (p *page) fit(text string, most float64) string {
	text = printable(text)
	if p.GetStringWidth(text) <= most {
		return text
	}
	r := []rune(text)
	for len(r) > 1 && p.GetStringWidth(string(r)+"…") > most-2 {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// printable keeps control letters, and what lies beyond the first plane, out of the
// page: the writer knows neither.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > 0xFFFF {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// verdict writes the word, with a bar of its colour beside it.
func (p *page) verdict() {
	look := plot.LookOf(p.c.Verdict)
	r, g, b := rgb(look.Tint)
	p.SetFillColor(r, g, b)
	p.Rect(margin, p.y, inner, 9, "F")
	r, g, b = rgb(look.Colour)
	p.SetFillColor(r, g, b)
	p.Rect(margin, p.y, 1.6, 9, "F")
	p.SetFont("go", "B", 12)
	p.ink(plot.Text)
	p.SetXY(margin+4, p.y)
	p.CellFormat(20, 9, p.c.Verdict, "", 0, "L", false, 0, "")
	text := "measured " + p.c.MeasuredAt.Format("2006-01-02 15:04 -07:00")
	if p.c.Attempt > 1 {
		text += fmt.Sprintf(", at attempt %d", p.c.Attempt)
	}
	p.SetFont("go", "", 9)
	p.SetXY(margin+24, p.y)
	p.CellFormat(inner-26, 9, p.fit(text, inner-26), "", 0, "R", false, 0, "")
	p.y += 9
}

// curves draws the unit's deviation in the envelope.
func (p *page) curves() {
	const high = 78.0
	left, right, top, bottom := margin+9, width-margin, p.y+2, p.y+high-13
	lo, hi := plot.FrequencyRange(p.c.Axis)
	rows := [][]float64{p.c.Limits.Lower, p.c.Limits.Upper}
	for _, s := range p.c.Curves {
		rows = append(rows, s.Values)
	}
	least, most, ok := plot.Span(rows...)
	if !ok {
		least, most = -1, 1
	}
	ticks := plot.LevelTicks(math.Min(least, 0), math.Max(most, 0), 9)
	x := func(f float64) float64 { return left + (right-left)*math.Log(f/lo)/math.Log(hi/lo) }
	y := func(v float64) float64 { return bottom - (bottom-top)*(v-ticks[0])/(ticks[len(ticks)-1]-ticks[0]) }
	p.SetFont("go", "", 7)
	p.ink(plot.Muted)
	for _, v := range ticks {
		p.stroke(plot.Rule, 0.15, "")
		p.Line(left, y(v), right, y(v))
		p.SetXY(left-10, y(v)-1.5)
		p.CellFormat(9, 3, plot.Level(v, ticks[1]-ticks[0]), "", 0, "R", false, 0, "")
	}
	for _, f := range plot.FrequencyTicks(lo, hi) {
		p.stroke(plot.Rule, 0.15, "")
		p.Line(x(f), top, x(f), bottom)
		p.SetXY(x(f)-6, bottom+0.8)
		p.CellFormat(12, 3, band.Hertz(f), "", 0, "C", false, 0, "")
	}
	p.SetXY(left, bottom+4)
	p.CellFormat(right-left, 3, "frequency in Hz; deviation from the target in dB", "", 0, "C", false, 0, "")
	draw := func(values []float64) {
		for i := 1; i < len(values); i++ {
			if plot.Finite(values[i-1]) && plot.Finite(values[i]) {
				p.Line(x(p.c.Axis[i-1]), y(values[i-1]), x(p.c.Axis[i]), y(values[i]))
			}
		}
	}
	p.stroke(plot.Text, 0.25, "dash")
	draw(p.c.Limits.WorkingLower)
	draw(p.c.Limits.WorkingUpper)
	p.stroke(plot.Black, 0.6, "")
	draw(p.c.Limits.Lower)
	draw(p.c.Limits.Upper)
	at := left
	key := func(name, colour string, thick float64, dash string) {
		p.stroke(colour, thick, dash)
		p.Line(at, bottom+10, at+8, bottom+10)
		p.ink(plot.Text)
		p.SetXY(at+9, bottom+8.5)
		p.CellFormat(20, 3, name, "", 0, "L", false, 0, "")
		at += 12 + p.GetStringWidth(name) + 3
	}
	key("limits", plot.Black, 0.6, "")
	for i, s := range p.c.Curves {
		k := plot.StrokeOf(i)
		p.stroke(k.Colour, 0.45, k.Dash)
		draw(s.Values)
		key(printable(s.Name), k.Colour, 0.45, k.Dash)
	}
	p.stroke(plot.Faint, 0.2, "")
	p.Rect(left, top, right-left, bottom-top, "D")
	p.y += high + 2
}

// stroke sets how lines are drawn.
func (p *page) stroke(colour string, thick float64, dash string) {
	r, g, b := rgb(colour)
	p.SetDrawColor(r, g, b)
	p.SetLineWidth(thick)
	p.SetDashPattern(map[string][]float64{"dash": {2, 1.2}, "dot": {0.6, 0.9}, "dashdot": {2, 0.8, 0.6, 0.8}}[dash], 0)
}

// facts lists what was measured, and by what.
func (p *page) facts() {
	c := p.c
	p.SetDashPattern(nil, 0)
	var levels []string
	for i, s := range c.Curves {
		if i < len(c.Sensitivity) && plot.Finite(c.Sensitivity[i]) {
			levels = append(levels, fmt.Sprintf("%s %.1f dB SPL", s.Name, c.Sensitivity[i]))
		}
	}
	if plot.Finite(c.Balance) {
		levels = append(levels, fmt.Sprintf("left minus right %+.1f dB", c.Balance))
	}
	p.fact("in words", c.Sentence)
	p.fact("sensitivity", strings.Join(levels, ", "))
	p.fact("envelope", fmt.Sprintf("version %d", c.Envelope))
	p.fact("rig", c.Rig)
	p.fact("not checked", c.NotChecked)
	p.fact("set aside", c.Override)
	lot := fmt.Sprintf("%s, decided: %s, by %s on %s", c.Lot, c.Outcome, c.DecidedBy, c.DecidedAt.Format("2006-01-02"))
	if c.Outcome == "concession" {
		lot += ": " + c.Reason
	}
	p.fact("lot", lot)
}

// fact writes a name and up to three lines of text; an empty text is left out.
func (p *page) fact(name, text string) {
	if strings.TrimSpace(text) == "" {
		return
	}
	const label, high = 24.0, 4.2
	p.SetFont("go", "", 8)
	p.ink(plot.Muted)
	p.SetXY(margin, p.y)
	p.CellFormat(label, high, name, "", 0, "L", false, 0, "")
	p.ink(plot.Text)
	lines := p.SplitText(printable(text), inner-label)
	if len(lines) > 3 {
		lines = append(lines[:2:2], p.fit(strings.Join(lines[2:], " "), inner-label))
	}
	for _, l := range lines {
		p.SetXY(margin+label, p.y)
		p.CellFormat(inner-label, high, l, "", 0, "L", false, 0, "")
		p.y += high
	}
	p.y += 0.8
}

// foot says what holds the certificate in place.
func (p *page) foot() {
	p.y = height - margin - 3
	p.line("data of the lot, SHA-256: "+p.c.DataHash, "", 6, plot.Muted, "L", 3)
}
