package chart_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// NIST/SEMATECH e-Handbook 6.3.3.1 (from memory): centre 16, limits 28 and 4, only
// wafer 24 (31) is out; wafer 3 lies on the limit with 28.
func TestHandbookC(t *testing.T) {
	c, err := chart.C(column(table(t, "wafer-counts.csv"), 0), chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{{"centre", c.Center, 16, 0}, {"upper", c.Points[0].Upper, 28, 1e-12}, {"lower", c.Points[0].Lower, 4, 1e-12}, {"sigma", c.Sigma, 4, 1e-12}})
	if !slices.Equal(fired(c.Points), []int{24}) {
		t.Errorf("signals at %v, want [24]", fired(c.Points))
	}
}

// e-Handbook 6.3.3.2: mean .2313 as printed; limits from memory, recomputed.
func TestHandbookP(t *testing.T) {
	rows := table(t, "fraction-30x50.csv")
	p, err := chart.P(column(rows, 0), column(rows, 1), chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	np, err := chart.NP(column(rows, 0), column(rows, 1), chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{
		{"share", p.Center, 0.231333, 5.1e-7}, {"upper", p.Points[0].Upper, 0.410239, 5e-7}, {"lower", p.Points[29].Lower, 0.052428, 5e-7},
		{"number", np.Center, 11.566667, 5e-7}, {"number upper", np.Points[0].Upper, 20.511956, 5e-7}, {"number lower", np.Points[29].Lower, 2.621377, 5e-7},
		{"number sigma", np.Sigma, (20.511956 - 11.566667) / 3, 5e-7},
	})
	for _, c := range []chart.Chart{p, np} {
		if !slices.Equal(fired(c.Points), []int{15, 23}) {
			t.Errorf("%s: signals at %v, want [15 23]", c.Kind, fired(c.Points))
		}
	}
	twelve := 12.0
	if np, err = chart.NP(column(rows, 0), column(rows, 1), chart.Options{Center: &twelve}); err != nil || math.Abs(np.Center-12) > 1e-12 {
		t.Errorf("given centre 12: %v, %v", np.Center, err)
	}
}

// Defects on samples of unequal size: u-bar 43/12, limits u-bar ± 3√(u-bar/n)
// (formula of any handbook, computed here by hand).
func TestUnequalU(t *testing.T) {
	sizes := []float64{2, 2.5, 2, 3, 2.5}
	c, err := chart.U([]float64{4, 7, 3, 9, 20}, sizes, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{{"centre", c.Center, 43.0 / 12, 1e-15}, {"value", c.Points[4].Value, 8, 1e-15}})
	for i, n := range sizes {
		w := 3 * math.Sqrt(43.0/12/n)
		compare(t, []check{{"upper", c.Points[i].Upper, 43.0/12 + w, 1e-12}, {"lower", c.Points[i].Lower, math.Max(0, 43.0/12-w), 1e-12}})
	}
	if !slices.Equal(fired(c.Points), []int{5}) { // 8 against 7.175
		t.Errorf("signals at %v, want [5]", fired(c.Points))
	}
}

// A count exactly on its limit is not out, though the limit is not exact in
// float64: p 0.1, n 100, 19 defectives on 0.1 + 3·0.03; 1 on 0.01.
func TestCountOnTheLimit(t *testing.T) {
	share := 0.1
	c, err := chart.P([]float64{19, 1, 20, 0}, []float64{100, 100, 100, 100}, chart.Options{Center: &share})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(fired(c.Points), []int{3, 4}) {
		t.Errorf("signals at %v, want [3 4]", fired(c.Points))
	}
}

// With unequal sizes each point is judged, and its runs are read, by its own limits.
func TestPStandardisesEachPoint(t *testing.T) {
	share := 0.2
	c, err := chart.P([]float64{30, 300}, []float64{100, 1000}, chart.Options{Center: &share, Rules: chart.Nelson()})
	if err != nil {
		t.Fatal(err)
	}
	// (0.3-0.2)/0.04 = 2.5 and 0.1/0.01265 = 7.9
	if slices.Contains(c.Points[0].Signals, chart.Beyond) || !slices.Contains(c.Points[1].Signals, chart.Beyond) || !slices.Contains(c.Points[1].Signals, chart.TwoOfThree) {
		t.Errorf("signals %v then %v", c.Points[0].Signals, c.Points[1].Signals)
	}
	if u := c.Points[0].Upper; math.Abs(u-0.32) > 1e-12 {
		t.Errorf("upper %v, want 0.32", u)
	}
}

// Exchanging good and bad mirrors the p chart; splitting no sample, only scaling
// sizes, scales a u chart.
func TestAttributeLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "samples")
		counts, rest, sizes, halves := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range n {
			size := rapid.IntRange(1, 400).Draw(t, "size")
			k := rapid.IntRange(0, size).Draw(t, "count")
			counts[i], rest[i], sizes[i], halves[i] = float64(k), float64(size-k), float64(size), float64(size)/2
		}
		a, errA := chart.P(counts, sizes, chart.Options{})
		b, errB := chart.P(rest, sizes, chart.Options{})
		u, errU := chart.U(counts, sizes, chart.Options{})
		v, errV := chart.U(counts, halves, chart.Options{})
		if errA != nil || errB != nil {
			return // all good or all bad
		}
		if errU != nil || errV != nil {
			t.Fatal(errU, errV)
		}
		for i, p := range a.Points {
			q := b.Points[i]
			if math.Abs(p.Value+q.Value-1) > 1e-12 || math.Abs(p.Upper+q.Lower-1) > 1e-9 || !edge(p) && len(p.Signals) != len(q.Signals) {
				t.Fatalf("point %+v, mirrored %+v", p, q)
			}
			if p.Lower < 0 || p.Upper > 1 {
				t.Fatalf("limits %v %v", p.Lower, p.Upper)
			}
			x, y := u.Points[i], v.Points[i]
			if math.Abs(2*x.Upper-y.Upper) > 1e-9*y.Upper || !edge(x) && len(x.Signals) != len(y.Signals) {
				t.Fatalf("point %+v, in halves %+v", x, y)
			}
		}
	})
}

func TestAttributesRefuse(t *testing.T) {
	one, two, zero := 1.0, 2.0, 0.0
	nan := math.NaN()
	type call func(counts, sizes []float64, o chart.Options) (chart.Chart, error)
	noSizes := func(counts, _ []float64, o chart.Options) (chart.Chart, error) { return chart.C(counts, o) }
	all := []call{chart.P, chart.NP, chart.U, noSizes}
	sized := []call{chart.P, chart.NP, chart.U}
	binomial := []call{chart.P, chart.NP}
	for name, tt := range map[string]struct {
		of            []call
		counts, sizes []float64
		o             chart.Options
		says          string
	}{
		"none":             {all, nil, nil, chart.Options{}, "at least"},
		"one":              {all, []float64{2}, []float64{9}, chart.Options{}, "at least 2"},
		"lengths":          {sized, []float64{2, 3}, []float64{9}, chart.Options{}, "pair"},
		"size zero":        {sized, []float64{0, 0}, []float64{0, 0}, chart.Options{}, "size 1"},
		"size negative":    {sized, []float64{1, 1}, []float64{-9, -9}, chart.Options{}, "size 1"},
		"size vanishing":   {sized, []float64{1, 1}, []float64{1e-200, 1e-200}, chart.Options{}, "size 1"},
		"size fraction":    {binomial, []float64{1, 2}, []float64{9.5, 9.5}, chart.Options{}, "whole"},
		"too many":         {binomial, []float64{1, 10}, []float64{9, 9}, chart.Options{}, "count 2"},
		"fraction":         {all, []float64{1, 2.5}, []float64{9, 9}, chart.Options{}, "count 2"},
		"negative":         {all, []float64{1, -2}, []float64{9, 9}, chart.Options{}, "count 2"},
		"nan":              {all, []float64{1, nan}, []float64{9, 9}, chart.Options{}, "value 2"},
		"infinite":         {all, []float64{1, math.Inf(1)}, []float64{9, 9}, chart.Options{}, "value 2"},
		"huge":             {all, []float64{1, 1e300}, []float64{9, 9}, chart.Options{}, "value 2"},
		"beyond counting":  {all, []float64{1, 1e17}, []float64{1e18, 1e18}, chart.Options{}, "count 2"},
		"size nan":         {sized, []float64{1, 2}, []float64{nan, nan}, chart.Options{}, "sizes"},
		"no defect":        {all, []float64{0, 0}, []float64{9, 9}, chart.Options{}, "give a centre"},
		"all defective":    {binomial, []float64{9, 9}, []float64{9, 9}, chart.Options{}, "below 1"},
		"sigma":            {all, []float64{1, 2}, []float64{9, 9}, chart.Options{Sigma: &one}, "sigma"},
		"centre zero":      {all, []float64{1, 2}, []float64{9, 9}, chart.Options{Center: &zero}, "centre"},
		"share above one":  {[]call{chart.P}, []float64{1, 2}, []float64{9, 9}, chart.Options{Center: &two}, "below 1"},
		"baseline":         {all, []float64{1, 2}, []float64{9, 9}, chart.Options{Baseline: 3}, "first 3 of 2"},
		"unequal sizes np": {[]call{chart.NP}, []float64{1, 2}, []float64{9, 10}, chart.Options{}, "p chart"},
	} {
		for i, f := range tt.of {
			if c, err := f(tt.counts, tt.sizes, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%s (%d): error %v, want one that says %q; points %v", name, i, err, tt.says, c.Points)
			}
		}
	}
}
