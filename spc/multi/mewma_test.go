package multi_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/spc/chart"
	"alike/spc/multi"
	"alike/spc/runlength"

	"gonum.org/v1/gonum/mat"
)

// T² of the averages against numpy (testdata/reference.py).
func TestMEWMA(t *testing.T) {
	rows := table(t, "t2-individuals.csv")
	for col, steady := range []bool{false, true} {
		c, err := multi.MEWMA(rows, multi.MEWMAOptions{Lambda: 0.2, Limit: 9, Steady: steady})
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range table(t, "mewma.csv") {
			compare(t, []check{{"T²", c.Points[i].Value, w[col], 1e-9}, {"limit", c.Points[i].Upper, 9, 0}})
		}
	}
}

// With lambda 1 it is the T² chart; of one column the square of an EWMA chart.
func TestMEWMAIsT2AndEWMA(t *testing.T) {
	rows := table(t, "t2-individuals.csv")
	a, err1 := multi.MEWMA(rows, multi.MEWMAOptions{Lambda: 1, Limit: 9})
	b, err2 := multi.T2(rows, multi.Options{})
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	for i, v := range values(a) {
		compare(t, []check{{"T²", v, b.Points[i].Value, 1e-9}})
	}
	center, sigma := 10.0, 0.3
	m, err := multi.NewModel(multi.Frozen{Kind: multi.Known, Center: []float64{center}, Covariance: mat.NewSymDense(1, []float64{sigma * sigma})})
	if err != nil {
		t.Fatal(err)
	}
	one, xs := make([][]float64, len(rows)), make([]float64, len(rows))
	for i, r := range rows {
		one[i], xs[i] = r[:1], r[0]
	}
	c, err1 := multi.MEWMA(one, multi.MEWMAOptions{Lambda: 0.2, Model: m, Limit: 9})
	e, err2 := chart.EWMA(xs, chart.EWMAOptions{Center: &center, Sigma: &sigma, Lambda: 0.2})
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	for i, v := range values(c) {
		z := (e.Points[i].Value - center) / e.Points[i].Sigma
		compare(t, []check{{"square", v, z * z, 1e-9}})
	}
}

// The chart keeps the run length its limit was set for, with a known model, and
// runlength knows its delay after a shift.
func TestMEWMARunLength(t *testing.T) {
	const p, lambda = 3, 0.2
	cov := mat.NewSymDense(p, []float64{1, .5, .2, .5, 2, .3, .2, .3, 1})
	m, err := multi.NewModel(multi.Frozen{Kind: multi.Known, Center: make([]float64, p), Covariance: cov})
	if err != nil {
		t.Fatal(err)
	}
	var chol mat.Cholesky
	chol.Factorize(cov)
	var l mat.TriDense
	chol.LTo(&l)
	rng := rand.New(rand.NewPCG(9, 9))
	shift := []float64{0.8, 0, -0.5}
	for _, shifted := range []bool{false, true} {
		distance, runs, longest := 0.0, 1500, 700
		if shifted {
			distance, runs, longest = math.Sqrt(m.T2(shift)), 1500, 150
		}
		var sum, sq, limit float64
		for range runs {
			rows := make([][]float64, longest)
			for i, e := range normals(rng, longest, p) {
				var v mat.VecDense
				v.MulVec(&l, mat.NewVecDense(p, e))
				rows[i] = []float64{v.AtVec(0), v.AtVec(1), v.AtVec(2)}
				if shifted {
					for j := range shift {
						rows[i][j] += shift[j]
					}
				}
			}
			o := multi.MEWMAOptions{Lambda: lambda, ARL: 60, Model: m, Limit: limit}
			c, err := multi.MEWMA(rows, o)
			if err != nil {
				t.Fatal(err)
			}
			limit = c.Points[0].Upper // computed once
			n := float64(fired(c)[0])
			sum, sq = sum+n, sq+n*n
		}
		mean := sum / float64(runs)
		se := math.Sqrt((sq/float64(runs) - mean*mean) / float64(runs))
		want, err := runlength.MEWMA(p, lambda, limit, distance, false, runlength.Simulation{})
		if err != nil {
			t.Fatal(err)
		}
		if !shifted && math.Abs(want.ARL-60) > 1e-3 {
			t.Errorf("limit %v has an average of %v, want 60", limit, want.ARL)
		}
		if math.Abs(mean-want.ARL) > 4*math.Hypot(se, want.SE) {
			t.Errorf("distance %v: simulated %.3f (se %.3f), runlength says %.3f (se %.3f)", distance, mean, se, want.ARL, want.SE)
		}
	}
}

// The limit that nobody asked for is for the run length of the printed tables, 200
// points in control. For two variables and lambda 0.1 they have 8.66, by simulation
// (Lowry and others 1992), and 8.64, by a Markov chain for steady limits (Prabhu and
// Runger, J. Quality Technology 29 (1997) 8-15); both from memory. For limits that
// widen no printed value is known. The run length itself is simulated here from the
// definition.
func TestMEWMADefaultLimit(t *testing.T) {
	rows := normals(rand.New(rand.NewPCG(4, 4)), 30, 2)
	for _, steady := range []bool{false, true} {
		const lambda, runs = 0.1, 20000
		c, err := multi.MEWMA(rows, multi.MEWMAOptions{Lambda: lambda, Steady: steady})
		if err != nil {
			t.Fatal(err)
		}
		limit := c.Points[0].Upper
		compare(t, []check{{"run length", c.ARL, 200, 0}})
		if steady && (math.Abs(limit-8.64) > 0.01 || math.Abs(limit-8.66) > 0.03) {
			t.Errorf("limit %v, printed 8.64 and 8.66", limit)
		}
		rng, sum := rand.New(rand.NewPCG(5, 5)), 0.0
		for range runs {
			var q [2]float64
			for n, rest := 1.0, (1-lambda)*(1-lambda); ; n, rest = n+1, rest*(1-lambda)*(1-lambda) {
				v := lambda / (2 - lambda)
				if !steady {
					v *= 1 - rest
				}
				for j := range q {
					q[j] += lambda * (rng.NormFloat64() - q[j])
				}
				if q[0]*q[0]+q[1]*q[1] > limit*v {
					sum += n
					break
				}
			}
		}
		// run lengths are nearly geometric: their spread is their mean
		if mean := sum / runs; math.Abs(mean-200) > 4*200/math.Sqrt(runs) {
			t.Errorf("steady %v, limit %v: simulated run length %.2f, want 200", steady, limit, mean)
		}
	}
	c, err := multi.MEWMA(rows, multi.MEWMAOptions{Lambda: 0.1, Limit: 9})
	if err != nil || c.ARL != 0 {
		t.Errorf("a given limit: run length %v, %v", c.ARL, err)
	}
}

func TestMEWMARefuses(t *testing.T) {
	rows := normals(rand.New(rand.NewPCG(8, 8)), 30, 2)
	for says, o := range map[string]multi.MEWMAOptions{
		"lambda 0":    {},
		"lambda -0.1": {Lambda: -0.1},
		"lambda NaN":  {Lambda: math.NaN()},
		"lambda 1.5":  {Lambda: 1.5},
		"limit -1":    {Lambda: 0.2, Limit: -1},
		"run length":  {Lambda: 0.2, ARL: 1},
		"too small":   {Lambda: 0.0001},
	} {
		if _, err := multi.MEWMA(rows, o); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("error %v, want one that says %q", err, says)
		}
	}
	c, err := multi.MEWMA(rows, multi.MEWMAOptions{Lambda: 0.2})
	if err != nil || len(c.Warnings) == 0 || !strings.Contains(c.Warnings[len(c.Warnings)-1], "more often") {
		t.Errorf("warnings %q, %v; want one about the estimated covariance", c.Warnings, err)
	}
}
