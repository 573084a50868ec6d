package tolerance

import (
	"math"
	"testing"

	"alike/spc/dist"
)

// WILKS-1: smallest n for one and two sides (Wilks 1941, from memory; the last row
// of the core list), the confidence by the closed forms 1-pⁿ and
// 1-pⁿ-n(1-p)p^(n-1).
func TestWilks(t *testing.T) {
	for _, tt := range []struct {
		p, g     float64
		one, two int
	}{{.90, .95, 29, 46}, {.95, .95, 59, 93}, {.99, .95, 299, 473}, {.90, .90, 22, 38}, {.90, .99, 44, 64}} {
		for sides, want := range map[int]int{1: tt.one, 2: tt.two} {
			r := factor(t, 0, tt.p, tt.g, sides, Order)
			n := float64(want)
			conf := 1 - math.Pow(tt.p, n)
			if sides == 2 {
				conf -= n * (1 - tt.p) * math.Pow(tt.p, n-1)
			}
			if r.N != want || r.Needed != want || math.Abs(r.ConfidenceAchieved-conf) > 1e-12 || r.ConfidenceAchieved < tt.g || len(r.Warnings) != 0 {
				t.Errorf("%v/%v, %d sides: %+v, want n %d with %v", tt.p, tt.g, sides, r, want, conf)
			}
			// one unit fewer does not do, and says so
			if r = factor(t, want-1, tt.p, tt.g, sides, Order); r.ConfidenceAchieved >= tt.g || len(r.Warnings) != 1 || r.Needed != want {
				t.Errorf("one unit fewer: %+v", r)
			}
		}
	}
}

// WILKS-2: with more units than are needed the extremes hold 95 % with more than the
// confidence asked for: printed to five digits for 200 units and two sides, and for
// 100 and one side (core list; 1-pⁿ-n(1-p)p^(n-1) and 1-pⁿ). The inner ranks that
// suffice keep theirs.
func TestExtremes(t *testing.T) {
	for _, tt := range []struct {
		n, sides int
		want     float64
	}{{200, 2, .99960}, {100, 1, .99408}} {
		r := factor(t, tt.n, .95, .95, tt.sides, Order)
		if math.Abs(r.Extremes-tt.want) > 0.5e-5 || !(r.ConfidenceAchieved >= .95 && r.ConfidenceAchieved < r.Extremes) {
			t.Errorf("%d units, %d sides: %+v, want %v at the extremes", tt.n, tt.sides, r, tt.want)
		}
	}
}

// The ranks are the tightest that keep the confidence, checked against the beta
// distribution of the coverage of an interval of ranks.
func TestRanksAreTightest(t *testing.T) {
	for _, n := range []int{2, 30, 59, 60, 93, 181, 300, 1000} {
		for sides := 1; sides <= 2; sides++ {
			r := factor(t, n, .95, .9, sides, Order)
			cut := r.FromBelow + r.FromAbove
			if sides == 1 {
				cut = r.FromBelow
			}
			conf := func(cut int) float64 {
				if cut > n {
					return 0
				}
				return dist.Beta{A: float64(n - cut + 1), B: float64(cut)}.Survival(.95)
			}
			if math.Abs(conf(cut)-r.ConfidenceAchieved) > 1e-12 {
				t.Errorf("n %d, %d sides: %+v, by the beta distribution %v", n, sides, r, conf(cut))
			}
			if r.ConfidenceAchieved >= .9 && conf(cut+1) >= .9 {
				t.Errorf("n %d, %d sides: cutting %d instead of %d would do", n, sides, cut+1, cut)
			}
			if r.ConfidenceAchieved < .9 && cut != sides {
				t.Errorf("n %d, %d sides: not the extremes: %+v", n, sides, r)
			}
		}
	}
}
