package runlength_test

import (
	"math"
	"testing"

	"alike/spc/runlength"
)

// In two dimensions P(T² > h) = exp(-h/2); with a shift against testdata/ncx2.csv
// (scipy).
func TestT2(t *testing.T) {
	r, err := runlength.T2(2, 2*math.Log(200), 0)
	if err != nil || math.Abs(r.ARL-200) > 1e-9 || r.Method != runlength.ClosedForm {
		t.Errorf("%+v, %v, want 200", r, err)
	}
	for _, w := range table(t, "ncx2.csv") {
		r, err := runlength.T2(int(w[0]), w[2], math.Sqrt(w[1]))
		if err != nil || math.Abs(r.ARL*w[3]-1) > 1e-8 {
			t.Errorf("%v: %+v %v, want %v", w[:3], r, err, 1/w[3])
		}
	}
}

// Limits for an average run length of 200 with steady limits, printed by Prabhu and
// Runger, J. Quality Technology 29 (1997) 8-15, also in Montgomery (from memory, to
// the two decimals; their chain is coarser than the integral equation here, hence
// the tolerance).
func TestPrabhuRunger(t *testing.T) {
	for _, w := range [][3]float64{
		{2, 0.05, 7.35}, {2, 0.1, 8.64}, {2, 0.2, 9.65}, {2, 0.3, 10.08}, {2, 0.5, 10.44}, {2, 0.8, 10.58}, {2, 1, 10.60},
		{4, 0.05, 11.22}, {4, 0.1, 12.73}, {4, 0.2, 13.87}, {10, 0.1, 22.67}, {10, 0.2, 24.07}, {15, 0.1, 30.03}, {15, 0.2, 31.59},
	} {
		h, err := runlength.MEWMALimit(int(w[0]), w[1], 200, true)
		if err != nil || math.Abs(h-w[2]) > 0.025 {
			t.Errorf("p %v lambda %v: %.4f %v, printed %v", w[0], w[1], h, err, w[2])
		}
	}
}

// The limit found gives the average asked for, computed and simulated.
func TestMEWMALimit(t *testing.T) {
	for _, tt := range []struct {
		p      int
		lambda float64
		steady bool
	}{{2, 0.1, true}, {3, 0.2, false}, {12, 0.2, false}, {12, 0.1, true}} {
		h, err := runlength.MEWMALimit(tt.p, tt.lambda, 100, tt.steady)
		if err != nil {
			t.Fatal(err)
		}
		r, err := runlength.MEWMA(tt.p, tt.lambda, h, 0, tt.steady, none)
		if err != nil || math.Abs(r.ARL-100) > 1e-4 || r.Method != runlength.Integral {
			t.Errorf("%+v: %+v %v", tt, r, err)
		}
		// A shift too small to matter is simulated.
		s, err := runlength.MEWMA(tt.p, tt.lambda, h, 1e-9, tt.steady, runlength.Simulation{Runs: 4000, Seed: 9})
		if err != nil || s.Method != runlength.Simulated || math.Abs(s.ARL-100) > 4*s.SE {
			t.Errorf("%+v: %+v %v, want 100", tt, s, err)
		}
	}
}

// One variable is an EWMA chart, lambda 1 a T² chart; a shift in two variables by
// the distance only, and shortens runs.
func TestMEWMALaws(t *testing.T) {
	for _, shift := range []float64{0, 0.8} {
		a, errA := runlength.MEWMA(1, 0.2, 2.7*2.7, shift, false, none)
		b, errB := runlength.EWMA(shift, 0.2, 2.7, false, none)
		if errA != nil || errB != nil || math.Abs(a.ARL/b.ARL-1) > 1e-9 {
			t.Errorf("one variable %+v %v, EWMA %+v %v", a, errA, b, errB)
		}
	}
	a, errA := runlength.MEWMA(5, 1, 15, 1, false, none)
	b, errB := runlength.T2(5, 15, 1)
	if errA != nil || errB != nil || a.ARL != b.ARL {
		t.Errorf("lambda 1 %+v %v, T2 %+v %v", a, errA, b, errB)
	}
	// Near one variable in many: the widths of two charts on one walk. Lowry and
	// others (1992) print 10.0 for p 2, lambda 0.1, shift 1 at 200 in control (Prabhu
	// and Runger 1997: 10.15 with steady limits; both from memory).
	h, err := runlength.MEWMALimit(2, 0.1, 200, true)
	if err != nil {
		t.Fatal(err)
	}
	r, err := runlength.MEWMA(2, 0.1, h, 1, true, runlength.Simulation{Runs: 20000})
	if err != nil || math.Abs(r.ARL-10.15) > 0.15+3*r.SE {
		t.Errorf("%+v %v, want near 10.15", r, err)
	}
}

func TestSeveralRefuse(t *testing.T) {
	nan := math.NaN()
	for i, err := range []error{
		second(runlength.T2(0, 10, 0)), second(runlength.T2(501, 10, 0)), second(runlength.T2(2, 0, 0)), second(runlength.T2(2, nan, 0)),
		second(runlength.T2(2, 10, -1)), second(runlength.T2(2, 10, nan)), second(runlength.T2(2, 1e300, 0)),
		second(runlength.MEWMA(2, 0, 10, 0, true, none)), second(runlength.MEWMA(2, 1.1, 10, 0, true, none)), second(runlength.MEWMA(2, nan, 10, 0, true, none)),
		second(runlength.MEWMA(0, 0.1, 10, 0, true, none)), second(runlength.MEWMA(2, 0.1, 10, 1, true, runlength.Simulation{Runs: 1})),
		second(runlength.MEWMALimit(2, 0.1, 1, true)), second(runlength.MEWMALimit(2, 0.1, nan, true)), second(runlength.MEWMALimit(2, 0, 200, true)),
		second(runlength.MEWMALimit(2, 0.001, 200, false)),
	} {
		if err == nil {
			t.Errorf("case %d accepted", i)
		}
	}
	for _, r := range []runlength.Result{first(runlength.T2(2, 1e6, 0)), first(runlength.T2(500, 1, 1000)), first(runlength.MEWMA(2, 0.5, 1e4, 0, true, none)), first(runlength.MEWMA(1, 0.5, 1e4, 1000, true, none))} {
		if !(r.ARL >= 1-1e-12) {
			t.Errorf("%+v", r)
		}
	}
}

func first(r runlength.Result, _ error) runlength.Result { return r }
func second[T any](_ T, err error) error                 { return err }

func BenchmarkMEWMALimit(b *testing.B) {
	for b.Loop() {
		if _, err := runlength.MEWMALimit(31, 0.2, 370, false); err != nil {
			b.Fatal(err)
		}
	}
}
