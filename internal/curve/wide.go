package curve

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"alike/spc/band"
)

// ReadWide reads a wide CSV: a row per take, with identity columns and a level in
// dB under each frequency. A time without an offset from UTC is taken in zone,
// and refused when zone is nil. A bad row is refused and reading goes on; a bad
// head refuses the file.
func ReadWide(name string, data []byte, zone *time.Location) ([]Take, []*Refusal) {
	return readWide(name, data, source{zone: zone})
}

func readWide(name string, data []byte, o source) ([]Take, []*Refusal) {
	s, r := openSheet(name, data)
	if r != nil {
		return nil, []*Refusal{r}
	}
	w := wide{sheet: s}
	at, r := s.places(identityColumns, w.frequency)
	if r == nil {
		r = s.lacks(at, o, "serial", "channel")
	}
	if r == nil {
		r = w.order()
	}
	if r != nil {
		return nil, []*Refusal{r}
	}
	return w.takes(at, o)
}

// wide holds what the head of a wide CSV says about its levels.
type wide struct {
	*sheet
	columns []wideColumn // in rising order of frequency
	hz      []float64
	comma   bool // decimal sign of the levels
}

type wideColumn struct {
	number     // the frequency in Hz
	at     int // place in the head
}

// frequency takes a head such as 20, 31.5 Hz, 1k or 1,25 kHz.
func (w *wide) frequency(i int, cell string) *Refusal {
	n, ok := headFrequency(cell)
	if !ok {
		return w.refuseHead(show(cell)+" is neither a frequency nor a known column",
			"use frequencies in Hz or kHz and the columns "+strings.Join(identityColumns, ", "))
	}
	if n.value < 0 || n.value > mostHz {
		return w.refuseHead(show(cell)+" is no frequency of a response", "give frequencies from 0 Hz to 1 MHz")
	}
	w.columns = append(w.columns, wideColumn{n, i})
	return nil
}

func headFrequency(cell string) (number, bool) {
	s := strings.ToLower(cell)
	s, _ = strings.CutSuffix(s, "hz")
	s, kilo := strings.CutSuffix(s, "k")
	n, f := parseNumber(trimBlanks(s, true), kilo)
	n.thousand = n.thousand && !kilo
	return n, f == sound
}

// order checks the frequencies of the head and puts them in rising order.
func (w *wide) order() *Refusal {
	cs := w.columns
	for _, c := range cs {
		w.hz = append(w.hz, c.value)
	}
	if falls(w.hz) {
		slices.Reverse(cs)
		slices.Reverse(w.hz)
		w.notes = append(w.notes, "The columns fall in frequency and were turned round.")
	}
	if len(cs) > 0 && cs[0].value == 0 {
		w.notes = append(w.notes, fmt.Sprintf("The column at 0 Hz, %s, was dropped.", show(w.head[cs[0].at])))
		cs, w.hz = cs[1:], w.hz[1:]
	}
	if len(cs) < 2 {
		return w.refuseHead("has fewer than 2 frequencies", "name the level columns by their frequencies in Hz")
	}
	for i, c := range cs {
		if i > 0 && c.value <= cs[i-1].value {
			return w.refuseHead(fmt.Sprintf("has %s beside %s: the frequencies neither rise nor fall throughout",
				show(w.head[cs[i-1].at]), show(w.head[c.at])),
				"name each frequency once, in order; with decimal commas separate cells by semicolons")
		}
	}
	if maybeThousands(cs) {
		return w.refuseHead("has frequencies with a decimal sign or one between thousands", "write frequencies without separators, as in 1250")
	}
	w.columns = cs
	return nil
}

// maybeThousands reports whether every frequency with a decimal sign may as well
// have one between thousands, as 1.250 has, and none without says otherwise.
func maybeThousands(columns []wideColumn) bool {
	marked := false
	for _, c := range columns {
		if !c.thousand && (c.mark != 0 || c.value >= 1000) {
			return false
		}
		marked = marked || c.thousand
	}
	return marked
}

func (w *wide) takes(at map[string]int, o source) ([]Take, []*Refusal) {
	var takes []Take
	var refused []*Refusal
	seen := map[place]int{}
	w.comma = w.delim != ',' && w.mostlyCommas()
	if w.comma {
		w.notes = append(w.notes, "Numbers are written with a decimal comma.")
	}
	for row := range w.rows {
		take, r := w.take(row, at, o)
		if r == nil {
			if before := seen[take.place()]; before > 0 {
				r = sameTake(w.file, take.Source.Line, before)
			}
		}
		if r != nil {
			refused = append(refused, r)
			continue
		}
		seen[take.place()] = take.Source.Line
		takes = append(takes, take)
	}
	if len(takes)+len(refused) == 0 {
		refused = append(refused, refuse(w.file, 0, "", "has a head but no rows", remedyHalf))
	}
	return takes, refused
}

func sameTake(file string, line, before int) *Refusal {
	return refuse(file, line, "serial", fmt.Sprintf("serial, channel, seating and attempt are those of line %d", before),
		"correct one of the two lines, or number the seatings or attempts")
}

func (w *wide) take(row sheetRow, at map[string]int, o source) (Take, *Refusal) {
	if row.refused != nil {
		return Take{}, row.refused
	}
	id, r := w.identity(row, at, o)
	if r != nil {
		return Take{}, r
	}
	db := make([]float64, len(w.hz))
	for i, c := range w.columns {
		if db[i], r = w.level(row, c.at); r != nil {
			return Take{}, r
		}
	}
	if w.endsInNumber(row) {
		return Take{}, halfNumber(w.file, row.line)
	}
	c := band.Curve{Hz: w.hz, DB: db}
	if err := c.Check(); err != nil {
		return Take{}, refuse(w.file, row.line, "level", err.Error(), "correct the row")
	}
	return Take{Identity: id, Curve: c, Source: Source{w.file, row.line}, Notes: w.notes}, nil
}

func (w *wide) level(row sheetRow, col int) (float64, *Refusal) {
	cell, field := row.cells[col], w.head[col]
	n, f := parseNumber(cell, false)
	switch {
	case f == cutShort && row.last && col == len(w.head)-1:
		return 0, half(w.file, row.line, field, "its last row ends inside a number")
	case f != sound:
		reason, remedy := f.words(cell)
		return 0, refuse(w.file, row.line, field, reason, remedy)
	case n.mark != 0 && w.delim != ',' && w.comma != (n.mark == ','):
		return 0, refuse(w.file, row.line, field, show(cell)+" has a decimal "+signName(n.mark)+", most numbers have the other sign",
			"write every number with the same decimal sign")
	case math.Abs(n.value) > mostDB:
		return 0, refuse(w.file, row.line, field, fmt.Sprintf("%s is beyond %d dB", show(cell), mostDB), "check its unit and decimal sign")
	}
	return n.value, nil
}

// mostlyCommas reports whether more level cells have a decimal comma than a
// point.
func (w *wide) mostlyCommas() bool {
	commas := 0
	for row := range w.rows {
		if row.refused != nil {
			continue
		}
		for _, c := range w.columns {
			commas += strings.Count(row.cells[c.at], ",") - strings.Count(row.cells[c.at], ".")
		}
	}
	return commas > 0
}

// endsInNumber reports whether the row is the last, has no line end, and ends in a
// level with fewer decimals than all its others have.
func (w *wide) endsInNumber(row sheetRow) bool {
	if !row.last || row.ended {
		return false
	}
	var others tails
	var end *number
	for _, c := range w.columns {
		n, _ := parseNumber(row.cells[c.at], false)
		if c.at == len(w.head)-1 {
			end = &n
		} else {
			others.add(n)
		}
	}
	return end != nil && others.shorter(*end)
}
