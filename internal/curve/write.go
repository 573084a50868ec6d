package curve

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"alike/spc/band"
)

// WriteText writes a curve as ReadText reads it. It refuses a curve that fails
// band.Curve.Check, and digits so few that two frequencies would look alike.
func WriteText(w io.Writer, c band.Curve, s Style) error {
	s, err := s.filled()
	if err != nil {
		return err
	}
	if err := c.Check(); err != nil {
		return err
	}
	p := printer{Style: s}
	p.comments()
	phase := s.Phase && c.Phase != nil
	if !s.NoHead {
		p.row(textHead(s, phase)...)
	}
	before := ""
	for i := range c.Hz {
		j := p.place(i, len(c.Hz))
		cells := []string{p.hertz(c.Hz[j]), p.number(c.DB[j], s.DBDigits, true)}
		if cells[0] == before || p.isZero(cells[0]) {
			return p.tooFewDigits(c.Hz[j])
		}
		if phase {
			cells = append(cells, p.angle(c.Phase[j]))
		}
		before = cells[0]
		p.row(cells...)
	}
	return p.flush(w)
}

func textHead(s Style, phase bool) []string {
	head := []string{"Frequency(Hz)", "Level(dB)"}
	if s.Kilohertz {
		head[0] = "Frequency(kHz)"
	}
	if phase && s.Radians {
		head = append(head, "Phase(rad)")
	} else if phase {
		head = append(head, "Phase(deg)")
	}
	return head
}

func (p *printer) hertz(f float64) string {
	if p.Kilohertz {
		f /= 1000
	}
	return p.number(f, p.HzDigits, false)
}

func (p *printer) angle(degrees float64) string {
	if p.Radians {
		degrees *= math.Pi / 180
	}
	return p.number(degrees, p.DBDigits, true)
}

func (p *printer) isZero(cell string) bool {
	n, f := parseNumber(cell, false)
	return f == sound && n.value == 0
}

// WriteWide writes takes as ReadWide reads them: a row per take, those identity
// columns that some take has, then a column per frequency. All takes must have
// the same frequencies. Phase is left out.
func WriteWide(w io.Writer, takes []Take, s Style) error {
	s, err := s.filled()
	if err != nil {
		return err
	}
	if s.NoHead || s.Delimiter == ' ' || s.CommentSign == '"' {
		return fmt.Errorf("a wide CSV needs a head, commas, semicolons or tabs, and comments after #, * or ;")
	}
	if len(takes) == 0 {
		return fmt.Errorf("a wide CSV needs at least one take")
	}
	p := printer{Style: s}
	p.comments()
	columns := usedColumns(takes)
	grid := takes[0].Curve.Hz
	hz, err := p.wideHead(grid)
	if err != nil {
		return err
	}
	p.row(slices.Concat(columns, hz)...)
	for _, t := range takes {
		if err := t.Curve.Check(); err != nil {
			return err
		}
		if !slices.Equal(t.Curve.Hz, grid) {
			return fmt.Errorf("takes of serials %s and %s have different frequencies; write them to files of their own", show(takes[0].Serial), show(t.Serial))
		}
		cells := identityCells(t.Identity, columns)
		for i := range grid {
			cells = append(cells, p.number(t.Curve.DB[p.place(i, len(grid))], s.DBDigits, true))
		}
		p.row(cells...)
	}
	return p.flush(w)
}

// wideHead returns the heads of the level columns.
func (p *printer) wideHead(grid []float64) ([]string, error) {
	head := make([]string, len(grid))
	back := make([]wideColumn, len(grid))
	for i := range grid {
		head[i] = p.hertz(grid[p.place(i, len(grid))])
		if p.Kilohertz {
			head[i] += " kHz"
		}
		back[i].number, _ = headFrequency(head[i])
		if back[i].value == 0 || i > 0 && back[i].value == back[i-1].value {
			return nil, p.tooFewDigits(grid[p.place(i, len(grid))])
		}
	}
	if maybeThousands(back) {
		return nil, fmt.Errorf("frequencies such as %s look as if they had a sign between thousands; write another number of decimals", head[0])
	}
	return head, nil
}

func (p *printer) tooFewDigits(hz float64) error {
	return fmt.Errorf("with %d decimals the frequency %v Hz cannot be told from its neighbour or from 0; write more decimals", p.HzDigits, hz)
}

// place turns the i-th column or row of n into an index from low to high.
func (p *printer) place(i, n int) int {
	if p.Falling {
		return n - 1 - i
	}
	return i
}

// WriteManifest writes rows as ReadManifest reads them.
func WriteManifest(w io.Writer, rows []ManifestRow) error {
	p := printer{}
	p.Style, _ = Style{}.filled()
	ids := make([]Take, len(rows))
	for i, r := range rows {
		ids[i].Identity = r.Identity
	}
	columns := usedColumns(ids)
	p.row(append([]string{"file"}, columns...)...)
	for _, r := range rows {
		p.row(append([]string{r.File}, identityCells(r.Identity, columns)...)...)
	}
	return p.flush(w)
}

// usedColumns are serial, channel and those that some take fills.
func usedColumns(takes []Take) []string {
	var used []string
	for i, name := range identityColumns {
		if i < 2 || slices.ContainsFunc(takes, func(t Take) bool { return identityCells(t.Identity, []string{name})[0] != "" }) {
			used = append(used, name)
		}
	}
	return used
}

func identityCells(id Identity, columns []string) []string {
	cells := make([]string, len(columns))
	for i, name := range columns {
		switch name {
		case "serial":
			cells[i] = id.Serial
		case "channel":
			cells[i] = id.Channel
		case "seating":
			cells[i] = countCell(id.Seating)
		case "attempt":
			cells[i] = countCell(id.Attempt)
		case "product":
			cells[i] = id.Product
		case "lot":
			cells[i] = id.Lot
		case "station":
			cells[i] = id.Station
		case "operator":
			cells[i] = id.Operator
		case "reason":
			cells[i] = id.Reason
		case "measured_at":
			if !id.MeasuredAt.IsZero() {
				cells[i] = id.MeasuredAt.Format(time.RFC3339Nano)
			}
		}
	}
	return cells
}

func countCell(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}
