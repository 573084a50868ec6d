package runlength_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/spc/chart"
	"alike/spc/runlength"

	"pgregory.net/rapid"
)

const shiftsOfTables = "0 .25 .5 .75 1 1.5 2 2.5 3 4"

// Lucas and Saccucci, Technometrics 32 (1990), also in Montgomery (from memory);
// recomputed with numpy on 200 nodes.
func TestLucasSaccucci(t *testing.T) {
	shifts := numbers(t, shiftsOfTables)
	for _, w := range []struct {
		lambda, width        float64
		printed, computedArl string
	}{
		{0.25, 2.998, "500 170 48.2 20.1 11.1 5.5 3.6 2.7 2.3 1.7", "499.836 170.296 48.294 20.115 11.136 5.464 3.614 2.745 2.258 1.727"},
		{0.20, 2.962, "500 150 41.8 18.2 10.5 5.5 3.7 2.9 2.4 1.9", "499.735 150.216 41.764 18.150 10.542 5.501 3.743 2.880 2.381 1.864"},
	} {
		printed := numbers(t, w.printed)
		for i, want := range numbers(t, w.computedArl) {
			r, err := runlength.EWMA(shifts[i], w.lambda, w.width, true, none)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(r.ARL-want) > 0.000501 || r.Method != runlength.Integral || r.SE != 0 {
				t.Errorf("lambda %v shift %v: %+v, want %v", w.lambda, shifts[i], r, want)
			}
			if math.Abs(r.ARL-printed[i]) > math.Max(0.003*printed[i], 0.0501) {
				t.Errorf("lambda %v shift %v: %v, printed %v", w.lambda, shifts[i], r.ARL, printed[i])
			}
		}
	}
}

// Steady and widening limits against a chain of 2001 cells (testdata/reference.py).
func TestEWMAAgainstCells(t *testing.T) {
	for _, w := range table(t, "ewma.csv") {
		r, err := runlength.EWMA(w[0], w[1], w[2], w[3] == 1, none)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ARL/w[4]-1) > 2e-5 { // the cells' own error
			t.Errorf("%v: %.7g, want %.7g", w[:4], r.ARL, w[4])
		}
	}
}

// Montgomery's table after Siegmund and Lucas, and the one-sided values of the
// e-Handbook 6.3.2.3 (from memory; recomputed with numpy).
func TestCUSUMTable(t *testing.T) {
	shifts := numbers(t, shiftsOfTables)
	printed := numbers(t, "465 139 38.0 17.0 10.4 5.75 4.01 3.11 2.57 2.01")
	for i, want := range numbers(t, "465.444 139.494 37.996 17.048 10.376 5.747 4.009 3.114 2.573 2.013") {
		r, err := runlength.CUSUM(shifts[i], 0.5, 5, 0, none)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ARL-want) > 0.000501 || math.Abs(r.ARL/printed[i]-1) > 0.004 || r.Method != runlength.Integral {
			t.Errorf("shift %v: %+v, want %v, printed %v", shifts[i], r, want, printed[i])
		}
	}
	for _, w := range []struct{ shift, arl, tol float64 }{{0, 930.89, 5e-3}, {1, 10.376, 5e-4}} {
		r, err := runlength.CUSUMOneSided(w.shift, 0.5, 5, 0)
		if err != nil || math.Abs(r.ARL-w.arl) > w.tol {
			t.Errorf("one-sided, shift %v: %+v %v, want %v", w.shift, r, err, w.arl)
		}
	}
}

// Lucas and Crosier, Technometrics 24 (1982): k 0.5, h 4, head start 2 (printed 149
// and 5.29, from memory; recomputed with numpy).
func TestCUSUMHeadStart(t *testing.T) {
	for _, w := range [][2]float64{{0, 148.696}, {1, 5.287}, {2, 2.014}} {
		r, err := runlength.CUSUM(w[0], 0.5, 4, 2, none)
		if err != nil || math.Abs(r.ARL-w[1]) > 0.0005 {
			t.Errorf("shift %v: %+v %v, want %v", w[0], r, err, w[1])
		}
	}
}

// lengths reads simulated streams with a chart of the package chart, many at a
// time, and returns the mean of the first signals with its standard error.
func lengths(t *testing.T, seed uint64, runs, longest int, draw func(*rand.Rand) float64, read func([]float64) (chart.Chart, error)) (mean, se float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 1))
	var sum, sq float64
	xs := make([]float64, longest)
	for range runs {
		for i := range xs {
			xs[i] = draw(rng)
		}
		c, err := read(xs)
		if err != nil {
			t.Fatal(err)
		}
		n := 0.0
		for _, p := range c.Points {
			if p.Signals != nil {
				n = float64(p.Index)
				break
			}
		}
		if n == 0 {
			t.Fatalf("no signal within %d points: make the stream longer", longest)
		}
		sum, sq = sum+n, sq+n*n
	}
	m := float64(runs)
	return sum / m, math.Sqrt((sq/m - sum/m*sum/m) / m)
}

// Computed averages against the charts themselves.
func TestAgainstCharts(t *testing.T) {
	center, sigma := 80.0, 0.5
	for i, tt := range []struct {
		name         string
		shift        float64
		want         func(shift float64) (runlength.Result, error)
		read         func([]float64) (chart.Chart, error)
		runs, length int
	}{
		{"ewma, widening", 1, func(s float64) (runlength.Result, error) { return runlength.EWMA(s, 0.1, 2.7, false, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.EWMA(xs, chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.1, Width: 2.7})
			}, 6000, 120},
		{"ewma, steady", -0.7, func(s float64) (runlength.Result, error) { return runlength.EWMA(s, 0.3, 2.5, true, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.EWMA(xs, chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.3, Width: 2.5, Steady: true})
			}, 4000, 400},
		{"cusum", 0.8, func(s float64) (runlength.Result, error) { return runlength.CUSUM(s, 0.4, 4, 0, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.4, H: 4})
			}, 6000, 200},
		{"cusum, head start", -0.5, func(s float64) (runlength.Result, error) { return runlength.CUSUM(s, 0.5, 3, 1.5, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.5, H: 3, FIR: 1.5})
			}, 6000, 400},
		// As high as the formula goes: h/2 + k.
		{"cusum, highest head start", 0.2, func(s float64) (runlength.Result, error) { return runlength.CUSUM(s, 0.5, 2, 1.5, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.5, H: 2, FIR: 1.5})
			}, 8000, 700},
		{"individuals", 1.5, func(s float64) (runlength.Result, error) { return runlength.Individuals(s, nil, none) },
			func(xs []float64) (chart.Chart, error) {
				return chart.Individuals(xs, chart.Options{Center: &center, Sigma: &sigma})
			}, 4000, 400},
	} {
		want, err := tt.want(tt.shift)
		if err != nil {
			t.Fatal(err)
		}
		if want.SE != 0 {
			t.Errorf("%s: not computed: %+v", tt.name, want)
		}
		draw := func(rng *rand.Rand) float64 { return center + sigma*(rng.NormFloat64()+tt.shift) }
		mean, se := lengths(t, uint64(i), tt.runs, tt.length, draw, tt.read)
		if math.Abs(mean-want.ARL) > 4*se || se > 0.03*mean {
			t.Errorf("%s: simulated %.4f (se %.4f), computed %.4f", tt.name, mean, se, want.ARL)
		}
	}
}

// The run length in control of a self-starting CUSUM is that of the known process
// from its third value on; the formula knows nothing of the baseline's size.
func TestSelfStartingCUSUMInControl(t *testing.T) {
	want, err := runlength.CUSUM(0, 0.5, 2, 0, none)
	if err != nil {
		t.Fatal(err)
	}
	mean, se := lengths(t, 77, 3000, 500, func(rng *rand.Rand) float64 { return 3 + 7*rng.NormFloat64() },
		func(xs []float64) (chart.Chart, error) {
			return chart.SelfStartingCUSUM(xs, chart.CUSUMOptions{K: 0.5, H: 2})
		})
	if math.Abs(mean-2-want.ARL) > 4*se {
		t.Errorf("simulated %.4f (se %.4f), computed %.4f", mean-2, se, want.ARL)
	}
}

// Above h/2 + k both sums can be high at once: the formula would be wrong, so the
// chart is simulated.
func TestHighHeadStartIsSimulated(t *testing.T) {
	r, err := runlength.CUSUM(0, 0.25, 3, 3, runlength.Simulation{Seed: 3})
	if err != nil || r.Method != runlength.Simulated || !(r.SE > 0) {
		t.Fatalf("%+v, %v", r, err)
	}
	center, sigma := 0.0, 1.0
	mean, se := lengths(t, 4, 3000, 500, func(rng *rand.Rand) float64 { return rng.NormFloat64() },
		func(xs []float64) (chart.Chart, error) {
			return chart.CUSUM(xs, chart.CUSUMOptions{Center: &center, Sigma: &sigma, K: 0.25, H: 3, FIR: 3})
		})
	if math.Abs(r.ARL-mean) > 4*math.Hypot(se, r.SE) {
		t.Errorf("simulated %.4f (se %.4f), the chart %.4f (se %.4f)", r.ARL, r.SE, mean, se)
	}
}

// Laws: mirrored shifts; lambda 1 is the individuals chart; wider lines never
// shorten a run, head starts never lengthen it.
func TestAverageLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shift := rapid.Float64Range(-3, 3).Draw(t, "shift")
		lambda := rapid.Float64Range(0.1, 0.99).Draw(t, "lambda")
		width := rapid.Float64Range(1, 4).Draw(t, "width")
		k, h := rapid.Float64Range(0, 1.5).Draw(t, "k"), rapid.Float64Range(0.5, 7).Draw(t, "h")
		start := rapid.Float64Range(0, h/2).Draw(t, "head start")
		arl := func(r runlength.Result, err error) float64 {
			if err != nil || !(r.ARL >= 1) || r.SE != 0 {
				t.Fatal(r, err)
			}
			return r.ARL
		}
		e := arl(runlength.EWMA(shift, lambda, width, true, none))
		c := arl(runlength.CUSUM(shift, k, h, start, none))
		for _, v := range [][2]float64{
			{e, arl(runlength.EWMA(-shift, lambda, width, true, none))},
			{c, arl(runlength.CUSUM(-shift, k, h, start, none))},
		} {
			if math.Abs(v[0]/v[1]-1) > 1e-8 {
				t.Fatalf("mirrored: %v", v)
			}
		}
		for _, v := range [][2]float64{
			{arl(runlength.EWMA(shift, lambda, width, false, none)), e},
			{e, arl(runlength.EWMA(shift, lambda, width*1.05, true, none))},
			{c, arl(runlength.CUSUM(shift, k, h, 0, none))},
			{c, arl(runlength.CUSUM(shift, k, h*1.05, start, none))},
			{arl(runlength.CUSUM(shift, k, h, 0, none)), arl(runlength.CUSUMOneSided(shift, k, h, 0))},
		} {
			if v[0] > v[1]*(1+1e-9) {
				t.Fatalf("%v is longer than %v", v[0], v[1])
			}
		}
		one, err := runlength.Individuals(shift, []chart.Rule{{Key: chart.Beyond, Count: 1, Of: 1, Width: width}}, none)
		if err != nil || math.Abs(arl(runlength.EWMA(shift, 1, width, true, none))/one.ARL-1) > 1e-12 {
			t.Fatal("lambda 1 is not an individuals chart")
		}
		near := arl(runlength.EWMA(shift, 0.99999, width, true, none))
		if math.Abs(near/one.ARL-1) > 1e-3 {
			t.Fatalf("lambda near 1: %v, individuals %v", near, one.ARL)
		}
	})
}

func TestAveragesRefuse(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	ewma := func(shift, lambda, width float64) error {
		_, err := runlength.EWMA(shift, lambda, width, true, none)
		return err
	}
	cusum := func(shift, k, h, start float64) error {
		_, err := runlength.CUSUM(shift, k, h, start, none)
		_, one := runlength.CUSUMOneSided(shift, k, h, start)
		if (err == nil) != (one == nil) {
			t.Errorf("two-sided says %v, one-sided %v", err, one)
		}
		return err
	}
	for says, errs := range map[string][]error{
		"lambda":     {ewma(0, 0, 3), ewma(0, -1, 3), ewma(0, 1.01, 3), ewma(0, nan, 3)},
		"width":      {ewma(0, 0.2, 0), ewma(0, 0.2, nan), ewma(0, 0.2, inf), ewma(0, 0.2, 21)},
		"shift":      {ewma(nan, 0.2, 3), ewma(inf, 0.2, 3), cusum(nan, 0.5, 5, 0), cusum(1e300, 0.5, 5, 0)},
		"k ":         {cusum(0, -0.1, 5, 0), cusum(0, nan, 5, 0), cusum(0, 101, 5, 0)},
		"h ":         {cusum(0, 0.5, 0, 0), cusum(0, 0.5, -1, 0), cusum(0, 0.5, nan, 0), cusum(0, 0.5, inf, 0)},
		"head start": {cusum(0, 0.5, 5, -1), cusum(0, 0.5, 5, 5.1), cusum(0, 0.5, 5, nan)},
	} {
		for i, err := range errs {
			if err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("%s %d: %v", says, i, err)
			}
		}
	}
	// The far ends give the obvious.
	inf = math.Inf(1)
	for i, tt := range []struct {
		of   func() (runlength.Result, error)
		want float64
	}{
		{func() (runlength.Result, error) { return runlength.EWMA(1000, 0.2, 3, false, none) }, 1},
		{func() (runlength.Result, error) { return runlength.EWMA(1000, 0.2, 3, true, none) }, 1},
		{func() (runlength.Result, error) { return runlength.CUSUM(-1000, 0.5, 5, 2, none) }, 1},
		{func() (runlength.Result, error) { return runlength.CUSUM(1000, 0.5, 5, 0, none) }, 1},
		{func() (runlength.Result, error) { return runlength.CUSUM(1000, 999.5-900, 5, 0, none) }, 1},
		{func() (runlength.Result, error) { return runlength.CUSUM(0, 100, 5, 2, none) }, inf},
		{func() (runlength.Result, error) { return runlength.CUSUMOneSided(-1000, 0.5, 5, 2) }, inf},
		// A random walk of steps far wider than its stretch leaves at once.
		{func() (runlength.Result, error) { return runlength.CUSUM(0, 0, 1e-9, 0, none) }, 1},
		{func() (runlength.Result, error) { return runlength.CUSUMOneSided(0, 0, 1e-9, 0) }, 2},
	} {
		got, err := tt.of()
		if err != nil || !(got.ARL == tt.want || math.Abs(got.ARL-tt.want) < 1e-6) || math.IsInf(tt.want, 1) != (got.Warnings != nil) {
			t.Errorf("far end %d: %+v, %v, want %v", i, got, err, tt.want)
		}
	}
	// Two far lines: 1/P where no average lasts, 1/(2·Φ(-20/c)) for c the spread of
	// averages; lambda 0.9 has neighbours nearly independent.
	if r, err := runlength.EWMA(0, 0.9, 12, true, none); err != nil || !(r.ARL > 1e31 && r.ARL < 1e34) {
		t.Errorf("twelve sigmas: %+v, %v", r, err) // 1/(2·Φ(-12)) = 2.8e32
	}
	// Too slow to compute: simulated.
	if r, err := runlength.EWMA(3, 0.0002, 3, true, runlength.Simulation{Runs: 200}); err != nil || r.Method != runlength.Simulated || !(r.SE > 0) {
		t.Errorf("%+v, %v", r, err)
	}
}

func BenchmarkEWMASteady(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.EWMA(0.5, 0.1, 2.7, true, none); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEWMAWidening(b *testing.B) {
	for b.Loop() {
		if _, err := runlength.EWMA(0.5, 0.1, 2.7, false, none); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCUSUM(b *testing.B) {
	for b.Loop() {
		if _, err := runlength.CUSUM(0.5, 0.5, 5, 2.5, none); err != nil {
			b.Fatal(err)
		}
	}
}

// Averages far beyond 1e16 against 60 digits (testdata/reference.py, mpmath).
func TestFarCUSUM(t *testing.T) {
	for _, w := range table(t, "cusum-far.csv") {
		r, err := runlength.CUSUMOneSided(w[0], w[1], w[2], 0)
		if err != nil || math.Abs(r.ARL/w[3]-1) > 1e-9 {
			t.Errorf("%v: %.12g %v, want %.12g", w[:3], r.ARL, err, w[3])
		}
	}
}
