package main

import (
	"fmt"
	"math"
	"strings"
	"text/tabwriter"

	"alike/spc/pairing"
)

type calcPairs struct {
	asJSON
	Tolerance *float64 `help:"Largest mismatch of a pair; none unless given." placeholder:"DB"`
	File      string   `arg:"" help:"CSV file: a square table of mismatches (head id,A,B,… and a row per id), or curves by id (head id and frequencies). - for standard input."`
}

type pairingAnswer struct {
	Pairs    []drivers `json:"pairs"`
	Unpaired []string  `json:"unpaired"`
	Total    float64   `json:"total"`
	Warnings []string  `json:"warnings,omitempty"`
}

type drivers struct {
	A        string  `json:"a"`
	B        string  `json:"b"`
	Mismatch float64 `json:"mismatch"`
}

func (cmd *calcPairs) Run(c *console) error {
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	m, err := t.mismatches()
	if err != nil {
		return err
	}
	o := pairing.Options{Tolerance: math.Inf(1)}
	if cmd.Tolerance != nil {
		o.Tolerance = *cmd.Tolerance
	}
	r, err := pairing.Match(m, o)
	if err != nil {
		return fmt.Errorf("%s: %w", t.name, err)
	}
	r.Warnings = t.warnings(r.Warnings)
	if cmd.JSON {
		a := pairingAnswer{Pairs: []drivers{}, Unpaired: append([]string{}, r.Unpaired...), Total: r.Total, Warnings: r.Warnings}
		for _, p := range r.Pairs {
			a.Pairs = append(a.Pairs, drivers(p))
		}
		return printJSON(c, a)
	}
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "A\tB\tMISMATCH")
	for _, p := range r.Pairs {
		fmt.Fprintf(w, "%s\t%s\t%.4g\n", p.A, p.B, p.Mismatch)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%d pairs, total mismatch %.6g", len(r.Pairs), r.Total)
	if len(r.Unpaired) > 0 {
		fmt.Fprintf(c.out, "; unpaired: %s", strings.Join(r.Unpaired, ", "))
	}
	fmt.Fprintln(c.out)
	return c.warn(r.Warnings)
}

// mismatches reads the table as a square of mismatches when its heads are its ids, else
// as curves, whose mismatch is the root mean square difference.
func (t *table) mismatches() (pairing.Table, error) {
	if len(t.head) < 2 || !strings.EqualFold(t.head[0], "id") {
		return pairing.Table{}, fmt.Errorf("%s:%d: the head must begin with id, and name the ids or the frequencies", t.name, t.headLine)
	}
	ids, err := t.texts("", t.head[0])
	if err != nil {
		return pairing.Table{}, err
	}
	cells := make([][]float64, len(t.rows))
	for k := 1; k < len(t.head); k++ {
		col, err := t.columnNumbers(k)
		if err != nil {
			return pairing.Table{}, err
		}
		for i, x := range col {
			cells[i] = append(cells[i], x)
		}
	}
	if ids, cells, ok, err := t.square(ids, cells); ok || err != nil {
		return pairing.Table{IDs: ids, Mismatch: cells}, err
	}
	if err := t.frequencies(); err != nil {
		return pairing.Table{}, err
	}
	units := make([]pairing.Unit, len(ids))
	for i, id := range ids {
		units[i] = pairing.Unit{ID: id, Levels: cells[i]}
	}
	m, err := pairing.Mismatches(units, pairing.Measure{})
	if err != nil {
		return m, fmt.Errorf("%s: %w", t.name, err)
	}
	return m, nil
}

// square returns the rows of a square table in the order of its head, whatever their
// own. It is one when every id is in the head, or every name of the head an id, or
// when they share one and the head cannot be frequencies; then a row that is missing
// or unknown is an error.
func (t *table) square(ids []string, cells [][]float64) (names []string, rows [][]float64, ok bool, err error) {
	names = t.head[1:]
	place, row := map[string]int{}, map[string]int{}
	for i, n := range names {
		place[n] = i
	}
	known := 0
	for i, id := range ids {
		if j, ok := row[id]; ok {
			return nil, nil, false, fmt.Errorf("%s:%d: id %s stands on line %d too; leave one row out", t.name, t.line[i], id, t.line[j])
		}
		row[id] = i
		if _, ok := place[id]; ok {
			known++
		}
	}
	if known == 0 || known < len(ids) && known < len(names) && t.frequencies() == nil {
		return nil, nil, false, nil
	}
	for i, n := range names {
		if j := place[n]; j != i {
			return nil, nil, false, t.twice(n, i+1, j+1)
		}
	}
	for _, id := range ids {
		if _, ok := place[id]; !ok {
			return nil, nil, false, fmt.Errorf("%s:%d: id %s is no column of the head; add the column or leave the row out", t.name, t.line[row[id]], id)
		}
	}
	for _, n := range names {
		i, ok := row[n]
		if !ok {
			return nil, nil, false, fmt.Errorf("%s: id %s of the head has no row; add the row or leave the column out", t.name, n)
		}
		rows = append(rows, cells[i])
	}
	return names, rows, true, nil
}

// frequencies checks that the head names frequencies, each once.
func (t *table) frequencies() error {
	at := map[float64]int{}
	for i, h := range t.head[1:] {
		f, _, ok := parseCell(h)
		if !ok || f <= 0 {
			return fmt.Errorf("%s:%d: %q is neither an id of the rows nor a frequency; name the ids or the frequencies", t.name, t.headLine, h)
		}
		if j, ok := at[f]; ok {
			return t.twice(h, j+1, i+1)
		}
		at[f] = i
	}
	return nil
}
