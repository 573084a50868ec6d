package sampling

import (
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// OC-1: n 52, c 3, binomial (e-Handbook 6.2.3, from memory; where the printed table
// as remembered differs by .001 the exact binomial of scipy 1.10 is kept).
func TestProcessCurve(t *testing.T) {
	want := []float64{.9982, .9798, .9295, .8460, .7383, .6196, .5018, .3938, .3003, .2232, .1621, .1152}
	var fractions []float64
	for i := range want {
		fractions = append(fractions, float64(i+1)/100)
	}
	large, err := Plan{52, 3}.ProcessCurve(0, fractions)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range large.Points {
		if math.Abs(p.Accept-want[i]) > 0.51e-4 {
			t.Errorf("p %.2f: %.5f, want %.4f", p.Fraction, p.Accept, want[i])
		}
		if math.Abs(p.Outgoing-p.Fraction*p.Accept) > 1e-15 || p.Inspected != 0 {
			t.Errorf("very large lot: %+v", p)
		}
	}
	// .0372 is the largest among the points; between them it is .0373845 at .05591
	// (scipy 1.10 optimize.minimize_scalar of -p·binom.cdf(3, 52, p)).
	if math.Abs(large.Points[5].Outgoing-.0372) > 0.51e-4 || math.Abs(large.Limit-.0373845) > 0.51e-7 || math.Abs(large.LimitAt-.05591) > 0.51e-5 {
		t.Errorf("outgoing limit %v at %v, at .06 %v", large.Limit, large.LimitAt, large.Points[5].Outgoing)
	}
	lots, err := Plan{52, 3}.ProcessCurve(10000, fractions)
	if err != nil || math.Abs(lots.Points[5].Outgoing-.03698) > 0.51e-5 {
		t.Errorf("lots of 10000: %v, %v", lots.Points[5], err)
	}
	// average total inspection n + (1-Pa)(N-n)
	if p := lots.Points[4]; math.Abs(p.Inspected-(52+(1-p.Accept)*9948)) > 1e-9 {
		t.Errorf("inspected %v", p.Inspected)
	}
	for _, q := range lots.Points {
		if q.Outgoing > lots.Limit {
			t.Errorf("outgoing %v is above the limit %v", q.Outgoing, lots.Limit)
		}
	}
}

// OC-2: hypergeometric chances (computed with exact fractions).
func TestAcceptLot(t *testing.T) {
	for _, tt := range []struct {
		lot, n, c, d int
		want         float64
	}{{500, 50, 1, 5, .919424}, {500, 50, 1, 25, .263594}, {20, 5, 0, 1, .75}, {20, 5, 0, 4, .281734}} {
		got, err := Plan{tt.n, tt.c}.AcceptLot(tt.lot, tt.d)
		if err != nil || math.Abs(got-tt.want) > 0.51e-6 {
			t.Errorf("%+v: %v, %v", tt, got, err)
		}
	}
}

// PLAN-1 (textbook plan, from memory, and found again by search) and PLAN-2
// (computed by search with exact fractions).
func TestFind(t *testing.T) {
	f, err := FindProcess(Wish{.01, .05, .05, .10})
	if err != nil || f.Plan != (Plan{132, 3}) || math.Abs(1-f.ProducerRisk-.955747) > 0.51e-6 || math.Abs(f.ConsumerRisk-.099228) > 0.51e-6 {
		t.Errorf("%+v, %v", f, err)
	}
	for _, tt := range []struct {
		lot           int
		good, bad     float64
		plan          Plan
		d1, d2        int
		pa, consumers float64
	}{
		{500, .01, .06, Plan{83, 2}, 5, 30, .965662, .097331},
		{100, .01, .10, Plan{33, 1}, 1, 10, 1, .095839},
	} {
		f, err := FindLot(tt.lot, Wish{tt.good, .05, tt.bad, .10})
		if err != nil || f.Plan != tt.plan || f.GoodCount != tt.d1 || f.BadCount != tt.d2 ||
			math.Abs(1-f.ProducerRisk-tt.pa) > 0.51e-6 || math.Abs(f.ConsumerRisk-tt.consumers) > 0.51e-6 || f.InspectAll || f.Warnings != nil {
			t.Errorf("%+v, %v; want %+v", f, err, tt)
		}
	}
}

// exactAccept is the hypergeometric chance in exact fractions.
func exactAccept(lot, d, n, c int) *big.Rat {
	sum := new(big.Int)
	for x := 0; x <= c && x <= d; x++ {
		if n-x > lot-d || n-x < 0 {
			continue
		}
		a, b := new(big.Int).Binomial(int64(d), int64(x)), new(big.Int).Binomial(int64(lot-d), int64(n-x))
		sum.Add(sum, a.Mul(a, b))
	}
	return new(big.Rat).SetFrac(sum, new(big.Int).Binomial(int64(lot), int64(n)))
}

// The search against trying every plan in exact fractions, for many small lots.
func TestFindLotAgainstTryingAll(t *testing.T) {
	for _, w := range []Wish{{.01, .05, .10, .10}, {.05, .10, .25, .05}, {0, .05, .5, .2}, {.1, .2, .15, .2}} {
		for lot := 1; lot <= 60; lot += 1 + lot/12 {
			d1, d2 := 0, lot
			for d := 0; d <= lot; d++ {
				if float64(d) <= float64(lot)*w.Good+1e-9 {
					d1 = d
				}
			}
			for d := lot; d >= 0; d-- {
				if float64(d) >= float64(lot)*w.Bad-1e-9 {
					d2 = d
				}
			}
			f, err := FindLot(lot, w)
			if d2 <= d1 {
				if err == nil {
					t.Errorf("lot %d, %+v: %+v", lot, w, f)
				}
				continue
			}
			want := tryAll(lot, d1, d2, w)
			if err != nil || f.Plan != want || f.GoodCount != d1 || f.BadCount != d2 || f.InspectAll != (want.Sample == lot) || (f.InspectAll != strings.Contains(strings.Join(f.Warnings, " "), "inspecting all")) {
				t.Errorf("lot %d, %+v: %+v, %v; want %+v", lot, w, f, err, want)
			}
		}
	}
}

func tryAll(lot, d1, d2 int, w Wish) Plan {
	pass := new(big.Rat).SetFloat64(1 - w.ProducerRisk - 1e-12)
	fail := new(big.Rat).SetFloat64(w.ConsumerRisk + 1e-12)
	for n := 1; n <= lot; n++ {
		for c := range n {
			if exactAccept(lot, d1, n, c).Cmp(pass) >= 0 && exactAccept(lot, d2, n, c).Cmp(fail) <= 0 {
				return Plan{n, c}
			}
		}
	}
	return Plan{}
}

// What must hold for any plan: acceptance falls with defectives, sample and
// strictness; a good lot passes, an all-bad one never; the process curve is the
// lot curve averaged over binomial lots.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lot := rapid.IntRange(2, 120).Draw(t, "lot")
		n := rapid.IntRange(2, lot).Draw(t, "n")
		c := rapid.IntRange(0, n-2).Draw(t, "c")
		p := Plan{n, c}
		curve, err := p.LotCurve(lot)
		if err != nil {
			t.Fatal(err)
		}
		if len(curve.Points) != lot+1 || curve.Points[0].Accept != 1 || curve.Points[lot].Accept != 0 {
			t.Fatalf("%+v", curve.Points)
		}
		fraction := rapid.Float64Range(0, 1).Draw(t, "fraction")
		accept, outgoing := 0.0, 0.0
		for d, pt := range curve.Points {
			if d > 0 && pt.Accept > curve.Points[d-1].Accept+1e-13 {
				t.Fatalf("acceptance rises at %d", d)
			}
			if tight := (Plan{n, c + 1}).acceptLot(lot, d); tight < pt.Accept-1e-13 {
				t.Fatalf("a larger acceptance number accepts less at %d", d)
			}
			if pt.Outgoing > curve.Limit || pt.Outgoing > pt.Fraction+1e-15 || pt.Inspected < float64(n)-1e-9 || pt.Inspected > float64(lot)+1e-9 {
				t.Fatalf("%+v", pt)
			}
			exact, _ := exactAccept(lot, d, n, c).Float64()
			if math.Abs(exact-pt.Accept) > 1e-12 {
				t.Fatalf("%d defectives: %v, exactly %v", d, pt.Accept, exact)
			}
			w := binomialProb(lot, d, fraction)
			accept += w * pt.Accept
			outgoing += w * pt.Outgoing
		}
		process, err := p.ProcessCurve(lot, []float64{fraction})
		if err != nil {
			t.Fatal(err)
		}
		q := process.Points[0]
		if math.Abs(q.Accept-accept) > 1e-10 || math.Abs(q.Outgoing-outgoing) > 1e-10 {
			t.Fatalf("process %+v, averaged over lots %v, %v", q, accept, outgoing)
		}
		if q.Outgoing > process.Limit+1e-12 {
			t.Fatalf("outgoing %v above its limit %v", q.Outgoing, process.Limit)
		}
	})
}

func binomialProb(n, x int, p float64) float64 {
	v := 1.0
	for i := range x {
		v *= p * float64(n-i) / float64(x-i)
	}
	return v * math.Pow(1-p, float64(n-x))
}

func TestLargeLots(t *testing.T) {
	c, err := Plan{200, 3}.LotCurve(100_000)
	if err != nil || len(c.Points) != 201 || c.Limit < c.Points[3].Outgoing {
		t.Errorf("%d points, limit %v, %v", len(c.Points), c.Limit, err)
	}
	f, err := FindLot(1_000_000, Wish{.01, .05, .05, .10})
	if err != nil || f.Accept != 3 || f.Sample != 132 {
		t.Errorf("a very large lot must need the process's plan: %+v, %v", f, err)
	}
	if f, err = FindProcess(Wish{.10, .05, .11, .10}); err != nil || f.ProducerRisk > .05 || f.ConsumerRisk > .10 || f.Sample < 5000 {
		t.Errorf("close fractions: %+v, %v", f, err)
	}
	if f, err = FindLot(300, Wish{.001, .05, .02, .10}); err != nil || len(f.Warnings) != 1 || f.ProducerRisk != 0 {
		t.Errorf("less than one defective: %+v, %v", f, err)
	}
}

func TestBadInput(t *testing.T) {
	nan := math.NaN()
	good := Wish{.01, .05, .1, .1}
	errs := map[string]func() error{
		"draw at least one":  func() error { _, err := Plan{0, 0}.AcceptLot(10, 1); return err },
		"negative":           func() error { _, err := Plan{5, -1}.AcceptProcess(.1); return err },
		"passes every lot":   func() error { _, err := Plan{5, 5}.LotCurve(10); return err },
		"at most the lot":    func() error { _, err := Plan{11, 1}.LotCurve(10); return err },
		"lot of 0":           func() error { _, err := Plan{1, 0}.AcceptLot(0, 0); return err },
		"lot of 2000000":     func() error { _, err := FindLot(2_000_000, good); return err },
		"11 defectives":      func() error { _, err := Plan{5, 0}.AcceptLot(10, 11); return err },
		"-1 defectives":      func() error { _, err := Plan{5, 0}.AcceptLot(10, -1); return err },
		"fraction defective": func() error { _, err := Plan{5, 0}.AcceptProcess(nan); return err },
		"fraction 2":         func() error { _, err := Plan{5, 0}.ProcessCurve(0, []float64{.1, 5}); return err },
		"good fraction NaN":  func() error { _, err := FindLot(50, Wish{nan, .05, .1, .1}); return err },
		"bad fraction 10":    func() error { _, err := FindLot(50, Wish{1, .05, 10, .1}); return err },
		"producer's risk 0":  func() error { _, err := FindProcess(Wish{.01, 0, .1, .1}); return err },
		"consumer's risk 1":  func() error { _, err := FindProcess(Wish{.01, .05, .1, 1}); return err },
		"exchange":           func() error { _, err := FindLot(50, Wish{.1, .05, .1, .1}); return err },
		"a coin":             func() error { _, err := FindLot(50, Wish{.1, .5, .2, .5}); return err },
		"move the fractions": func() error { _, err := FindLot(0+10, Wish{.2, .05, .2000000000001, .1}); return err },
		"to tell apart":      func() error { _, err := FindProcess(Wish{.1, .05, .1001, .1}); return err },
	}
	for part, f := range errs {
		if err := f(); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("want %q: %v", part, err)
		}
	}
}

func BenchmarkFindLot300(b *testing.B) {
	for b.Loop() {
		FindLot(300, Wish{.01, .05, .06, .10})
	}
}

func BenchmarkFindProcessClose(b *testing.B) {
	for b.Loop() {
		FindProcess(Wish{.10, .05, .104, .10})
	}
}

// A sample of five cannot hold more than five defectives: by definition, 1. At one
// less the binomial gives 1-pⁿ.
func TestPlanThatPassesAll(t *testing.T) {
	for _, accept := range []int{5, 6} {
		p := Plan{5, accept}
		lot, err1 := p.AcceptLot(10, 10)
		process, err2 := p.AcceptProcess(.9)
		if err1 != nil || err2 != nil || lot != 1 || process != 1 || !p.PassesAll() {
			t.Errorf("%+v: %v %v, %v %v", p, lot, process, err1, err2)
		}
	}
	p := Plan{5, 4}
	if got, err := p.AcceptProcess(.9); err != nil || math.Abs(got-(1-math.Pow(.9, 5))) > 1e-12 || p.PassesAll() {
		t.Errorf("%+v: %v %v", p, got, err)
	}
}
