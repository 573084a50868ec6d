package chart_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// NIST/SEMATECH e-Handbook 6.3.2.4 (from memory): the twenty printed averages and
// the steady limits 52.5884, 47.4115 (recomputed 52.58843, 47.41157).
func TestHandbookEWMA(t *testing.T) {
	rows := table(t, "ewma-1.csv")
	center, sigma := 50.0, 2.0539
	c, err := chart.EWMA(column(rows, 0), chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.3, Steady: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Points {
		compare(t, []check{{"average", p.Value, rows[i][1], 0.005001}, {"upper", p.Upper, 52.58843, 5e-6}, {"lower", p.Lower, 47.41157, 5e-6}})
	}
	if len(c.Points) != 20 || fired(c.Points) != nil || c.Warnings != nil {
		t.Errorf("%d points, signals at %v, warnings %q", len(c.Points), fired(c.Points), c.Warnings)
	}
}

// The same with limits that widen with the first points, computed with numpy.
func TestEWMALimitsInTime(t *testing.T) {
	rows := table(t, "ewma-1-limits.csv")
	center, sigma := 50.0, 2.0539
	c, err := chart.EWMA(column(rows, 0), chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Points {
		compare(t, []check{{"average", p.Value, rows[i][1], 5.1e-5}, {"upper", p.Upper, rows[i][2], 5.1e-5}, {"lower", p.Lower, rows[i][3], 5.1e-5}})
	}
	if fired(c.Points) != nil {
		t.Errorf("signals at %v", fired(c.Points))
	}
}

// With lambda 1 an EWMA is the individuals chart.
func TestEWMAOfLambdaOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-9, 9), 3, 40).Draw(t, "values")
		width := rapid.Float64Range(1, 3).Draw(t, "width")
		a, err := chart.Individuals(xs, chart.Options{Width: width})
		if err != nil {
			return
		}
		b, err := chart.EWMA(xs, chart.EWMAOptions{Lambda: 1, Width: width})
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range a.Points {
			q := b.Points[i]
			if math.Abs(p.Value-q.Value) > 1e-9 || math.Abs(p.Upper-q.Upper) > 1e-9 || !edge(p) && !slices.Equal(p.Signals, q.Signals) {
				t.Fatalf("point %+v, average %+v", p, q)
			}
		}
	})
}

// A step from the first unit on is seen earlier with limits that start narrow.
func TestEWMANarrowLimitsSeeEarlier(t *testing.T) {
	center, sigma := 0.0, 1.0
	xs := []float64{2, 2, 2, 2, 2, 2, 2, 2}
	first := func(steady bool) int {
		c, err := chart.EWMA(xs, chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.1, Steady: steady})
		if err != nil {
			t.Fatal(err)
		}
		return fired(c.Points)[0]
	}
	// z_i = 2(1-0.9^i) against 3·√(0.1/1.9) = 0.68825: 0.6878 at 4, 0.819 at 5. With
	// narrow limits 0.38 against 0.404 at 2, 0.542 against 0.473 at 3.
	if s, n := first(true), first(false); s != 5 || n != 3 {
		t.Errorf("steady fires at %d, narrow at %d, want 5 and 3", s, n)
	}
}

func TestEWMARefuses(t *testing.T) {
	nan := math.NaN()
	good := []float64{1, 2, 3}
	for name, tt := range map[string]struct {
		xs   []float64
		o    chart.EWMAOptions
		says string
	}{
		"lambda zero":     {good, chart.EWMAOptions{}, "lambda 0"},
		"lambda negative": {good, chart.EWMAOptions{Lambda: -0.1}, "lambda"},
		"lambda large":    {good, chart.EWMAOptions{Lambda: 1.0000001}, "lambda"},
		"lambda nan":      {good, chart.EWMAOptions{Lambda: nan}, "lambda"},
		"none":            {nil, chart.EWMAOptions{Lambda: 0.2}, "at least"},
		"one":             {good[:1], chart.EWMAOptions{Lambda: 0.2}, "at least 2"},
		"constant":        {[]float64{4, 4, 4}, chart.EWMAOptions{Lambda: 0.2}, "do not vary"},
		"nan":             {[]float64{1, nan}, chart.EWMAOptions{Lambda: 0.2}, "value 2"},
		"huge":            {[]float64{1, 1e300}, chart.EWMAOptions{Lambda: 0.2}, "value 2"},
		"width":           {good, chart.EWMAOptions{Lambda: 0.2, Width: -1}, "width"},
		"centre":          {good, chart.EWMAOptions{Lambda: 0.2, Center: &nan}, "centre"},
		"baseline":        {good, chart.EWMAOptions{Lambda: 0.2, Baseline: 4}, "baseline"},
	} {
		if _, err := chart.EWMA(tt.xs, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: error %v, want one that says %q", name, err, tt.says)
		}
	}
}

// Values near the largest allowed give finite points.
func TestLargestValuesStayFinite(t *testing.T) {
	xs := []float64{1e150, -1e150, 5e149, 1e150, 0}
	e, err := chart.EWMA(xs, chart.EWMAOptions{Lambda: 0.2})
	if err != nil {
		t.Fatal(err)
	}
	s, err := chart.CUSUM(xs, chart.CUSUMOptions{K: 0.5, H: 5})
	if err != nil {
		t.Fatal(err)
	}
	x, err := chart.XBarS([][]float64{xs, xs}, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range slices.Concat(e.Points, s.Points, x.Points, x.Companion.Points) {
		for _, v := range []float64{p.Value, p.Center, p.Lower, p.Upper, p.Sigma, p.UpperSum, p.LowerSum} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("point %+v", p)
			}
		}
	}
}

// Shift and scale move the averages and limits along and no signal.
func TestEWMALaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-9, 9), 3, 40).Draw(t, "values")
		o := chart.EWMAOptions{Lambda: rapid.Float64Range(0.05, 1).Draw(t, "lambda"), Width: rapid.Float64Range(0.5, 3).Draw(t, "width"), Steady: rapid.Bool().Draw(t, "steady")}
		shift := rapid.Float64Range(-1e3, 1e3).Draw(t, "shift")
		scale := rapid.SampledFrom([]float64{-3, 0.5, 8}).Draw(t, "scale")
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = scale*x + shift
		}
		a, errA := chart.EWMA(xs, o)
		b, errB := chart.EWMA(ys, o)
		if errA != nil || errB != nil || a.Sigma < 1e-6 {
			return
		}
		for i, p := range a.Points {
			q := b.Points[i]
			if math.Abs(q.Value-scale*p.Value-shift) > 1e-8*(1+math.Abs(shift)) || math.Abs(q.Sigma-math.Abs(scale)*p.Sigma) > 1e-8*(1+q.Sigma) {
				t.Fatalf("point %+v, moved %+v", p, q)
			}
			if !edge(p) && !slices.Equal(p.Signals, q.Signals) {
				t.Fatalf("signals of %+v, moved %+v", p, q)
			}
		}
	})
}
