package conformance

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"alike/spc/dist"
	"pgregory.net/rapid"
)

var inf = math.Inf(1)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

func global(t testing.TB, p Process, u float64, tol, acc Limits) Risks {
	t.Helper()
	r, err := Global(p, u, tol, acc)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// RISK-1: model of JCGM 106:2012 clauses 8 and 9, numbers computed with scipy 1.10:
// process N(0, 1), u 0.25, tolerance ±2.
func TestGlobal(t *testing.T) {
	p := Process{0, 1}
	for _, tt := range []struct{ accept, consumer, producer, accepted float64 }{
		{2, .008006, .014851, .947655}, {1.5, .000195, .100304, .854390}, {1.6, .000523, .075630, 0},
	} {
		r := global(t, p, .25, Limits{-2, 2}, Limits{-tt.accept, tt.accept})
		near(t, "consumer's risk", r.Consumer, tt.consumer, 0.51e-6)
		near(t, "producer's risk", r.Producer, tt.producer, 0.51e-6)
		near(t, "conforming", r.Conforming, .954500, 0.51e-6)
		if tt.accepted != 0 {
			near(t, "accepted", r.Accepted, tt.accepted, 0.51e-6)
		}
		near(t, "bad among accepted", r.BadAmongAccepted, r.Consumer/r.Accepted, 1e-15)
	}
}

// testdata/risk.csv is mpmath's quadrature in 40 digits, see testdata/risk.py.
func TestGlobalTable(t *testing.T) {
	f, err := os.Open("testdata/risk.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 40 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	worst := 0.0
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, s := range row {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil && v[i] != 0 {
				t.Fatal(err)
			}
		}
		r := global(t, Process{0, 1}, v[0], Limits{v[1], v[2]}, Limits{v[3], v[4]})
		for _, c := range []struct{ got, want float64 }{{r.Consumer, v[5]}, {r.Producer, v[6]}} {
			if c.want < 1e-290 && c.got < 1e-280 {
				continue
			}
			e := math.Abs(c.got/c.want - 1)
			worst = max(worst, e)
			if !(e < 1e-9) {
				t.Errorf("%v: %v, want %v (relative error %.1e)", row[:5], c.got, c.want, e)
			}
		}
	}
	t.Logf("largest relative error %.1e", worst)
}

// RISK-2: flat prior, u 0.4, tolerance ±2 (computed with scipy 1.10), and the
// Zener diode of JCGM 106:2012 8.3.2 (from memory): breakdown voltage at most
// -5.40 V, reading -5.47 V, u 0.05 V, Φ(1.4), printed 0.92.
func TestReading(t *testing.T) {
	for reading, want := range map[float64]float64{1.2: .977250, 1.5: .894350, 1.8: .691462, 2: .5, 2.2: .308538, -1.5: .894350} {
		c, err := Reading(reading, .4, Limits{-2, 2})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "conforming", c.Conforming, want, 0.51e-6)
		near(t, "sum", c.Conforming+c.Outside, 1, 1e-15)
	}
	c, _ := Reading(-5.47, .05, Limits{-inf, -5.40})
	near(t, "Zener diode", c.Conforming, .9192, 0.51e-4)
	// a prior far wider than u tells nothing, one far narrower tells all
	wide, _ := ReadingFrom(Process{0, 1e7}, 1.5, .4, Limits{-2, 2})
	flat, _ := Reading(1.5, .4, Limits{-2, 2})
	near(t, "wide prior", wide.Outside, flat.Outside, 1e-9)
	sure, _ := ReadingFrom(Process{0, .5}, 1e3, 1e6, Limits{-1, 1})
	near(t, "narrow prior", sure.Outside, dist.NormOutside(-2, 2), 1e-6)
	// equal weights: mean halfway, standard deviation u/√2
	half, _ := ReadingFrom(Process{0, 1}, 2, 1, Limits{-inf, 2})
	near(t, "equal weights", half.Outside, dist.NormSurvival(math.Sqrt2), 1e-15)
}

// JCGM 106:2012 8.3.3 (one-sided guarded acceptance): a guard band of 1.644854·u
// leaves 5 % at the acceptance limit.
func TestSpecificGuard(t *testing.T) {
	for _, tol := range []Limits{{-inf, 2}, {-2, inf}, {-20, 20}} {
		g, err := SpecificGuard(.4, tol, .05)
		if err != nil || g.Warnings != nil {
			t.Fatal(err, g.Warnings)
		}
		for _, side := range []struct{ limit, accept, band, sign float64 }{{tol.Lower, g.Accept.Lower, g.Lower, 1}, {tol.Upper, g.Accept.Upper, g.Upper, -1}} {
			if math.IsInf(side.limit, 0) {
				if side.accept != side.limit || side.band != 0 {
					t.Errorf("no limit, but %+v", g)
				}
				continue
			}
			near(t, "guard band", side.band, 1.644854, 0.51e-6)
			near(t, "acceptance limit", side.accept, side.limit+side.sign*1.6448536269514722*.4, 1e-12)
		}
	}
	// two near limits: both tails count
	g, err := SpecificGuard(.4, Limits{-1, 1}, .05)
	if err != nil {
		t.Fatal(err)
	}
	c, _ := Reading(g.Accept.Upper, .4, Limits{-1, 1})
	near(t, "risk at the limit", c.Outside, .05, 1e-12)
	near(t, "symmetry", g.Accept.Upper+g.Accept.Lower, 0, 1e-12)
	if g.Upper <= 1.6449 {
		t.Errorf("two near limits need more than one: %+v", g)
	}
	if _, err = SpecificGuard(1, Limits{-1, 1}, .05); err == nil || !strings.Contains(err.Error(), "safest reading") {
		t.Errorf("unattainable: %v", err)
	}
}

func TestSpecificGuardFrom(t *testing.T) {
	p := Process{0.3, 1}
	g, err := SpecificGuardFrom(p, .4, Limits{-2, 2}, .05)
	if err != nil {
		t.Fatal(err)
	}
	for _, y := range []float64{g.Accept.Lower, g.Accept.Upper} {
		c, _ := ReadingFrom(p, y, .4, Limits{-2, 2})
		near(t, "risk at the acceptance limit", c.Outside, .05, 1e-10)
	}
	// The process pulls every posterior towards 0.3, so the band is narrower than
	// without it on the upper side, and there wider than on the lower, nearer it.
	if !(g.Upper < 1.6449 && g.Lower < g.Upper) || g.Risks.Consumer == 0 {
		t.Errorf("%+v", g)
	}
	// a very good process needs none
	g, err = SpecificGuardFrom(Process{0, .2}, .4, Limits{-2, 2}, .05)
	if err != nil || g.Upper != 0 || g.Lower != 0 || len(g.Warnings) != 2 {
		t.Errorf("%+v, %v", g, err)
	}
	// a process far off cannot be saved by its readings
	if _, err = SpecificGuardFrom(Process{-30, 1}, 1, Limits{-2, 2}, .05); err == nil {
		t.Error("a process 28 sigma off was accepted")
	}
	// off to one side: only the far part of the tolerance is safe
	g, err = SpecificGuardFrom(Process{-3, 1}, .4, Limits{-2, 2}, .05)
	if err != nil || g.Lower < 1.6449 {
		t.Errorf("%+v, %v", g, err)
	}
	// the safest reading is then not the middle of the tolerance
	g, err = SpecificGuardFrom(Process{-3, 1}, .7, Limits{-2, 2}, .01)
	if err != nil {
		t.Fatal(err)
	}
	c, _ := ReadingFrom(Process{-3, 1}, g.Accept.Lower, .7, Limits{-2, 2})
	near(t, "risk at the acceptance limit", c.Outside, .01, 1e-10)
}

func TestGlobalGuard(t *testing.T) {
	p := Process{0, 1}
	for _, wanted := range []float64{.004, .000523, 1e-6, 1e-12} {
		g, err := GlobalGuard(p, .25, Limits{-2, 2}, wanted)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "risk kept", g.Risks.Consumer/wanted, 1, 1e-9)
		near(t, "same on both sides", g.Lower, g.Upper, 1e-12)
	}
	// RISK-1: acceptance at ±1.6 has consumer's risk .000523 (six decimals)
	g, _ := GlobalGuard(p, .25, Limits{-2, 2}, global(t, p, .25, Limits{-2, 2}, Limits{-1.6, 1.6}).Consumer)
	near(t, "acceptance limit", g.Accept.Upper, 1.6, 1e-9)
	near(t, "guard band", g.Upper, 1.6, 1e-8)
	// the tolerance itself does
	g, err := GlobalGuard(p, .25, Limits{-2, 2}, .1)
	if err != nil || g.Upper != 0 || g.Accept != (Limits{-2, 2}) || len(g.Warnings) != 1 || g.Risks.Consumer == 0 {
		t.Errorf("%+v, %v", g, err)
	}
	// one limit
	g, err = GlobalGuard(p, .25, Limits{-inf, 2}, 1e-4)
	if err != nil || math.Abs(g.Risks.Consumer/1e-4-1) > 1e-9 || g.Lower != 0 || !math.IsInf(g.Accept.Lower, -1) {
		t.Errorf("%+v, %v", g, err)
	}
	// a hopeless gauge: the band eats nearly everything, and says so
	g, err = GlobalGuard(Process{0, 1}, 10, Limits{-1, 1}, 1e-6)
	if err != nil || !(g.Accept.Lower < g.Accept.Upper) || g.Risks.Consumer > 1e-6*(1+1e-6) || len(g.Warnings) != 1 {
		t.Errorf("%+v, %v", g, err)
	}
}

// Bookkeeping, mirror images, other units, and directions, for any process, gauge
// and limits.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Process{rapid.Float64Range(-3, 3).Draw(t, "mean"), math.Exp(rapid.Float64Range(-3, 3).Draw(t, "log sd"))}
		u := p.SD * math.Exp(rapid.Float64Range(-13, 2.3).Draw(t, "log ratio"))
		low := rapid.Float64Range(-5, 4).Draw(t, "low")
		tol := Limits{low, low + rapid.Float64Range(0.01, 10).Draw(t, "width")}
		cut := rapid.Float64Range(-0.2, 0.45).Draw(t, "cut") * (tol.Upper - tol.Lower)
		acc := tighten(tol, cut)
		r, err := Global(p, u, tol, acc)
		if err != nil {
			t.Fatal(err)
		}
		if d := r.Conforming - r.Producer + r.Consumer - r.Accepted; math.Abs(d) > 1e-10 {
			t.Fatalf("the shares do not add up: %+v, off by %v", r, d)
		}
		for _, v := range []float64{r.Consumer, r.Producer, r.Conforming, r.Accepted, r.BadAmongAccepted} {
			if !(v >= 0 && v <= 1+1e-12) {
				t.Fatalf("not a probability: %+v", r)
			}
		}
		same := func(what string, q Risks) {
			for _, v := range [][2]float64{{q.Consumer, r.Consumer}, {q.Producer, r.Producer}} {
				if math.Abs(v[0]-v[1]) > 1e-8*v[1]+1e-13 {
					t.Fatalf("%s: %+v against %+v", what, q, r)
				}
			}
		}
		mirror, _ := Global(Process{-p.Mean, p.SD}, u, Limits{-tol.Upper, -tol.Lower}, Limits{-acc.Upper, -acc.Lower})
		same("mirror", mirror)
		moved := func(l Limits) Limits { return Limits{l.Lower*7 + 3, l.Upper*7 + 3} }
		scaled, _ := Global(Process{p.Mean*7 + 3, p.SD * 7}, u*7, moved(tol), moved(acc))
		same("other units", scaled)
		tighter, _ := Global(p, u, tol, tighten(acc, 0.02*(acc.Upper-acc.Lower)))
		if tighter.Consumer > r.Consumer+1e-14 || tighter.Producer < r.Producer-1e-12 {
			t.Fatalf("tighter limits: %+v against %+v", tighter, r)
		}
		// a process known exactly as wide as it is agrees with the readings it gives
		c, err := ReadingFrom(p, tol.Lower, u, tol)
		if err != nil || math.Abs(c.Conforming+c.Outside-1) > 1e-12 {
			t.Fatalf("%+v, %v", c, err)
		}
	})
	// a perfect gauge at the tolerance limits makes no mistakes
	for _, u := range []float64{1e-3, 1e-6, 1e-9} {
		r := global(t, Process{0, 1}, u, Limits{-2, 2}, Limits{-2, 2})
		if want := 2 * dist.NormPDF(2) * u / math.Sqrt(2*math.Pi); math.Abs(r.Consumer/want-1) > 2*u || math.Abs(r.Producer/want-1) > 2*u {
			t.Errorf("u %v: %+v, want both near %v", u, r, want)
		}
	}
}

func TestBadInput(t *testing.T) {
	nan := math.NaN()
	p, l := Process{0, 1}, Limits{-1, 1}
	errs := map[string]func() error{
		"process mean":             func() error { _, err := Global(Process{nan, 1}, .1, l, l); return err },
		"standard deviation":       func() error { _, err := Global(Process{0, 0}, .1, l, l); return err },
		"deviation +Inf":           func() error { _, err := ReadingFrom(Process{0, inf}, 0, .1, l); return err },
		"uncertainty 0":            func() error { _, err := Global(p, 0, l, l); return err },
		"uncertainty NaN":          func() error { _, err := SpecificGuard(nan, l, .05); return err },
		"uncertainty -1":           func() error { _, err := Reading(0, -1, l); return err },
		"reading NaN":              func() error { _, err := Reading(nan, 1, l); return err },
		"reading +Inf":             func() error { _, err := ReadingFrom(p, inf, 1, l); return err },
		"tolerance limits":         func() error { _, err := Global(p, 1, Limits{nan, 1}, l); return err },
		"are missing":              func() error { _, err := Global(p, 1, Limits{-inf, inf}, l); return err },
		"upper one 0":              func() error { _, err := Global(p, 1, Limits{}, l); return err },
		"acceptance limit":         func() error { _, err := Global(p, 1, l, Limits{2, 1}); return err },
		"not usable: give numbers": func() error { _, err := SpecificGuardFrom(p, 1, Limits{inf, inf}, .05); return err },
		"wanted risk 0":            func() error { _, err := GlobalGuard(p, 1, l, 0); return err },
		"wanted risk NaN":          func() error { _, err := SpecificGuard(1, l, nan); return err },
		"wanted risk 0.5":          func() error { _, err := SpecificGuardFrom(p, 1, l, .5); return err },
	}
	for part, f := range errs {
		if err := f(); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("want %q: %v", part, err)
		}
	}
	// far apart in size, but legal
	r := global(t, Process{1e300, 1e-300}, 1, l, l)
	if r.Consumer != 0 || r.Conforming != 0 {
		t.Errorf("%+v", r)
	}
	c, err := ReadingFrom(Process{0, 1e200}, 1, 1e-200, l)
	if err != nil || math.IsNaN(c.Conforming) {
		t.Errorf("%+v, %v", c, err)
	}
}

func BenchmarkGlobal(b *testing.B) {
	for b.Loop() {
		if _, err := Global(Process{0, 1}, .25, Limits{-2, 2}, Limits{-1.6, 1.6}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkGlobalGuard(b *testing.B) {
	for b.Loop() {
		if _, err := GlobalGuard(Process{0, 1}, .25, Limits{-2, 2}, 1e-4); err != nil {
			b.Fatal(err)
		}
	}
}
