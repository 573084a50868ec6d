package chart_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// NIST/SEMATECH e-Handbook 6.3.2.2 (from memory): mean 50.81, mean moving range
// 1.8778. The printed limits 55.8041 and 45.8159 use d2 rounded to 1.128; with the
// exact 2/√π they are 55.80241 and 45.81759, the range's upper limit 6.13382
// (computed with numpy).
func TestHandbookIndividuals(t *testing.T) {
	xs := column(table(t, "individuals-1.csv"), 0)
	c, err := chart.Individuals(xs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := c.Points[0]
	for _, v := range []struct {
		what           string
		got, want, tol float64
	}{
		{"centre", c.Center, 50.81, 1e-9},
		{"mean moving range", c.Companion.Center, 1.8778, 5e-5},
		{"upper", p.Upper, 55.80241, 5e-6},
		{"lower", p.Lower, 45.81759, 5e-6},
		{"upper as printed", p.Upper, 55.8041, 0.0018},
		{"range upper", c.Companion.Points[0].Upper, 6.13382, 5e-6},
	} {
		if math.Abs(v.got-v.want) > v.tol {
			t.Errorf("%s = %.6f, want %v", v.what, v.got, v.want)
		}
	}
	for _, p := range append(c.Points, c.Companion.Points...) {
		if p.Signals != nil {
			t.Errorf("point %d: signals %v, want none", p.Index, p.Signals)
		}
	}
	if len(c.Companion.Points) != 9 || c.Companion.Points[0].Index != 2 {
		t.Errorf("companion has %d points from %d, want 9 from 2", len(c.Companion.Points), c.Companion.Points[0].Index)
	}
	if len(c.Warnings) != 1 {
		t.Errorf("warnings %q, want one about ten values", c.Warnings)
	}
}

// Frozen limits from the first points are not moved by what follows.
func TestBaselineIsNotMovedByLaterPoints(t *testing.T) {
	base := []float64{1, 2, 1.5, 1.2, 1.9, 1.4}
	a, err := chart.Individuals(base, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := chart.Individuals(append(base, 100, -50), chart.Options{Baseline: 6})
	if err != nil {
		t.Fatal(err)
	}
	if a.Center != b.Center || a.Sigma != b.Sigma {
		t.Errorf("limits moved from %v±%v to %v±%v", a.Center, a.Sigma, b.Center, b.Sigma)
	}
	if got := b.Points[6].Signals; len(got) != 1 || got[0] != chart.Beyond {
		t.Errorf("point 7: %v, want beyond", got)
	}
	if got := b.Companion.Points[5].Signals; len(got) != 1 {
		t.Errorf("jump to point 7 is not marked on the moving range")
	}
}

func TestGivenCenterAndSigma(t *testing.T) {
	center, sigma := 10.0, 2.0
	c, err := chart.Individuals([]float64{10, 16, 16 + 1e-12, 4, 4 - 1e-12}, chart.Options{Center: &center, Sigma: &sigma})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []int{0, 0, 1, 0, 1} { // a point on the limit is not beyond it
		if got := len(c.Points[i].Signals); got != want {
			t.Errorf("point %d: %d signals, want %d", i+1, got, want)
		}
	}
	if one, err := chart.Individuals([]float64{5, 5}, chart.Options{Center: &center, Sigma: &sigma}); err != nil {
		t.Errorf("equal values with given limits: %v", err)
	} else if one.Sigma != 2 {
		t.Errorf("sigma %v, want 2", one.Sigma)
	}
}

// A reading with two decimals on a limit with two decimals is on it, though the
// quotient in float64 is not: (74.03-74)/0.01 = 3.0000000000001137.
func TestDecimalsOnTheLimit(t *testing.T) {
	center, sigma := 74.0, 0.01
	c, err := chart.Individuals([]float64{74.03, 73.97, 74.0300001, 74}, chart.Options{Center: &center, Sigma: &sigma})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []bool{false, false, true, false} {
		if got := c.Points[i].Signals != nil; got != want {
			t.Errorf("%v: signal %v, want %v", c.Points[i].Value, got, want)
		}
	}
}

func TestIndividualsRefuses(t *testing.T) {
	neg, nan := -1.0, math.NaN()
	for name, tt := range map[string]struct {
		xs []float64
		o  chart.Options
	}{
		"none":            {nil, chart.Options{}},
		"one":             {[]float64{1}, chart.Options{}},
		"constant":        {[]float64{7, 7, 7, 7}, chart.Options{}},
		"constant, large": {[]float64{1e9, 1e9, 1e9}, chart.Options{}},
		"nan":             {[]float64{1, 2, math.NaN()}, chart.Options{}},
		"huge":            {[]float64{1, 1e300}, chart.Options{}},
		"sigma negative":  {[]float64{1, 2}, chart.Options{Sigma: &neg}},
		"sigma nan":       {[]float64{1, 2}, chart.Options{Sigma: &nan}},
		"centre nan":      {[]float64{1, 2}, chart.Options{Center: &nan}},
		"baseline long":   {[]float64{1, 2}, chart.Options{Baseline: 3}},
		"baseline short":  {[]float64{1, 2, 3}, chart.Options{Baseline: 1}},
		"width":           {[]float64{1, 2}, chart.Options{Width: -1}},
		"rule":            {[]float64{1, 2}, chart.Options{Rules: []chart.Rule{{Key: "else", Count: 1, Of: 1}}}},
	} {
		if c, err := chart.Individuals(tt.xs, tt.o); err == nil {
			t.Errorf("%s: accepted, centre %v", name, c.Center)
		}
	}
	if _, err := chart.Individuals([]float64{3, 3, 3}, chart.Options{}); !errors.Is(err, chart.ErrNoSpread) {
		t.Errorf("got %v, want ErrNoSpread", err)
	}
}

// Shifting and scaling the data shifts and scales the limits and moves no signal;
// a negative scale mirrors the limits.
func TestIndividualsShiftAndScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-50, 50), 3, 60).Draw(t, "values")
		shift := rapid.Float64Range(-1e3, 1e3).Draw(t, "shift")
		scale := rapid.SampledFrom([]float64{-4, -0.5, 0.25, 8}).Draw(t, "scale") // powers of two keep ties
		o := chart.Options{Rules: []chart.Rule{{Key: chart.Beyond, Count: 1, Of: 1, Width: 3}}}
		a, errA := chart.Individuals(xs, o)
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = scale*x + shift
		}
		b, errB := chart.Individuals(ys, o)
		if errA != nil || errB != nil {
			return // values without spread, or whose spread the shift swallows: other tests
		}
		near := func(got, want float64) bool { return math.Abs(got-want) < 1e-7*(1+math.Abs(want)) }
		lower, upper := a.Points[0].Lower, a.Points[0].Upper
		if scale < 0 {
			lower, upper = upper, lower
		}
		if !near(b.Center, scale*a.Center+shift) || !near(b.Sigma, math.Abs(scale)*a.Sigma) ||
			!near(b.Points[0].Lower, scale*lower+shift) || !near(b.Points[0].Upper, scale*upper+shift) {
			t.Fatalf("limits %v %v, of scaled data %v %v", a.Points[0], a.Sigma, b.Points[0], b.Sigma)
		}
	})
}

// The effective degrees of freedom of the moving-range sigma: its coefficient of
// variation by simulation against 1/√(2ν).
func TestFreedomOfTheMovingRange(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 7))
	for _, n := range []int{5, 20, 60} {
		const runs = 40000
		xs := make([]float64, n)
		var sum, sq, freedom float64
		for range runs {
			for i := range xs {
				xs[i] = rng.NormFloat64()
			}
			e, err := chart.EstimateFrom(xs)
			if err != nil {
				t.Fatal(err)
			}
			sum += e.Sigma
			sq += e.Sigma * e.Sigma
			freedom = e.Freedom
		}
		mean := sum / runs
		cv := math.Sqrt(sq/runs-mean*mean) / mean
		if math.Abs(mean-1) > 0.01 {
			t.Errorf("n=%d: mean sigma %v, want 1", n, mean)
		}
		if want := 1 / math.Sqrt(2*freedom); math.Abs(cv/want-1) > 0.02 {
			t.Errorf("n=%d: coefficient of variation %.4f, want %.4f", n, cv, want)
		}
	}
}
