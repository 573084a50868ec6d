package curve

import "fmt"

// points gathers the rows of a table and what their writing tells about it.
type points struct {
	file   string
	layout layout
	clear  bool // every comma has a blank beside it

	hz, db, phase []float64
	line          []int32
	cells         []string

	first     rowSize
	width     int   // most filled cells of a row
	noPhase   int   // line of the first row without phase, 0 for none
	commented []int // lines of comments that look like rows

	marks    [2]int // line of the first decimal point and of the first comma
	thousand int    // line of the first frequency that may have separated thousands
	decided  bool   // some number cannot have separated thousands
	tails    tails

	notSpaced bool // some row cannot be 1 000 90.5, with a blank between thousands
}

func (p *points) grow(n int) {
	n = min(n+1, MaxPoints)
	p.hz, p.db, p.line = make([]float64, 0, n), make([]float64, 0, n), make([]int32, 0, n)
	if p.layout.phase >= 0 {
		p.phase = make([]float64, 0, n)
	}
}

// placed is a row with what its place in the file says.
type placed struct {
	numbered
	last, ended bool
}

// startComments finds the comments above the table that look like rows.
func (p *points) startComments(s *survey, text string) {
	cells, _ := splitRow(nil, s.sample[0], p.layout.delim)
	p.width = filled(cells)
	p.commented = s.commented(text, &p.layout, p.width)
}

// read takes every row from l on. A row is handled when the next one is known, so
// that the last can be told from the others.
func (p *points) read(l lines) *Refusal {
	var row placed
	for l.next() {
		c := classify(l.line, true)
		if c == maybeRow && rowWithoutFrequency(l.line, p.layout.delim, max(p.width, 2)) {
			c = rowLine
		}
		if c != rowLine {
			if c != blankLine && commentedRow(l.line, p.layout.delim, p.width) {
				p.commented = append(p.commented, l.number)
			}
			continue
		}
		if row.line > 0 {
			if r := p.add(row); r != nil {
				return r
			}
		}
		row = placed{numbered: numbered{l.line, l.number}, ended: l.ended}
	}
	row.last = true
	return p.add(row)
}

func (p *points) add(row placed) *Refusal {
	if len(p.hz) == MaxPoints {
		return refuse(p.file, row.line, "", fmt.Sprintf("has more than %d rows", MaxPoints), "export the response with fewer points")
	}
	var ok bool
	p.cells, ok = splitRow(p.cells[:0], row.text, p.layout.delim)
	if !ok {
		if row.last {
			return half(p.file, row.line, "", "its last row ends inside a quoted cell")
		}
		return refuse(p.file, row.line, "", "has a quote that is not closed around one cell", "write quotes in pairs, around whole cells")
	}
	if p.layout.delim == ' ' && p.spacedThousands(row.text) {
		return refuse(p.file, row.line, "frequency", "seems to have blanks between thousands", "export numbers without them, as in 1000")
	}
	if r := p.count(row); r != nil {
		return r
	}
	return p.numbers(row)
}

// count checks the number of cells of a row. All rows have as many as the first,
// but for empty ones at the end: a row with more may be two that lost the line
// end between them.
func (p *points) count(row placed) *Refusal {
	n, full, need := len(p.cells), filled(p.cells), max(p.layout.freq, p.layout.level)+1
	p.width = max(p.width, full)
	first := p.first
	if len(p.hz) == 0 {
		p.first = rowSize{row.line, n, full}
		first = p.first
	}
	switch {
	case row.last && len(p.hz) > 0 && (n < first.cells || n < need):
		return half(p.file, row.line, "", fmt.Sprintf("its last row has %s where the others have %d", columns(n), first.cells))
	case n < need:
		return refuse(p.file, row.line, "", fmt.Sprintf("has %s where %d are needed", columns(n), need), remedyCells)
	case n == first.cells, full == first.filled:
		return nil
	}
	if r := p.ambiguousCommas(row.line); r != nil {
		return r
	}
	if _, r := p.number(row, "frequency", p.layout.freq, mostHz); r != nil {
		return r // a line of words says so sooner than its number of cells
	}
	return refuse(p.file, row.line, "", fmt.Sprintf("has %s where line %d has %d", columns(n), first.line, first.cells),
		"give every row the same columns, and a line of its own")
}

// A rowSize is how many cells a row has, with and without empty ones at the end.
type rowSize struct {
	line, cells, filled int
}

func columns(n int) string {
	if n == 1 {
		return "1 column"
	}
	return fmt.Sprintf("%d columns", n)
}
