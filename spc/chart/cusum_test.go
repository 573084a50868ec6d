package chart_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// Montgomery's tabular CUSUM example (from memory): target 10, sigma 1, k 0.5, h 5;
// all 60 printed two-decimal sums agree with the file. First signal at 29 (upper
// 5.28), again at 30 (5.30); the upper sum is last zero at 22.
func TestTabularCUSUM(t *testing.T) {
	rows := table(t, "cusum-2.csv")
	center, sigma := 10.0, 1.0
	c, err := chart.CUSUM(column(rows, 0), chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.5, H: 5})
	if err != nil {
		t.Fatal(err)
	}
	last := 0
	for i, p := range c.Points {
		compare(t, []check{
			{"upper sum", p.UpperSum, rows[i][1], 1e-4}, {"lower sum", p.LowerSum, rows[i][2], 1e-4},
			{"value", p.Value, rows[i][0], 0}, {"line", p.Upper, 5, 1e-12}, {"lower line", p.Lower, -5, 1e-12},
		})
		if p.UpperSum == 0 {
			last = p.Index
		}
	}
	if len(c.Points) != 30 || !slices.Equal(fired(c.Points), []int{29, 30}) || last != 22 {
		t.Errorf("%d points, signals at %v, last zero %d; want 30, [29 30], 22", len(c.Points), fired(c.Points), last)
	}
}

// The same with head start 2.5 on both sides, computed with numpy.
func TestCUSUMHeadStart(t *testing.T) {
	xs := column(table(t, "cusum-2.csv"), 0)
	center, sigma := 10.0, 1.0
	c, err := chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.5, H: 5, FIR: 2.5})
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range [][2]float64{{1.45, 2.55}, {0, 4.06}, {0, 4.27}, {1.16, 2.11}, {2.82, 0}, {2.50, 0}} {
		compare(t, []check{{"upper sum", c.Points[i].UpperSum, w[0], 1e-9}, {"lower sum", c.Points[i].LowerSum, w[1], 1e-9}})
	}
	if !slices.Equal(fired(c.Points), []int{29, 30}) {
		t.Errorf("signals at %v", fired(c.Points))
	}
}

// Both sides of the decision line: a sum equal to h is not beyond it, one float64
// further is.
func TestCUSUMAtTheLine(t *testing.T) {
	center, sigma := 0.0, 1.0
	for _, tt := range []struct {
		last float64
		want bool
	}{{2.5, false}, {2.5 + 1e-12, true}, {2.5 - 1e-12, false}} {
		for _, side := range []float64{1, -1} {
			xs := []float64{side * 2, side * 2, side * tt.last} // 1.5 + 1.5 + 2
			c, err := chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.5, H: 5})
			if err != nil {
				t.Fatal(err)
			}
			if got := c.Points[2].Signals != nil; got != tt.want {
				t.Errorf("last value %v: signal %v, sums %v %v", side*tt.last, got, c.Points[2].UpperSum, c.Points[2].LowerSum)
			}
		}
	}
}

// Mirroring exchanges the sums; shift and scale move no signal and scale the sums.
func TestCUSUMLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-4, 4), 3, 60).Draw(t, "values")
		o := chart.CUSUMOptions{
			K: rapid.Float64Range(0, 1.5).Draw(t, "k"), H: rapid.Float64Range(1, 6).Draw(t, "h"),
			Baseline: rapid.SampledFrom([]int{0, 3}).Draw(t, "baseline"),
		}
		o.FIR = o.H * rapid.Float64Range(0, 1).Draw(t, "head start")
		shift := rapid.Float64Range(-1e3, 1e3).Draw(t, "shift")
		scale := rapid.SampledFrom([]float64{-2, 0.25, 6}).Draw(t, "scale")
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = scale*x + shift
		}
		a, errA := chart.CUSUM(xs, o)
		b, errB := chart.CUSUM(ys, o)
		if errA != nil || errB != nil || a.Sigma < 1e-6 {
			return
		}
		for i, p := range a.Points {
			q := b.Points[i]
			if scale < 0 {
				q.UpperSum, q.LowerSum = q.LowerSum, q.UpperSum
			}
			s := math.Abs(scale)
			tol := 1e-8 * (1 + s + math.Abs(shift))
			if math.Abs(q.UpperSum-s*p.UpperSum) > tol || math.Abs(q.LowerSum-s*p.LowerSum) > tol {
				t.Fatalf("point %+v, moved %+v", p, q)
			}
			near := math.Abs(math.Max(p.UpperSum, p.LowerSum)-p.Upper) < 1e-6
			if !near && !slices.Equal(p.Signals, q.Signals) {
				t.Fatalf("point %+v, moved %+v", p, q)
			}
		}
	})
}

func TestCUSUMRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := []float64{1, 2, 3}
	for name, tt := range map[string]struct {
		xs   []float64
		o    chart.CUSUMOptions
		says string
	}{
		"k negative":   {good, chart.CUSUMOptions{K: -0.5, H: 5}, "k -0.5"},
		"k nan":        {good, chart.CUSUMOptions{K: nan, H: 5}, "k NaN"},
		"h zero":       {good, chart.CUSUMOptions{K: 0.5}, "h 0"},
		"h negative":   {good, chart.CUSUMOptions{K: 0.5, H: -1}, "h -1"},
		"h infinite":   {good, chart.CUSUMOptions{K: 0.5, H: inf}, "h +Inf"},
		"fir negative": {good, chart.CUSUMOptions{K: 0.5, H: 5, FIR: -1}, "head start"},
		"fir large":    {good, chart.CUSUMOptions{K: 0.5, H: 5, FIR: 5.1}, "head start"},
		"none":         {nil, chart.CUSUMOptions{K: 0.5, H: 5}, "at least"},
		"one":          {good[:1], chart.CUSUMOptions{K: 0.5, H: 5}, "at least 2"},
		"constant":     {[]float64{4, 4, 4}, chart.CUSUMOptions{K: 0.5, H: 5}, "do not vary"},
		"nan":          {[]float64{1, nan}, chart.CUSUMOptions{K: 0.5, H: 5}, "value 2"},
		"huge":         {[]float64{1, 1e300}, chart.CUSUMOptions{K: 0.5, H: 5}, "value 2"},
		"sigma":        {good, chart.CUSUMOptions{K: 0.5, H: 5, Sigma: new(float64)}, "sigma"},
	} {
		if _, err := chart.CUSUM(tt.xs, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: error %v, want one that says %q", name, err, tt.says)
		}
	}
}
