package main

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"alike/spc/sample"
)

// plainNumber is digits with at most one decimal sign, and an exponent. What Go reads
// beyond that (1_000, 0x1p3) is no number of a table.
var plainNumber = regexp.MustCompile(`^[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?$`)

// groupedNumber may be a whole number whose thousands are set apart.
var groupedNumber = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}$`)

// parseCell reads a trimmed cell and returns its decimal sign, 0 for none.
func parseCell(cell string) (x float64, mark byte, ok bool) {
	cell = strings.Replace(cell, "\u2212", "-", 1)
	if !plainNumber.MatchString(cell) {
		return 0, 0, false
	}
	if i := strings.IndexAny(cell, ".,"); i >= 0 {
		mark = cell[i]
	}
	x, err := strconv.ParseFloat(strings.Replace(cell, ",", ".", 1), 64)
	return x, mark, err == nil && !math.IsInf(x, 0)
}

// columnNumbers reads a column of numbers with one decimal sign. A column that may
// as well hold whole numbers with separated thousands is kept for a note.
func (t *table) columnNumbers(at int) ([]float64, error) {
	out := make([]float64, len(t.rows))
	var mark byte
	doubt, sure := "", false
	for i, row := range t.rows {
		cell := strings.TrimSpace(row[at])
		x, m, ok := parseCell(cell)
		place := func() string { return fmt.Sprintf("%s:%d: column %s", t.name, t.line[i], t.head[at]) }
		switch {
		case !ok:
			return nil, fmt.Errorf("%s: %q is not a finite number; correct it or leave the row out", place(), cell)
		case math.Abs(x) > sample.Largest:
			return nil, fmt.Errorf("%s: %q is larger than %g; check its unit", place(), cell, sample.Largest)
		case m != 0 && mark != 0 && m != mark:
			return nil, fmt.Errorf("%s: %q has another decimal sign than the rows above; write all with a point", place(), cell)
		}
		if out[i] = x; m == 0 {
			continue
		}
		mark = m
		if !groupedNumber.MatchString(cell) {
			sure = true
		} else if doubt == "" {
			doubt = cell
		}
	}
	if doubt != "" && !sure && t.mayGroup(mark) {
		t.doubtful, t.doubt = append(t.doubtful, t.head[at]), doubt
	}
	return out, nil
}

// grouping is the note on columns that may hold thousands set apart.
func (t *table) grouping() string {
	names := t.doubtful
	if more := len(names) - 3; more > 1 {
		names = append(slices.Clone(names[:3]), fmt.Sprintf("%d more", more))
	}
	what := "Column"
	if len(names) > 1 {
		what = "Columns"
	}
	return fmt.Sprintf("%s %s: numbers such as %s were read as %s; if they have thousands set apart, leave that sign out.",
		what, strings.Join(names, ", "), t.doubt, strings.Replace(t.doubt, ",", ".", 1))
}

// mayGroup says whether a sign between digits may as well set thousands apart. Where
// semicolons separate cells the decimal sign is a comma, elsewhere it is a point.
func (t *table) mayGroup(mark byte) bool {
	return (t.sep == ';') == (mark == '.')
}
