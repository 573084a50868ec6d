package chart_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"alike/spc/chart"
	"alike/spc/dist"

	"pgregory.net/rapid"
)

// Scores against testdata/reference.py (scipy), with a jump that reaches far into
// the tail.
func TestScores(t *testing.T) {
	rows := table(t, "scores.csv")
	c, err := chart.SelfStarting(column(rows, 0), chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Points) != len(rows)-2 || c.Points[0].Index != 3 {
		t.Fatalf("%d points from %d, want %d from 3", len(c.Points), c.Points[0].Index, len(rows)-2)
	}
	for _, p := range c.Points {
		compare(t, []check{{"score", p.Value, rows[p.Index-1][1], 1e-9}})
	}
	if !slices.Equal(fired(c.Points), []int{20}) {
		t.Errorf("signals at %v, want [20]", fired(c.Points))
	}
}

// The scores are independent standard normal from the third value on, whatever
// mean and sigma are: moments, greatest distance to the normal law, and lag-1
// correlation, over many short streams (Quesenberry 1991).
func TestScoresAreStandardNormal(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 41))
	const runs, n = 4000, 12
	var all []float64
	lag := 0.0
	third := []float64{} // the very first scores, from a single degree of freedom
	for range runs {
		s := chart.SelfStart{}
		prev := math.NaN()
		for i := range n {
			x := -37 + 0.02*rng.NormFloat64()
			q, ok := s.Score(x)
			if ok != (i >= 2) {
				t.Fatalf("value %d: score %v", i+1, ok)
			}
			if ok {
				all = append(all, q)
				if i == 2 {
					third = append(third, q)
				} else {
					lag += prev * q
				}
				prev = q
			}
			s.Learn(x)
		}
	}
	for _, q := range [][]float64{all, third} {
		m := float64(len(q))
		var m1, m2, m4 float64
		for _, v := range q {
			m1, m2, m4 = m1+v/m, m2+v*v/m, m4+v*v*v*v/m
		}
		sort.Float64s(q)
		far := 0.0
		for i, v := range q {
			p := dist.NormCDF(v)
			far = math.Max(far, math.Max(p-float64(i)/m, float64(i+1)/m-p))
		}
		// Standard errors 1/√m, √2/√m, √96/√m; Kolmogorov 1 % point 1.63/√m.
		compare(t, []check{
			{"mean", m1, 0, 4 / math.Sqrt(m)}, {"variance", m2, 1, 4 * math.Sqrt(2/m)}, {"fourth moment", m4, 3, 4 * math.Sqrt(96/m)},
			{"distance", far, 0, 1.63 / math.Sqrt(m)},
		})
	}
	pairs := float64(runs * (n - 3))
	compare(t, []check{{"lag-1", lag / pairs, 0, 4 / math.Sqrt(pairs)}})
}

// Handing over to a frozen estimate makes no jump: the next value's score is the
// same, at every size, and tends to (x-mean)/sigma.
func TestHandoverWithoutJump(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-5, 5), 2, 60).Draw(t, "values")
		next := rapid.Float64Range(-9, 9).Draw(t, "next")
		s := chart.SelfStart{}
		for _, x := range xs {
			s.Learn(x)
		}
		e, ok := s.Freeze()
		q, scored := s.Score(next)
		if ok != scored {
			t.Fatalf("frozen %v, scored %v", ok, scored)
		}
		if ok && e.Score(next) != q {
			t.Fatalf("score %v, after the handover %v", q, e.Score(next))
		}
	})
	// Continuous in the baseline's size: each unit more moves the score less.
	last := math.Inf(1)
	for n := 2; n < 2000; n++ {
		e := chart.Estimate{N: n, Center: 10, Sigma: 2, Freedom: float64(n - 1)}
		far := math.Abs(e.Score(15) - 2.5)
		if far >= last {
			t.Fatalf("n=%d: %v from (x-mean)/sigma, was %v", n, far, last)
		}
		last = far
	}
	if last > 0.01 {
		t.Errorf("2000 units: still %v from (x-mean)/sigma", last)
	}
}

// Frozen scores have the stated law for new units, over many baselines: exactly
// with the standard deviation, closely with moving ranges.
func TestFrozenScoresKeepTheirLaw(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 18))
	const runs, n = 20000, 8
	var bySD, byRange float64
	xs := make([]float64, n)
	for range runs {
		s := chart.SelfStart{}
		for i := range xs {
			xs[i] = rng.NormFloat64()
			s.Learn(xs[i])
		}
		e, _ := s.Freeze()
		r, err := chart.EstimateFrom(xs)
		if err != nil {
			t.Fatal(err)
		}
		x := rng.NormFloat64()
		if math.Abs(e.Score(x)) > 2 {
			bySD++
		}
		if math.Abs(r.Score(x)) > 2 {
			byRange++
		}
	}
	want := 2 * dist.NormSurvival(2)
	se := math.Sqrt(want * (1 - want) / runs)
	compare(t, []check{
		{"beyond 2 by standard deviation", bySD / runs, want, 4 * se},
		{"beyond 2 by moving range", byRange / runs, want, 4*se + 0.1*want},
	})
}

// The CUSUM of scores is the CUSUM of any standard normal stream.
func TestSelfStartingCUSUM(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 61))
	xs := make([]float64, 60)
	for i := range xs {
		xs[i] = 5 + 0.1*rng.NormFloat64()
		if i >= 40 {
			xs[i] += 0.2
		}
	}
	o := chart.CUSUMOptions{K: 0.5, H: 5, FIR: 1}
	c, err := chart.SelfStartingCUSUM(xs, o)
	if err != nil {
		t.Fatal(err)
	}
	s, err := chart.SelfStarting(xs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	up, down := 1.0, 1.0
	for i, p := range c.Points {
		q := s.Points[i].Value
		up, down = math.Max(0, up+q-0.5), math.Max(0, down-q-0.5)
		compare(t, []check{{"upper", p.UpperSum, up, 1e-9}, {"lower", p.LowerSum, down, 1e-9}, {"index", float64(p.Index), float64(i + 3), 0}})
	}
	if at := fired(c.Points); len(at) == 0 || at[0] < 41 || at[0] > 50 {
		t.Errorf("a shift of two sigmas after 40 units is seen at %v", at)
	}
}

func TestSelfStartingRefuses(t *testing.T) {
	one := 1.0
	for name, tt := range map[string]struct {
		xs []float64
		o  chart.Options
	}{
		"none": {nil, chart.Options{}}, "two": {[]float64{1, 2}, chart.Options{}}, "nan": {[]float64{1, 2, math.NaN()}, chart.Options{}},
		"huge": {[]float64{1, 2, 1e300}, chart.Options{}}, "centre": {[]float64{1, 2, 3}, chart.Options{Center: &one}},
		"sigma": {[]float64{1, 2, 3}, chart.Options{Sigma: &one}}, "baseline": {[]float64{1, 2, 3}, chart.Options{Baseline: 2}},
	} {
		if _, err := chart.SelfStarting(tt.xs, tt.o); err == nil {
			t.Errorf("%s accepted", name)
		}
		o := chart.CUSUMOptions{K: 0.5, H: 5, Center: tt.o.Center, Sigma: tt.o.Sigma, Baseline: tt.o.Baseline}
		if _, err := chart.SelfStartingCUSUM(tt.xs, o); err == nil {
			t.Errorf("CUSUM: %s accepted", name)
		}
	}
	if _, err := chart.SelfStartingCUSUM([]float64{1, 2, 3}, chart.CUSUMOptions{K: -1, H: 5}); err == nil {
		t.Error("negative k accepted")
	}
	if _, err := chart.SelfStarting([]float64{7, 7, 7, 7}, chart.Options{}); !errors.Is(err, chart.ErrNoSpread) {
		t.Errorf("got %v, want ErrNoSpread", err)
	}
	c, err := chart.SelfStarting([]float64{7, 7, 7, 8, 7, 1e140}, chart.Options{})
	if err != nil || c.Warnings == nil || c.Points[0].Index != 5 {
		t.Fatalf("got %+v, %v; want scores from the fifth value and a warning", c, err)
	}
	for _, p := range c.Points {
		if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) {
			t.Errorf("point %+v", p)
		}
	}
}
