package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// By hand from the table of the four groups: mean squares 12.94017 (F·1.33075) and
// 1.33075, five values each: (12.94017-1.33075)/5 = 2.32188.
func TestBetweenVariance(t *testing.T) {
	r := oneWay(t, groupsOf(t, table(t, "groups4.csv")[1:]), Options{})
	want := (9.723840*1.33075 - 1.33075) / 5
	near(t, "between", r.Anova.BetweenVariance, want, 1e-5)
	near(t, "share", r.Anova.Share, want/(want+1.33075), 1e-6)
	// Unequal sizes 2, 3, 4: n₀ = (9-29/9)/2 = 26/9.
	u := oneWay(t, []Group{{"a", []float64{1, 2}}, {"b", []float64{4, 5, 7}}, {"c", []float64{0, 1, 2, 2}}}, Options{})
	near(t, "between, unequal sizes", u.Anova.BetweenVariance, (u.Anova.MeanBetween-u.Anova.MeanWithin)*9/26, 1e-12)
}

// The interval of the share holds it in 95 of 100: six batches of five, half of the
// variance between batches.
func TestShareCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	const runs = 2000
	in := 0
	for range runs {
		groups := make([]Group, 6)
		for i := range groups {
			groups[i].Name = string(rune('a' + i))
			batch := rng.NormFloat64()
			for range 5 {
				groups[i].Values = append(groups[i].Values, batch+rng.NormFloat64())
			}
		}
		d, err := arrange(groups)
		if err != nil {
			t.Fatal(err)
		}
		if a := d.anova(0.95); a.ShareLow <= 0.5 && 0.5 <= a.ShareHigh && a.ShareLow <= a.Share && a.Share <= a.ShareHigh {
			in++
		}
	}
	t.Logf("%d of %d", in, runs)
	if in < 1865 || in > 1930 {
		t.Errorf("the interval held the share in %d of %d", in, runs)
	}
}

// Two large groups that differ by a tenth, surely and harmlessly.
func TestRealButSmallDifference(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 2))
	groups := []Group{{Name: "old"}, {Name: "new"}}
	for range 400 {
		groups[0].Values = append(groups[0].Values, 0.2*rng.NormFloat64())
		groups[1].Values = append(groups[1].Values, 0.1+0.2*rng.NormFloat64())
	}
	r := oneWay(t, groups, Options{Margin: 0.5})
	p := r.Pairs[0]
	if !p.Equivalent || p.P > 0.001 || p.Settle != 0 || p.A != "new" || p.Difference <= 0 {
		t.Errorf("%+v", p)
	}
	if text := strings.Join(r.Conclusion, " "); !strings.Contains(text, "a real difference, too small to matter") {
		t.Error(text)
	}
	// Nearly alike, few values, margin met: equivalent, nothing left to settle.
	few := oneWay(t, []Group{{"a", []float64{1, 2, 3, 4}}, {"b", []float64{1.1, 2, 3, 4}}}, Options{Margin: 5})
	if p := few.Pairs[0]; !p.Equivalent || p.P < 0.5 || p.Settle != 0 {
		t.Errorf("%+v", p)
	}
}

// Bands judged for themselves: adjusted over the bands, and everywhere only when
// each band is.
func TestBatchPairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	a, b := draw(rng, "a", 15, 3, 90, 0.3), draw(rng, "b", 15, 3, 90, 0.3)
	for i := range b.Rows {
		b.Rows[i][0] += 0.6 // beyond the margin in the first band only
		b.Rows[i][1] *= 1 + 0.02*rng.NormFloat64()
	}
	s, err := Curves([]Batch{a, b}, CurveOptions{Options: Options{Margin: 0.5, UnequalSpread: true}, Draws: 99})
	if err != nil {
		t.Fatal(err)
	}
	p := s.Pairs[0]
	if p.Everywhere || p.Equivalent[0] || !p.Equivalent[2] {
		t.Errorf("%+v", p)
	}
	var raw, welch, spread []float64
	for _, r := range s.Bands {
		raw = append(raw, r.Pairs[0].EquivalenceP)
		welch = append(welch, r.Welch.P)
		spread = append(spread, r.BrownForsythe.P)
	}
	for i := range raw {
		near(t, "equivalence", p.P[i], Holm(raw)[i], 0)
		near(t, "means", s.MeanP[i], Holm(welch)[i], 0)
		near(t, "spread", s.SpreadP[i], Holm(spread)[i], 0)
	}
	if math.Abs(s.Bands[1].Welch.P-s.Bands[1].Anova.P) < 1e-6 {
		t.Error("Welch and the ordinary test cannot be told apart in this case")
	}
	text := strings.Join(s.Conclusion, "\n")
	if !strings.Contains(text, "in 1 of 3 bands; in 2 that is open") || !strings.Contains(text, "Spreads differ in band 2.") {
		t.Error(text)
	}
}
