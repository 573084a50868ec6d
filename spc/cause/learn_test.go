package cause_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"alike/spc/cause"
)

func built(rows [][]float64) []cause.Built {
	var out []cause.Built
	for i, r := range rows {
		out = append(out, cause.Built{Name: fmt.Sprint("F", i+1), Levels: r})
	}
	return out
}

// scipy.stats.ttest_ind, scipy.stats.t.interval and scipy.stats.f: testdata/learn.py.
func TestLearnBesideScipy(t *testing.T) {
	data, err := os.ReadFile("testdata/learn.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Faulty, Good                        [][]float64
		Steady                              bool
		SteadyP, Noise                      float64
		Shape, Error, Freedom, Low, High, P []float64
		Units                               []cause.Agreement
	}
	if err := json.Unmarshal(data, &cases); err != nil || len(cases) != 12 {
		t.Fatal(len(cases), err)
	}
	unsteady, odd := 0, 0
	for i, c := range cases {
		got, err := cause.Learn(built(c.Faulty), c.Good, 0.95)
		if err != nil {
			t.Fatal(i, err)
		}
		if got.Steady != c.Steady {
			t.Errorf("case %d: steady %v", i, got.Steady)
		}
		near(t, fmt.Sprint("steady ", i), got.SteadyP, c.SteadyP, 1e-9)
		near(t, fmt.Sprint("noise ", i), got.Noise, c.Noise, 1e-9)
		clear := 0
		for b := range c.Shape {
			what := fmt.Sprintf("case %d band %d ", i, b)
			near(t, what+"shape", got.Shape[b], c.Shape[b], 1e-12)
			near(t, what+"error", got.Error[b], c.Error[b], 1e-9)
			near(t, what+"freedom", got.Freedom[b], c.Freedom[b], 1e-9)
			near(t, what+"low", got.Low[b], c.Low[b], 1e-8)
			near(t, what+"high", got.High[b], c.High[b], 1e-8)
			near(t, what+"p", got.P[b], c.P[b], 1e-8)
			if c.P[b] <= 0.05 {
				clear++
			}
		}
		if got.Clear != clear || got.Bands != len(c.Shape) || got.Good != len(c.Good) {
			t.Errorf("case %d: %d of %d bands clear against %d good units, want %d", i, got.Clear, got.Bands, got.Good, clear)
		}
		for k, u := range c.Units {
			what := fmt.Sprintf("case %d unit %d ", i, k)
			near(t, what+"size", got.Units[k].Size, u.Size, 1e-9)
			near(t, what+"shared", got.Units[k].Shared, u.Shared, 1e-8)
			near(t, what+"apart", got.Units[k].Apart, u.Apart, 1e-9)
			near(t, what+"p", got.Units[k].P, u.P, 1e-8)
		}
		if !got.Steady {
			unsteady++
		}
		if got.Odd >= 0 {
			odd++
		}
	}
	if unsteady == 0 || unsteady == len(cases) || odd == 0 {
		t.Errorf("%d of %d cases are unsteady, %d have an odd unit: both kinds have to be among them", unsteady, len(cases), odd)
	}
}

// scattered draws units around a curve; neighbouring bands go together.
func scattered(rng *rand.Rand, n int, level func(band int) float64, bands int) [][]float64 {
	rows := make([][]float64, n)
	for i := range rows {
		last := rng.NormFloat64()
		for b := range bands {
			last = 0.6*last + 0.8*rng.NormFloat64()
			rows[i] = append(rows[i], level(b)+0.3*last)
		}
	}
	return rows
}

func bump(size float64) func(int) float64 {
	return func(b int) float64 { return size * math.Exp(-float64(b-10)*float64(b-10)/8) }
}

// The interval holds the true curve as often as it says, whether the faulty units scatter
// like good ones or not: 4000 intervals, so that 95 % has a standard error of 0.35 %; bands
// that go together make that about twice as large.
func TestLearnCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	held, of := 0, 0
	for range 200 {
		good, bad := scattered(rng, 30, bump(0), 20), scattered(rng, 3, bump(2), 20)
		l, err := cause.Learn(built(bad), good, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		for b := range 20 {
			if of++; l.Low[b] <= bump(2)(b) && bump(2)(b) <= l.High[b] {
				held++
			}
		}
	}
	if share := float64(held) / float64(of); math.Abs(share-0.95) > 0.02 {
		t.Errorf("the interval holds the curve in %.1f %% of cases, not 95 %%", 100*share)
	}
}

// Units that are alike are called odd in one set of a hundred at most, as the chance says;
// a larger fault of the same kind is none, and one of another kind is named.
func TestLearnNamesTheOddUnit(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	odd, sets := 0, 400
	for range sets {
		l, err := cause.Learn(built(scattered(rng, 4, bump(2), 20)), scattered(rng, 30, bump(0), 20), 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if l.Odd >= 0 {
			odd++
		}
	}
	if float64(odd) > 0.02*float64(sets) {
		t.Errorf("%d of %d sets of like units have an odd one", odd, sets)
	}
	good := scattered(rng, 30, bump(0), 20)
	rows := append(scattered(rng, 3, bump(2), 20), scattered(rng, 1, bump(5), 20)...)
	if l, err := cause.Learn(built(rows), good, 0.95); err != nil || l.Odd >= 0 || l.Steady {
		t.Errorf("a larger fault of the same kind: odd %d, steady %v, %v", l.Odd, l.Steady, err)
	}
	rows[3] = scattered(rng, 1, func(b int) float64 { return -bump(2)(b + 6) }, 20)[0]
	l, err := cause.Learn(built(rows), good, 0.95)
	if err != nil || l.Odd != 3 || !strings.Contains(strings.Join(l.Warnings, " "), "F4 is not like the others") {
		t.Errorf("another fault: odd %d, %v, %v", l.Odd, l.Warnings, err)
	}
}

// A unit without the fault is named, be the fault as narrow as it may.
func TestLearnNamesTheUnitWithoutTheFault(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	narrow := func(b int) float64 {
		if b == 10 {
			return 3.5
		}
		return 0
	}
	named := 0
	for range 50 {
		rows := append(scattered(rng, 3, narrow, 20), scattered(rng, 1, bump(0), 20)...)
		l, err := cause.Learn(built(rows), scattered(rng, 30, bump(0), 20), 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if l.Odd == 3 {
			named++
		}
	}
	if named < 40 {
		t.Errorf("named in %d of 50", named)
	}
}

// What is said about more units comes true: with so many more the share of chance is about
// the one promised.
func TestLearnSaysHowManyMore(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	good := scattered(rng, 400, bump(0), 20)
	promised, asked := 0.0, 0.0
	for range 60 {
		rows := scattered(rng, 2, bump(0.8), 20)
		l, err := cause.Learn(built(rows), good, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if l.Settled || l.More <= 0 {
			continue
		}
		more, err := cause.Learn(built(append(rows, scattered(rng, l.More, bump(0.8), 20)...)), good, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		asked, promised = asked+1, promised+more.Noise
	}
	if asked < 20 || math.Abs(promised/asked-0.1) > 0.04 {
		t.Errorf("%v times asked for more; chance then has %.3f, not about 0.1", asked, promised/asked)
	}
}

func TestLearnAtTheEdges(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	good := scattered(rng, 10, bump(0), 20)
	if _, err := cause.Learn(built(good[:1]), good, 0.95); err != cause.ErrFew {
		t.Error(err)
	}
	if _, err := cause.Learn(built(good[:2]), good[:1], 0.95); err != cause.ErrFew {
		t.Error(err)
	}
	if _, err := cause.Learn(built(good[:2]), good[2:], 1); err == nil {
		t.Error("a confidence of 1")
	}
	same := [][]float64{{1, 2}, {1, 2}, {1, 2}}
	if _, err := cause.Learn(built(same[:2]), same, 0.95); err == nil {
		t.Error("good units that do not scatter")
	}
	// Two good units more as faulty ones: nothing to learn, and no number of them helps.
	l, err := cause.Learn(built(scattered(rng, 2, bump(0), 20)), good, 0.95)
	if err != nil || l.Settled || l.Clear != 0 || len(l.Warnings) == 0 {
		t.Errorf("good units as faulty ones: %+v, %v", l.Clear, err)
	}
	rows := scattered(rng, 3, bump(3), 20)
	rows[1][4] = math.NaN()
	l, err = cause.Learn(built(rows), good, 0.95)
	if err != nil || l.Bands != 19 || !math.IsNaN(l.Shape[4]) || !math.IsNaN(l.P[4]) || !l.Settled || l.More != 0 {
		t.Errorf("a band that one unit lacks: %+v, %v", l.Bands, err)
	}
}

// Likeness by hand: with equal sd, (1, 0) and (1, 1) share cos²(45°) = 1/2; half of the
// second is most like the first and leaves 0.5 of the first band.
func TestBetween(t *testing.T) {
	a, b := cause.Signature{Key: "a", Shape: []float64{1, 0}}, cause.Signature{Key: "b", Shape: []float64{1, 1}}
	l := cause.Between([]float64{1, 1}, a, b)
	near(t, "share", l.Share, 0.5, 1e-12)
	near(t, "amount", l.Amount, 0.5, 1e-12)
	near(t, "left", math.Abs(l.Left), 0.5, 1e-12)
	near(t, "units", l.Units, math.Ceil(4*1.959964*1.959964/0.5), 1e-12)
	if l.Confusable() {
		t.Error("half is not confusable")
	}
	if l := cause.Between([]float64{1, 1}, a, cause.Signature{Shape: []float64{-1, 0}}); l.Share != 0 || l.Amount != 0 {
		t.Errorf("opposite: %+v", l)
	}
}

// A unit that chance alone may have made unlike the others, since good units scatter as
// much, is not called odd, and a person is asked to look at it all the same.
func TestLearnAsksToLookAtAUnitThatSharesLittle(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	wide := func(n int, size func() float64, level func(int) float64) [][]float64 {
		rows := scattered(rng, n, level, 20)
		for _, r := range rows {
			k := size()
			for b := range r {
				r[b] += k * math.Exp(-float64(b*b)/18)
			}
		}
		return rows
	}
	good := wide(30, func() float64 { return 2.5 * rng.NormFloat64() }, bump(0))
	rows := append(wide(2, func() float64 { return 0 }, bump(2)), wide(1, func() float64 { return -5 }, bump(0.7))...)
	l, err := cause.Learn(built(rows), good, 0.95)
	if err != nil || l.Odd >= 0 || l.Clear == 0 {
		t.Fatalf("odd %d, clear %d, %v %+v", l.Odd, l.Clear, err, l.Units)
	}
	if told := strings.Join(l.Warnings, " "); !strings.Contains(told, "F3 has little in common with the others") {
		t.Errorf("%q %+v", told, l.Units)
	}
}
