package curve

import (
	"fmt"
	"strings"

	"alike/spc/band"
)

// MaxPoints is the largest number of rows of a curve that is read.
const MaxPoints = 1_000_000

// Bounds that every response keeps to, unless its columns or units are mixed up.
const (
	mostHz    = 1e6
	mostDB    = 300
	mostPhase = 1e9 // degrees; unwrapped phase grows with delay and frequency
)

// ReadText reads one response from a text of rows: frequency in Hz, level in dB
// and, when there is a third column, phase in degrees. The package comment says
// what texts are accepted. Notes are whole sentences. The error is a *Refusal,
// and with it there is no curve.
func ReadText(name string, data []byte) (band.Curve, []string, error) {
	c, notes, r := readText(name, data)
	if r != nil {
		return band.Curve{}, nil, r
	}
	return c, notes, nil
}

func readText(name string, data []byte) (band.Curve, []string, *Refusal) {
	text, notes, r := decode(name, data)
	if r != nil {
		return band.Curve{}, nil, r
	}
	s := look(name, text)
	t, r := s.layout()
	if r != nil {
		return band.Curve{}, nil, r
	}
	p := points{file: name, layout: t, clear: commasStandClear(s.sample)}
	p.startComments(&s, text)
	p.grow(strings.Count(text, "\n"))
	if r := p.read(s.table); r != nil {
		return band.Curve{}, nil, r
	}
	c, more, r := p.curve()
	if r != nil {
		return band.Curve{}, nil, r
	}
	notes = append(notes, s.notes(&t)...)
	return c, append(notes, more...), nil
}

// layout decides on delimiter and columns, and looks once more at the lines above
// the table that start with a semicolon.
func (s *survey) layout() (layout, *Refusal) {
	for _, title := range s.titles {
		if isWideHead(title.text) {
			return layout{}, refuse(s.file, title.line, "head", "is that of a wide table, with a row per take",
				"read it as a wide CSV: give the file the ending .csv")
		}
	}
	if len(s.sample) == 0 {
		return layout{}, refuse(s.file, 0, "", "has no row of numbers", "export the response as text, frequency and level in columns")
	}
	delim := chooseDelimiter(s.sample)
	width, most, cells := 0, 0, []string(nil)
	for _, row := range s.sample {
		cells, _ = splitRow(cells[:0], row, delim)
		width, most = max(width, filled(cells)), max(most, len(cells))
	}
	t, r := s.findHead(delim, width)
	if r != nil {
		return layout{}, r
	}
	if r := s.strayTitle(&t, width); r != nil {
		return layout{}, r
	}
	if n := len(t.names); n > most {
		return layout{}, refuse(s.file, t.line, "head", fmt.Sprintf("has %s where the rows have %d", columns(n), most),
			"give every column a cell on every row, and end the head's line")
	}
	for _, m := range s.maybe {
		if rowWithoutFrequency(m.text, delim, width) {
			return layout{}, refuse(s.file, m.line, "frequency", "is empty", "fill the cell, or begin the line with # if it is a comment")
		}
	}
	return t, nil
}

// rowWithoutFrequency reports whether a line that starts with a semicolon is a
// row: cells between semicolons, all but the first of them numbers, and no more
// than the table has.
func rowWithoutFrequency(line string, delim byte, width int) bool {
	if delim != ';' {
		return false
	}
	cells, ok := splitRow(nil, line, delim)
	n := filled(cells)
	if !ok || n < 2 || n > width {
		return false
	}
	for _, c := range cells[1:n] {
		if _, f := parseNumber(c, false); c != "" && f != sound && f != nonfinite {
			return false
		}
	}
	return cells[0] == ""
}

// notes tells how the lines above the table were taken.
func (s *survey) notes(t *layout) []string {
	var notes []string
	if t.fromComment {
		notes = append(notes, fmt.Sprintf("The comment on line %d was read as the head.", t.line))
	}
	if t.noUnit {
		notes = append(notes, fmt.Sprintf("The head does not give the unit of %s; it was read as dB.", show(t.names[t.level])))
	}
	var over []string
	for _, title := range s.titles {
		if title.line > 0 {
			over = append(over, fmt.Sprint(title.line))
		}
	}
	switch n := len(over); {
	case n == 1:
		notes = append(notes, "Line "+over[0]+" above the table was passed over as a title.")
	case n > 1:
		notes = append(notes, fmt.Sprintf("%d lines above the table, %s to %s, were passed over as titles.", n, over[0], over[n-1]))
	}
	return notes
}
