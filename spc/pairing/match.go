package pairing

import (
	"fmt"
	"math"
)

// Options steer a pairing.
type Options struct {
	// Tolerance is the largest mismatch of a pair, inclusive; math.Inf(1) for none.
	Tolerance float64
	// Fixed pairs stay together whatever their mismatch; their drivers go to no one
	// else.
	Fixed [][2]string
	// Excluded ids take no part.
	Excluded []string
}

// A Pair is two drivers and their mismatch.
type Pair struct {
	A, B     string
	Mismatch float64
}

// A Result is a pairing.
type Result struct {
	Pairs    []Pair   // in the order of the table; fixed pairs are among them
	Unpaired []string // in the order of the table, without those excluded
	Alone    []string // those unpaired that nobody at all is close enough to
	Total    float64  // sum of the mismatches of the pairs
	Worst    float64  // largest of them
	Warnings []string
}

// Match pairs drivers any with any: as many pairs within the tolerance as there
// can be, and of those choices one with the least total mismatch.
func Match(t Table, o Options) (Result, error) {
	if err := t.check(); err != nil {
		return Result{}, err
	}
	return choose(t.IDs, o, func(i, j int) float64 { return t.Mismatch[i][j] })
}

// Assign pairs each left with a right one by the same rule. Mismatch[i][j] is that
// of left[i] and right[j]; every id stands once in both lists together.
func Assign(left, right []string, mismatch [][]float64, o Options) (Result, error) {
	ids := append(append([]string(nil), left...), right...)
	if len(ids) > MostDrivers {
		return Result{}, fmt.Errorf("%d cups are too many for one table: split them into groups of at most %d", len(ids), MostDrivers)
	}
	if len(mismatch) != len(left) {
		return Result{}, fmt.Errorf("the table has %d rows for %d left ids: give one row per left id", len(mismatch), len(left))
	}
	for i, row := range mismatch {
		if len(row) != len(right) {
			return Result{}, fmt.Errorf("row %q has %d mismatches for %d right ids: give one per right id", left[i], len(row), len(right))
		}
		for j, v := range row {
			if err := checkMismatch(v); err != nil {
				return Result{}, fmt.Errorf("mismatch of %q and %q: %w", left[i], right[j], err)
			}
		}
	}
	n := len(left)
	return choose(ids, o, func(i, j int) float64 {
		i, j = min(i, j), max(i, j)
		if i >= n || j < n {
			return math.Inf(1)
		}
		return mismatch[i][j-n]
	})
}

// choose applies the options and solves for the drivers that are free to choose.
func choose(ids []string, o Options, mismatch func(i, j int) float64) (Result, error) {
	if !(o.Tolerance >= 0) {
		return Result{}, fmt.Errorf("tolerance %v is not a number from 0 up", o.Tolerance)
	}
	at, err := positions(ids)
	if err != nil {
		return Result{}, err
	}
	mates, out, err := o.settle(at, ids, mismatch)
	if err != nil {
		return Result{}, err
	}
	var free []int
	for i := range ids {
		if mates[i] < 0 && !out[i] {
			free = append(free, i)
		}
	}
	g := newGraph(len(free), func(a, b int) float64 {
		if c := mismatch(free[a], free[b]); c <= o.Tolerance {
			return c
		}
		return math.Inf(1)
	})
	chosen, _ := g.optimum()
	for a, b := range chosen {
		if b >= 0 {
			mates[free[a]] = free[b]
		}
	}
	r := collect(ids, mates, out, mismatch)
	for a, i := range free {
		if chosen[a] < 0 && g.isAlone(a) {
			r.Alone = append(r.Alone, ids[i])
		}
	}
	r.warn(o, at, mismatch)
	return r, nil
}

// settle returns the mates of fixed pairs, -1 for the others, and who is out.
func (o Options) settle(at map[string]int, ids []string, mismatch func(i, j int) float64) (mates []int, out []bool, err error) {
	mates, out = make([]int, len(ids)), make([]bool, len(ids))
	for i := range mates {
		mates[i] = -1
	}
	for _, id := range o.Excluded {
		i, ok := at[id]
		if !ok {
			return nil, nil, fmt.Errorf("excluded id %q is not in the table: check its spelling", id)
		}
		out[i] = true
	}
	for _, p := range o.Fixed {
		for _, id := range p {
			i, ok := at[id]
			switch {
			case !ok:
				return nil, nil, fmt.Errorf("fixed id %q is not in the table: check its spelling", id)
			case out[i]:
				return nil, nil, fmt.Errorf("id %q is in a fixed pair and excluded: decide for one", id)
			case mates[i] >= 0 || p[0] == p[1]:
				return nil, nil, fmt.Errorf("id %q is in two places of the fixed pairs: leave one out", id)
			}
		}
		i, j := at[p[0]], at[p[1]]
		if math.IsInf(mismatch(i, j), 1) {
			return nil, nil, fmt.Errorf("fixed pair %q and %q are of one side: pair a left one with a right one", p[0], p[1])
		}
		mates[i], mates[j] = j, i
	}
	return mates, out, nil
}

func collect(ids []string, mates []int, out []bool, mismatch func(i, j int) float64) Result {
	var r Result
	for i, j := range mates {
		switch {
		case j > i:
			m := mismatch(i, j)
			r.Pairs = append(r.Pairs, Pair{ids[i], ids[j], m})
			r.Total += m
			r.Worst = math.Max(r.Worst, m)
		case j < 0 && !out[i]:
			r.Unpaired = append(r.Unpaired, ids[i])
		}
	}
	return r
}

func (g graph) isAlone(a int) bool {
	for b := range g.n {
		if a != b && !math.IsInf(g.cost(max(a, b), min(a, b)), 1) {
			return false
		}
	}
	return true
}

func (r *Result) warn(o Options, at map[string]int, mismatch func(i, j int) float64) {
	for _, p := range o.Fixed {
		if m := mismatch(at[p[0]], at[p[1]]); m > o.Tolerance {
			r.Warnings = append(r.Warnings, fmt.Sprintf("The fixed pair %s and %s has a mismatch of %.3g, beyond the tolerance of %.3g.", p[0], p[1], m, o.Tolerance))
		}
	}
	switch n := len(r.Alone); {
	case n == 1:
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s is within the tolerance of nobody.", r.Alone[0]))
	case n > 1:
		r.Warnings = append(r.Warnings, fmt.Sprintf("%d are within the tolerance of nobody.", n))
	}
}
