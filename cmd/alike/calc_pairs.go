package main

import (
	"fmt"
	"math"
	"strconv"
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
		return pairing.Table{}, fmt.Errorf("%s:1: the head must begin with id, and name the ids or the frequencies", t.name)
	}
	ids := make([]string, len(t.rows))
	for i, r := range t.rows {
		ids[i] = strings.TrimSpace(r[0])
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
	if square(t.head[1:], ids) {
		return pairing.Table{IDs: ids, Mismatch: cells}, nil
	}
	for _, h := range t.head[1:] {
		if _, err := strconv.ParseFloat(h, 64); err != nil {
			return pairing.Table{}, fmt.Errorf("%s:1: %q is neither the next id of the rows nor a frequency", t.name, h)
		}
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

func square(head, ids []string) bool {
	if len(head) != len(ids) {
		return false
	}
	for i := range head {
		if head[i] != ids[i] {
			return false
		}
	}
	return true
}
