package pairing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func drawTable(t *rapid.T, least int) Table {
	n := rapid.IntRange(least, 14).Draw(t, "n")
	table := Table{IDs: make([]string, n), Mismatch: make([][]float64, n)}
	for i := range n {
		table.IDs[i] = fmt.Sprint("d", i)
		table.Mismatch[i] = make([]float64, n)
		for j := range i {
			v := float64(rapid.IntRange(0, 40).Draw(t, "m")) / 8
			table.Mismatch[i][j], table.Mismatch[j][i] = v, v
		}
	}
	return table
}

// greedy takes the closest two first.
func greedy(t Table, tolerance float64) (pairs int, total float64) {
	used := map[int]bool{}
	for {
		bi, bj, best := -1, -1, math.Inf(1)
		for i := range t.IDs {
			for j := range i {
				if m := t.Mismatch[i][j]; !used[i] && !used[j] && m <= tolerance && m < best {
					bi, bj, best = i, j, m
				}
			}
		}
		if bi < 0 {
			return pairs, total
		}
		used[bi], used[bj] = true, true
		pairs, total = pairs+1, total+best
	}
}

// Everybody is in exactly one place; no pair is beyond the tolerance; the order of
// the ids and the unit do not matter; closest-first never does better.
func TestMatchLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := drawTable(t, 0)
		n := len(table.IDs)
		o := Options{Tolerance: float64(rapid.IntRange(0, 44).Draw(t, "tolerance")) / 8}
		if n >= 4 && rapid.Bool().Draw(t, "constrained") {
			o.Fixed = [][2]string{{"d0", "d2"}}
			o.Excluded = []string{"d1"}
		}
		r, err := Match(table, o)
		if err != nil {
			t.Fatal(err)
		}
		check(t, table, o, r)
		if o.Fixed == nil {
			pairs, total := greedy(table, o.Tolerance)
			if pairs > len(r.Pairs) || pairs == len(r.Pairs) && total < r.Total {
				t.Fatalf("closest first: %d pairs of %v against %d of %v", pairs, total, len(r.Pairs), r.Total)
			}
		}
		// other order, other unit
		order := rand.New(rand.NewPCG(1, 2)).Perm(n)
		moved := Table{IDs: make([]string, n), Mismatch: make([][]float64, n)}
		for i, a := range order {
			moved.IDs[i] = table.IDs[a]
			moved.Mismatch[i] = make([]float64, n)
			for j, b := range order {
				moved.Mismatch[i][j] = 4 * table.Mismatch[a][b]
			}
		}
		o.Tolerance *= 4
		m, err := Match(moved, o)
		if err != nil || len(m.Pairs) != len(r.Pairs) || m.Total != 4*r.Total || len(m.Alone) != len(r.Alone) {
			t.Fatalf("%+v became %+v, %v", r, m, err)
		}
	})
}

func check(t *rapid.T, table Table, o Options, r Result) {
	place := map[string]int{}
	total, worst := 0.0, 0.0
	at, _ := positions(table.IDs)
	for _, p := range r.Pairs {
		place[p.A]++
		place[p.B]++
		m := table.Mismatch[at[p.A]][at[p.B]]
		fixed := o.Fixed != nil && p.A == o.Fixed[0][0] && p.B == o.Fixed[0][1]
		if m != p.Mismatch || m > o.Tolerance && !fixed || at[p.A] > at[p.B] {
			t.Fatalf("pair %+v at tolerance %v", p, o.Tolerance)
		}
		total, worst = total+m, math.Max(worst, m)
	}
	for _, id := range append(append([]string(nil), r.Unpaired...), o.Excluded...) {
		place[id]++
	}
	for _, id := range table.IDs {
		if place[id] != 1 {
			t.Fatalf("%s stands in %d places: %+v", id, place[id], r)
		}
	}
	if math.Abs(total-r.Total) > 1e-9 || worst != r.Worst {
		t.Fatalf("total %v and worst %v, counted %v and %v", r.Total, r.Worst, total, worst)
	}
	for _, id := range r.Alone {
		if !slices.Contains(r.Unpaired, id) {
			t.Fatalf("%s is alone and not unpaired", id)
		}
	}
	if o.Fixed != nil && !slices.ContainsFunc(r.Pairs, func(p Pair) bool { return p.A == "d0" && p.B == "d2" }) {
		t.Fatalf("fixed pair is not among %v", r.Pairs)
	}
}

// Each point of the curve is what Match gives there, and pairs never fall as the
// tolerance grows.
func TestCurve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := drawTable(t, 0)
		var tolerances []float64
		for _, i := range rand.New(rand.NewPCG(uint64(len(table.IDs)), 1)).Perm(45) {
			tolerances = append(tolerances, float64(i)/8)
		}
		var o Options
		if len(table.IDs) > 2 {
			o.Fixed = [][2]string{{"d1", "d2"}}
		}
		points, err := Curve(table, tolerances, o)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range points {
			o.Tolerance = tolerances[i]
			r, err := Match(table, o)
			if err != nil {
				t.Fatal(err)
			}
			if p.Tolerance != tolerances[i] || p.Pairs != len(r.Pairs) || math.Abs(p.Total-r.Total) > 1e-9 {
				t.Fatalf("%+v, Match gives %d pairs of %v", p, len(r.Pairs), r.Total)
			}
			for _, q := range points[:i] {
				if (q.Tolerance-p.Tolerance)*float64(q.Pairs-p.Pairs) < 0 {
					t.Fatalf("%+v and %+v", q, p)
				}
			}
		}
	})
}

// Left and right cups against scipy's linear assignment (testdata/assign.py).
func TestAssign(t *testing.T) {
	rows := load(t, "assign.csv")
	if len(rows) != 8 {
		t.Fatalf("%d cases", len(rows))
	}
	for _, r := range rows {
		l, n := int(number(t, r[2])), int(number(t, r[3]))
		var left, right []string
		var m [][]float64
		for i := range l {
			left = append(left, fmt.Sprint("L", i))
			m = append(m, nil)
			for j := range n {
				m[i] = append(m[i], number(t, r[7+i*n+j]))
			}
		}
		for j := range n {
			right = append(right, fmt.Sprint("R", j))
		}
		a, err := Assign(left, right, m, Options{Tolerance: number(t, r[4])})
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Pairs) != int(number(t, r[5])) || a.Total != number(t, r[6]) {
			t.Errorf("case %s: %d pairs of %v, want %s of %s", r[1], len(a.Pairs), a.Total, r[5], r[6])
		}
		for _, p := range a.Pairs {
			if p.A[0] != 'L' || p.B[0] != 'R' {
				t.Errorf("case %s: pair %v", r[1], p)
			}
		}
	}
}

// By hand: differences 1, 2 and 2 dB weigh to √((1+4+4)/3) = √3; with weights
// 2, 1, 1 to √(10/4); with a sensitivity difference of 4 dB at weight 1 besides
// to √((9+16)/4) = 2.5.
func TestMismatches(t *testing.T) {
	units := []Unit{{"a", []float64{90, 91, 92}, 100, 0}, {"b", []float64{91, 89, 94}, 104, 0}}
	for _, tt := range []struct {
		by   Measure
		want float64
	}{
		{Measure{}, math.Sqrt(3)},
		{Measure{Weights: []float64{2, 1, 1}}, math.Sqrt(2.5)},
		{Measure{Sensitivity: 1}, 2.5},
		{Measure{Weights: []float64{0, 0, 0}, Sensitivity: 3}, 4},
	} {
		table, err := Mismatches(units, tt.by)
		if err != nil || math.Abs(table.Mismatch[0][1]-tt.want) > 1e-12 || table.Mismatch[1][0] != table.Mismatch[0][1] {
			t.Errorf("%+v: %v, %v, want %v", tt.by, table.Mismatch, err, tt.want)
		}
	}
}

// Half the drivers are alike, the other half go with nobody: pools of ten drawn
// from twenty hold k of the ten good ones by the hypergeometric law, and give k/2
// pairs rounded down: 2.24966 pairs on average (scipy 1.10, hypergeom(20, 10, 10)).
func TestPerHundred(t *testing.T) {
	table := Table{IDs: make([]string, 20), Mismatch: make([][]float64, 20)}
	for i := range 20 {
		table.IDs[i] = fmt.Sprint(i)
		table.Mismatch[i] = make([]float64, 20)
		for j := range 20 {
			if i != j && (i >= 10 || j >= 10) {
				table.Mismatch[i][j] = 9
			}
		}
	}
	y, err := PerHundred(table, 10, 1, 20000, 1)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(y.Pairs-2.24966) > 0.02 || math.Abs(y.PerHundred-22.4966) > 0.2 || y.Low != 10 || y.High != 30 {
		t.Errorf("%+v", y)
	}
	y, err = PerHundred(table, 0, 1, 50, 1)
	if err != nil || y.Pool != 20 || y.Draws != 1 || y.PerHundred != 25 || len(y.Warnings) != 2 {
		t.Errorf("%+v, %v", y, err)
	}
	again, _ := PerHundred(table, 10, 1, 30, 7)
	if b, _ := PerHundred(table, 10, 1, 30, 7); !reflect.DeepEqual(again, b) {
		t.Error("the same seed gave another answer")
	}
	for _, tt := range []struct {
		pool, draws int
		tolerance   float64
		part        string
	}{{21, 5, 1, "size from 2 to 20"}, {1, 5, 1, "pool of 1"}, {5, 0, 1, "0 draws"}, {5, 5, math.NaN(), "tolerance NaN"}} {
		if _, err := PerHundred(table, tt.pool, tt.tolerance, tt.draws, 1); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
}

func TestErrorsNameTheFault(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := func() Table {
		return Table{IDs: []string{"A", "B", "C", "D"}, Mismatch: [][]float64{{0, 1, 2, 3}, {1, 0, 4, 5}, {2, 4, 0, 6}, {3, 5, 6, 0}}}
	}
	edit := func(f func(*Table)) Table { g := good(); f(&g); return g }
	for _, tt := range []struct {
		table Table
		o     Options
		part  string
	}{
		{edit(func(t *Table) { t.IDs[2] = "A" }), Options{}, `id "A" stands at 1 and at 3`},
		{edit(func(t *Table) { t.IDs[2] = "" }), Options{}, "id 3 is empty"},
		{edit(func(t *Table) { t.Mismatch = t.Mismatch[:3] }), Options{}, "3 rows for 4 ids"},
		{edit(func(t *Table) { t.Mismatch[1] = t.Mismatch[1][:2] }), Options{}, `row "B" has 2`},
		{edit(func(t *Table) { t.Mismatch[1][3] = nan }), Options{}, `mismatch of "B" and "D": NaN`},
		{edit(func(t *Table) { t.Mismatch[1][3] = -1 }), Options{}, `mismatch of "B" and "D": -1`},
		{edit(func(t *Table) { t.Mismatch[1][3] = inf }), Options{}, `mismatch of "B" and "D": +Inf`},
		{edit(func(t *Table) { t.Mismatch[1][3] = 1e300 }), Options{}, `mismatch of "B" and "D": 1e+300`},
		{edit(func(t *Table) { t.Mismatch[1][3] = 7 }), Options{}, "make the table symmetric"},
		{good(), Options{Tolerance: nan}, "tolerance NaN"},
		{good(), Options{Tolerance: -1}, "tolerance -1"},
		{good(), Options{Excluded: []string{"Z"}}, `excluded id "Z" is not in the table`},
		{good(), Options{Fixed: [][2]string{{"A", "Z"}}}, `fixed id "Z" is not in the table`},
		{good(), Options{Fixed: [][2]string{{"A", "A"}}}, `id "A" is in two places`},
		{good(), Options{Fixed: [][2]string{{"A", "B"}, {"C", "B"}}}, `id "B" is in two places`},
		{good(), Options{Fixed: [][2]string{{"A", "B"}}, Excluded: []string{"B"}}, "decide for one"},
	} {
		if _, err := Match(tt.table, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	l, r := []string{"L1", "L2"}, []string{"R1"}
	for _, tt := range []struct {
		m    [][]float64
		o    Options
		part string
	}{
		{[][]float64{{1}}, Options{}, "1 rows for 2 left ids"},
		{[][]float64{{1}, {1, 2}}, Options{}, `row "L2" has 2`},
		{[][]float64{{1}, {nan}}, Options{}, `mismatch of "L2" and "R1"`},
		{[][]float64{{1}, {2}}, Options{Fixed: [][2]string{{"L1", "L2"}}}, "of one side"},
	} {
		if _, err := Assign(l, r, tt.m, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	units := func(edit func([]Unit)) []Unit {
		u := []Unit{{ID: "a", Levels: []float64{1, 2}}, {ID: "b", Levels: []float64{1, 3}}}
		edit(u)
		return u
	}
	for _, tt := range []struct {
		units []Unit
		by    Measure
		part  string
	}{
		{nil, Measure{}, "no units"},
		{units(func(u []Unit) { u[1].Levels = u[1].Levels[:1] }), Measure{}, `unit "b" has 1 bands`},
		{units(func(u []Unit) { u[1].Levels[1] = nan }), Measure{}, `unit "b" has the level NaN in band 2`},
		{units(func(u []Unit) { u[1].Sensitivity = inf }), Measure{Sensitivity: 1}, `unit "b" has the sensitivity +Inf`},
		{units(func(u []Unit) { u[1].ID = "a" }), Measure{}, `id "a" stands at`},
		{units(func(u []Unit) { u[0].Polarity = 2 }), Measure{}, `unit "a" has the polarity 2`},
		{units(func([]Unit) {}), Measure{Weights: []float64{1}}, "1 weights for 2 bands"},
		{units(func([]Unit) {}), Measure{Weights: []float64{1, -1}}, "weight -1 of band 2"},
		{units(func([]Unit) {}), Measure{Sensitivity: nan}, "weight NaN of the sensitivity"},
		{units(func([]Unit) {}), Measure{Weights: []float64{0, 0}}, "all weights are zero"},
		{make([]Unit, MostDrivers+1), Measure{}, "too many"},
	} {
		if _, err := Mismatches(tt.units, tt.by); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	if _, err := Curve(good(), nil, Options{}); err == nil {
		t.Error("a curve without tolerances")
	}
	if _, err := Curve(good(), []float64{1, nan}, Options{}); err == nil || !strings.Contains(err.Error(), "tolerance 2") {
		t.Errorf("%v", err)
	}
}

func TestWarnings(t *testing.T) {
	table := Table{IDs: []string{"A", "B", "C", "D", "E"}, Mismatch: [][]float64{
		{0, 9, 1, 9, 9}, {9, 0, 9, 2, 9}, {1, 9, 0, 9, 9}, {9, 2, 9, 0, 9}, {9, 9, 9, 9, 0}}}
	r, err := Match(table, Options{Tolerance: 3})
	if err != nil || len(r.Warnings) != 1 || r.Warnings[0] != "E is within the tolerance of nobody." || letters(r) != "AC BD" {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = Match(table, Options{Tolerance: 3, Fixed: [][2]string{{"A", "B"}}})
	if err != nil || len(r.Warnings) != 2 || !strings.Contains(r.Warnings[0], "fixed pair A and B") || r.Worst != 9 {
		t.Errorf("%+v, %v", r, err)
	}
	if len(r.Alone) != 3 { // C and D only had the two that are fixed
		t.Errorf("alone: %v", r.Alone)
	}
	r, err = Match(Table{}, Options{})
	if err != nil || len(r.Pairs) != 0 {
		t.Errorf("empty table: %+v, %v", r, err)
	}
}
