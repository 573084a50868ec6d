package chart_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// NIST/SEMATECH e-Handbook 1.3.5.17.3 (Rosner's data; from memory, recomputed with
// numpy and scipy): ten steps at 0.05 print distances 3.118, 2.942, 3.179 against
// 3.158, 3.151, 3.143: only the third exceeds, so three values are outliers. Screen
// halves the loss by 2.2 to get its step chance: 0.11 asks for 0.05.
func TestRosnersOutliers(t *testing.T) {
	base := column(table(t, "rosner.csv"), 0)
	kept, left, err := chart.Screen(base, 0.11)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct{ value, distance, critical float64 }{{6.01, 3.119, 3.159}, {5.42, 2.943, 3.151}, {5.34, 3.179, 3.144}}
	if len(left) != 3 || len(kept) != 51 {
		t.Fatalf("left out %v of %d, want three", left, len(base))
	}
	for i, w := range want {
		l := left[i]
		if l.Value != w.value || base[l.Index] != w.value || math.Abs(l.Distance-w.distance) > 0.0005 || math.Abs(l.Critical-w.critical) > 0.0005 {
			t.Errorf("outlier %d: %+v, want %+v", i+1, l, w)
		}
	}
	for _, i := range kept {
		if base[i] > 5 {
			t.Errorf("kept %v", base[i])
		}
	}
}

// A baseline without outliers loses on average no more than stated, at every size;
// and not so little that the screen is idle.
func TestScreenKeepsAGoodBaseline(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 15))
	for _, n := range []int{5, 9, 10, 15, 25, 60} {
		for _, loss := range []float64{0.1, 0.5} {
			const runs = 6000
			sum, sq := 0.0, 0.0
			xs := make([]float64, n)
			for range runs {
				for i := range xs {
					xs[i] = rng.NormFloat64()
				}
				_, left, err := chart.Screen(xs, loss)
				if err != nil {
					t.Fatal(err)
				}
				k := float64(len(left))
				sum, sq = sum+k, sq+k*k
			}
			mean := sum / runs
			se := math.Sqrt((sq/runs - mean*mean) / runs)
			if mean > loss+3*se || mean < loss/3 {
				t.Errorf("n=%d: loses %.4f (se %.4f) per baseline, stated at most %v", n, mean, se, loss)
			}
		}
	}
}

// One unit six sigmas off among 25 is found, and it alone. Over many baselines the
// screen finds it in 98 of 100 (the odd one lies nearer by chance).
func TestScreenFindsAnOutlier(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	const runs = 3000
	found := 0
	for range runs {
		xs := make([]float64, 25)
		for i := range xs {
			xs[i] = 90 + 0.4*rng.NormFloat64()
		}
		xs[11] += 6 * 0.4
		_, left, err := chart.Screen(xs, 0)
		if err != nil {
			t.Fatal(err)
		}
		if slices.ContainsFunc(left, func(l chart.LeftOut) bool { return l.Index == 11 }) {
			found++
		}
	}
	if share := float64(found) / runs; share < 0.97 {
		t.Errorf("found in %.4f of the baselines", share)
	}
}

// Two outliers side by side widen the spread so that neither stands out alone.
func TestScreenIsNotMasked(t *testing.T) {
	xs := []float64{0.1, -0.4, 0.3, 0.6, -0.2, 0.5, -0.7, 0.2, -0.1, 0.4, -0.5, 0.3, 8, 8.2, -0.3}
	kept, left, err := chart.Screen(xs, 0)
	if err != nil {
		t.Fatal(err)
	}
	if len(left) != 2 || left[0].Index != 13 || left[1].Index != 12 || len(kept) != 13 {
		t.Errorf("left out %+v, want values 13 and 12", left)
	}
	if left[0].Distance > left[0].Critical {
		t.Errorf("the first alone exceeds (%v > %v): this shows nothing of masking", left[0].Distance, left[0].Critical)
	}
}

// Kept and left out together are the baseline; shift, scale and mirror change
// neither.
func TestScreenLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-3, 3), 5, 40).Draw(t, "values")
		xs[0] *= rapid.Float64Range(1, 20).Draw(t, "far")
		kept, left, err := chart.Screen(xs, 0.5)
		if err != nil {
			return
		}
		all := slices.Clone(kept)
		for _, l := range left {
			all = append(all, l.Index)
		}
		slices.Sort(all)
		for i := range xs {
			if len(all) != len(xs) || all[i] != i {
				t.Fatalf("kept %v, left out %v", kept, left)
			}
		}
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = 300 - 4*x
		}
		moved, _, err := chart.Screen(ys, 0.5)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(kept, moved) {
			for _, l := range left {
				if math.Abs(l.Distance-l.Critical) < 1e-6 {
					return
				}
			}
			t.Fatalf("kept %v, moved %v", kept, moved)
		}
	})
}

func TestScreenRefuses(t *testing.T) {
	good := []float64{1, 2, 3, 4, 5, 6}
	for name, tt := range map[string]struct {
		xs   []float64
		loss float64
	}{
		"none": {nil, 0}, "one": {good[:1], 0}, "four": {good[:4], 0}, "nan": {append(slices.Clone(good), math.NaN()), 0},
		"huge": {append(slices.Clone(good), 1e300), 0}, "loss": {good, -1}, "loss nan": {good, math.NaN()}, "loss large": {good, 1.5},
	} {
		if _, _, err := chart.Screen(tt.xs, tt.loss); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
	if _, _, err := chart.Screen([]float64{7, 7, 7, 7, 7}, 0); !errors.Is(err, chart.ErrNoSpread) {
		t.Errorf("got %v, want ErrNoSpread", err)
	}
	// Equal but for one: the rest has no spread to judge by, and no value is NaN.
	if _, left, err := chart.Screen([]float64{7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 8}, 0); err != nil || len(left) != 1 || left[0].Index != 11 {
		t.Errorf("left out %v, %v; want the last", left, err)
	}
}
