package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// two draws two batches of 25 over 31 independent bands with sd 0.4 dB, the second
// moved by the given dB in its first bands.
func two(rng *rand.Rand, shift float64, shifted int) []Batch {
	out := []Batch{{Name: "a"}, {Name: "b"}}
	for k := range out {
		for range 25 {
			row := make([]float64, 31)
			for i := range row {
				row[i] = 90 + 0.4*rng.NormFloat64()
				if k == 1 && i < shifted {
					row[i] += shift
				}
			}
			out[k].Rows = append(out[k].Rows, row)
		}
	}
	return out
}

// False "different" at the rate stated, and a shift of 0.3 dB in five bands found as
// often as computed beforehand (testdata/power.py). 1500 runs of each: three
// standard errors are 0.017 at 0.05 and 0.031 to 0.034 at the powers.
func TestRatesAsComputed(t *testing.T) {
	want := map[string]float64{}
	for _, r := range table(t, "power.csv") {
		want[r[0]] = number(t, r[1])
	}
	const runs = 1500
	rng := rand.New(rand.NewPCG(11, 5))
	rate := func(shift float64) (joint, anyBand, band float64) {
		for i := range runs {
			bands, err := CurveOptions{}.columns(two(rng, shift, 5))
			if err != nil {
				t.Fatal(err)
			}
			if newShuffle(bands).test(299, uint64(i)).P <= 0.05 {
				joint++
			}
			var p []float64
			for _, g := range bands {
				d, err := arrange(g)
				if err != nil {
					t.Fatal(err)
				}
				p = append(p, d.anova(0.95).P)
			}
			if p[0] <= 0.05/31 {
				band++
			}
			for _, v := range Holm(p) {
				if v <= 0.05 {
					anyBand++
					break
				}
			}
		}
		return joint / runs, anyBand / runs, band / runs
	}
	joint, anyBand, _ := rate(0)
	t.Logf("false alarms: together %.4f, any band %.4f", joint, anyBand)
	near(t, "false alarms of all bands together", joint, 0.05, 0.017)
	near(t, "false alarms of any band", anyBand, 1-math.Pow(1-0.05/31, 31), 0.017)
	joint, anyBand, band := rate(0.3)
	t.Logf("found: together %.4f, any band %.4f, one shifted band %.4f", joint, anyBand, band)
	// 299 draws lose a little against the distribution itself.
	near(t, "power of all bands together", joint, want["joint"], 0.03)
	near(t, "power of any band", anyBand, want["any"], 0.034)
	near(t, "power of one band", band, want["band"], 0.034)
}

// With the truth exactly on the margin, "equivalent" is claimed in no more than one
// case of twenty: everywhere, when one band lies on it and the others agree; in any
// band, when all lie on it; and "beyond" no more often either.
func TestRatesOnTheMargin(t *testing.T) {
	const runs = 500
	rng := rand.New(rand.NewPCG(11, 6))
	everywhere, anywhere, beyond := 0, 0, 0
	o := CurveOptions{Options: Options{Margin: 0.4, UnequalSpread: true}, Draws: 99}
	for _, shifted := range []int{1, 31} {
		for range runs {
			s, err := Curves(two(rng, 0.4, shifted), o)
			if err != nil {
				t.Fatal(err)
			}
			p := s.Pairs[0]
			if shifted == 1 && p.Everywhere {
				everywhere++
			}
			if shifted == 31 && count(p.Equivalent) > 0 {
				anywhere++
			}
			if shifted == 31 && count(p.Beyond) > 0 {
				beyond++
			}
		}
	}
	t.Logf("of %d: everywhere %d, in any band %d, beyond in any band %d", runs, everywhere, anywhere, beyond)
	// The rate is 0.05 and below: 500 runs stay under 40 by three standard errors.
	if everywhere > 40 || anywhere > 40 || beyond > 40 {
		t.Errorf("of %d: everywhere %d, in any band %d, beyond in any band %d", runs, everywhere, anywhere, beyond)
	}
	if everywhere < 2 || anywhere < 5 {
		t.Errorf("so few that the test of the margin cannot fail: %d, %d", everywhere, anywhere)
	}
}

// A batch far off is said to lie beyond the margin, and what is open says how many
// units would settle it.
func TestBeyondAndSettle(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 7))
	b := two(rng, 2, 3)
	s, err := Curves(b, CurveOptions{Options: Options{Margin: 0.3, UnequalSpread: true}, Draws: 99})
	if err != nil {
		t.Fatal(err)
	}
	p := s.Pairs[0]
	for i, f := range p.Beyond {
		if f != (i < 3) || f && p.Equivalent[i] {
			t.Errorf("band %d: beyond %v, equivalent %v", i+1, f, p.Equivalent[i])
		}
	}
	text := strings.Join(s.Conclusion, "\n")
	if !strings.Contains(text, "b and a differ by more than the margin of 0.3 in band 1 to band 3.") {
		t.Error(text)
	}
	if p.Open == 0 || p.Settle <= 25 || !strings.Contains(text, "units of each of b and a would settle it") {
		t.Errorf("%d open, settle %d\n%s", p.Open, p.Settle, text)
	}
	// The number said does settle all open bands about four times in five: batches
	// whose differences are the ones estimated.
	n, settled := p.Settle, 0
	const runs = 200
	for range runs {
		ok := true
		for i, r := range s.Bands {
			if p.Beyond[i] || r.Pairs[0].Equivalent {
				continue
			}
			x, y := r.Groups[1], r.Groups[0]
			for _, g := range []*Summary{&x, &y} {
				var values []float64
				for range n {
					values = append(values, g.Mean+g.SD*rng.NormFloat64())
				}
				d, err := arrange([]Group{{"v", values}, {"w", values}})
				if err != nil {
					t.Fatal(err)
				}
				*g = d.rescaled(d.summary(0))
			}
			e, err := Equivalent(x, y, 0.3, 0.05)
			ok = ok && err == nil && (e.Equivalent || e.Low > 0.3 || e.High < -0.3)
		}
		if ok {
			settled++
		}
	}
	t.Logf("%d open bands, %d units: settled in %d of %d", p.Open, n, settled, runs)
	if settled < 150 {
		t.Errorf("%d units settled all in %d of %d", n, settled, runs)
	}
}
