package pairing

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// few returns drivers of a known supply: three bands of sd 0.4 dB, correlated 0.5.
func few(rng *rand.Rand, n int) []Unit {
	units := make([]Unit, n)
	for i := range units {
		common := rng.NormFloat64()
		units[i].ID = "D" + string(rune('0'+i/100%10)) + string(rune('0'+i/10%10)) + string(rune('0'+i%10))
		for range 3 {
			units[i].Levels = append(units[i].Levels, 90+0.4*(math.Sqrt(0.5)*common+math.Sqrt(0.5)*rng.NormFloat64()))
		}
	}
	return units
}

func countPairs(t testing.TB, units []Unit, tolerance float64) int {
	table, err := Mismatches(units, Measure{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := Match(table, Options{Tolerance: tolerance})
	if err != nil {
		t.Fatal(err)
	}
	return len(r.Pairs)
}

// The number to buy keeps its promise on a supply that is known: measure 40, ask
// for what gives 12 pairs with 0.9, buy that many of the true supply. 150 rounds:
// a standard error of 0.025.
func TestToBuyKeepsItsPromise(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 1))
	const rounds, pairs, tolerance = 150, 12, 0.2
	kept, inside, bought := 0, 0, 0
	for i := range rounds {
		s := Supply{Units: few(rng, 40), Tolerance: tolerance, Draws: 100, Seed: uint64(i)}
		n, err := ToBuy(s, pairs, 0.9)
		if err != nil || n.Buy < 2*pairs || n.Typical > n.Buy {
			t.Fatalf("%+v, %v", n, err)
		}
		bought += n.Buy
		if countPairs(t, few(rng, n.Buy), tolerance) >= pairs {
			kept++
		}
		p, err := Expect(s, 40)
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(countPairs(t, few(rng, 40), tolerance)); got >= p.Low && got <= p.High {
			inside++
		}
	}
	t.Logf("kept %d, inside %d of %d; %.1f bought on average", kept, inside, rounds, float64(bought)/rounds)
	if kept < 124 { // 0.9 less three standard errors
		t.Errorf("%d pairs came out in %d of %d purchases, 0.9 was promised", pairs, kept, rounds)
	}
	if float64(bought)/rounds > 40 {
		t.Errorf("%.1f bought for %d pairs: far too careful", float64(bought)/rounds, pairs)
	}
	if inside < 124 {
		t.Errorf("the interval of 0.9 held in %d of %d", inside, rounds)
	}
}

// The expectation against purchases from the true supply, measured without error.
func TestExpect(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 2))
	p, err := Expect(Supply{Units: few(rng, 900), Tolerance: 0.2, Seed: 1}, 50)
	if err != nil || p.Draws != 400 || p.Buy != 50 || p.PerHundred != 2*p.Pairs {
		t.Fatalf("%+v, %v", p, err)
	}
	var counts []float64
	for range 400 {
		counts = append(counts, float64(countPairs(t, few(rng, 50), 0.2)))
	}
	mean := 0.0
	for _, c := range counts {
		mean += c / 400
	}
	slices.Sort(counts)
	t.Logf("%.2f (%v to %v) against %.2f (%v to %v)", p.Pairs, p.Low, p.High, mean, counts[19], counts[379])
	if math.Abs(p.Pairs-mean) > 0.5 || math.Abs(p.Low-counts[19]) > 1 || math.Abs(p.High-counts[379]) > 1 {
		t.Errorf("%+v, true mean %.2f, %v to %v", p, mean, counts[19], counts[379])
	}
}

func TestPolarity(t *testing.T) {
	units := few(rand.New(rand.NewPCG(21, 3)), 40)
	for i := range units {
		units[i].Polarity = 1
		if i%2 == 0 {
			units[i].Polarity = -1
		}
	}
	units[3].Polarity = 0
	table, err := Mismatches(units, Measure{})
	if err != nil {
		t.Fatal(err)
	}
	if table.Mismatch[0][1] < Opposite || table.Mismatch[0][2] > Opposite || table.Mismatch[0][3] > Opposite {
		t.Errorf("%v", table.Mismatch[0][:4])
	}
	r, err := Match(table, Options{Tolerance: 5})
	if err != nil || len(r.Pairs) != 20 {
		t.Fatalf("%+v, %v", r, err)
	}
	at := map[string]int{}
	for i, u := range units {
		at[u.ID] = i
	}
	for _, p := range r.Pairs {
		if units[at[p.A]].Polarity*units[at[p.B]].Polarity < 0 {
			t.Errorf("%s and %s are of opposite polarity", p.A, p.B)
		}
	}
	// A purchase with two polarities gives fewer pairs.
	mixed, err := Expect(Supply{Units: units, Tolerance: 0.2}, 30)
	if err != nil {
		t.Fatal(err)
	}
	for i := range units {
		units[i].Polarity = 1
	}
	one, err := Expect(Supply{Units: units, Tolerance: 0.2}, 30)
	if err != nil || one.Pairs < mixed.Pairs+1 {
		t.Errorf("%v pairs of one polarity, %v of two, %v", one.Pairs, mixed.Pairs, err)
	}
}

// Bad drivers in the purchase: with a tolerance at which all good ones pair, the pairs
// are half of the good drivers, whose number is beta-binomial. The mean of a beta
// distribution with 10.5 and 90.5 is 0.10396; 5 and 95 of 100 purchases of 100 lie at
// scipy.stats.betabinom(100, 90.5, 10.5).ppf([.05, .95]) = 82 and 96 good drivers
// (scipy 1.10).
func TestBadDriversAreBoughtToo(t *testing.T) {
	s := Supply{Units: few(rand.New(rand.NewPCG(21, 6)), 90), Tolerance: 50, Good: 90, Bad: 10, Draws: 2000, Seed: 3}
	p, err := Expect(s, 100)
	if err != nil {
		t.Fatal(err)
	}
	// An odd driver is left in half of the purchases.
	if want := (100*(1-10.5/101) - 0.5) / 2; math.Abs(p.Pairs-want) > 0.2 || math.Abs(p.Low-41) > 0.5 || math.Abs(p.High-48) > 0.5 {
		t.Errorf("%+v, want %.2f", p, want)
	}
	n, err := ToBuy(s, 40, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	// 80 good ones among 97 bought have the chance 0.949, among 98 0.963, among 88 and
	// 89 0.47 and 0.56 (1-betabinom(n, 90.5, 10.5).cdf(79)).
	if n.Buy < 97 || n.Buy > 99 || n.Typical < 88 || n.Typical > 91 {
		t.Errorf("%+v", n)
	}
	s.Good, s.Bad = 0, 0
	if n, err = ToBuy(s, 40, 0.95); err != nil || n.Buy != 80 {
		t.Errorf("%+v, %v", n, err)
	}
	for _, c := range [][2]int{{-1, 0}, {3, -1}, {0, 2}} {
		s.Good, s.Bad = c[0], c[1]
		if _, err := Expect(s, 10); err == nil || !strings.Contains(err.Error(), "give counts from 0 up") {
			t.Errorf("%v: %v", c, err)
		}
	}
}

func TestSupplyErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 4))
	good := Supply{Units: few(rng, 12), Tolerance: 0.3, Draws: 50}
	n, err := ToBuy(good, 3, 0.9)
	if err != nil || !strings.Contains(strings.Join(n.Warnings, " "), "Only 12 drivers") {
		t.Errorf("%+v, %v", n, err)
	}
	tight := good
	tight.Tolerance = 1e-6
	n, err = ToBuy(tight, 3, 0.9)
	if err != nil || n.Buy != 0 || n.Typical != 0 || !strings.Contains(strings.Join(n.Warnings, " "), "Even 80 drivers") {
		t.Errorf("%+v, %v", n, err)
	}
	for _, tt := range []struct {
		edit func(*Supply)
		part string
	}{
		{func(s *Supply) { s.Units = s.Units[:9] }, "9 drivers are too few"},
		{func(s *Supply) { s.Tolerance = math.NaN() }, "tolerance NaN"},
		{func(s *Supply) { s.Draws = 5 }, "5 draws"},
		{func(s *Supply) { s.Units = nil }, "no units"},
	} {
		s := good
		tt.edit(&s)
		if _, err := Expect(s, 20); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
		if _, err := ToBuy(s, 3, 0.9); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	if _, err := Expect(good, 1); err == nil {
		t.Error("a purchase of one")
	}
	for _, pairs := range []int{0, 501} {
		if _, err := ToBuy(good, pairs, 0.9); err == nil {
			t.Errorf("%d pairs", pairs)
		}
	}
	if _, err := ToBuy(good, 3, 1); err == nil {
		t.Error("certainty")
	}
}
