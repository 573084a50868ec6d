package change

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// drifting returns n normal values that drift after k by slope from value to value.
func drifting(rng *rand.Rand, n, k int, slope float64) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = rng.NormFloat64() + slope*math.Max(0, float64(i+1-k))
	}
	return xs
}

// The set holds the true beginning as often as it says, at flat and steep drifts, in all
// four cases of what is known. 100 streams each; 0.95 has a standard error of 0.022, over
// one case's 18 groups 0.005.
func TestOnsetCoverage(t *testing.T) {
	zero, one := 0.0, 1.0
	for name, o := range map[string]Options{
		"nothing known": {}, "sigma known": {Sigma: &one},
		"level known": {Before: &zero}, "both known": {Before: &zero, Sigma: &one},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all, groups := 0, 0
			for _, slope := range []float64{0.05, 0.2, 1} {
				for _, n := range []int{20, 40} {
					for _, k := range []int{3, n / 2, n - 5} {
						rng := rand.New(rand.NewPCG(uint64(n*1000+k), uint64(slope*100)))
						o.Draws = 99
						in := 0
						for range 100 {
							o.Seed = rng.Uint64()
							d, err := FindDrift(drifting(rng, n, k, slope), o)
							if err != nil {
								t.Fatal(err)
							}
							if slices.Contains(d.Set, k+1) {
								in++
							}
						}
						all += in
						groups++
						if in < 86 { // by chance in one of two thousand groups
							t.Errorf("slope %v after %d of %d: held %d of 100", slope, k, n, in)
						}
					}
				}
			}
			share := float64(all) / 100 / float64(groups)
			t.Logf("holds the truth in %.4f", share)
			if share < 0.934 || share > 0.98 {
				t.Errorf("holds the truth in %.4f", share)
			}
		})
	}
}

// Without noise to speak of the set is the beginning alone and the fit is what was made.
func TestOnsetOfAClearDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	xs := drifting(rng, 40, 25, 20)
	d, err := FindDrift(xs, Options{})
	if err != nil || d.Index != 26 || !slices.Equal(d.Set, []int{26}) || math.Abs(d.Slope-20) > 0.2 || math.Abs(d.Before) > 1 || math.Abs(d.After-300) > 2 {
		t.Errorf("%+v (%v)", d, err)
	}
	c, err := Shape(xs, Options{})
	if err != nil || c.Shape != "drift" || c.Drift != d.Drift {
		t.Errorf("%+v, want %+v (%v)", c.Drift, d.Drift, err)
	}
	// Shift, scale and sign of the data change what has their unit and nothing else.
	for _, f := range []func(float64) float64{
		func(x float64) float64 { return x + 1000 }, func(x float64) float64 { return -8 * x },
	} {
		var ys []float64
		for _, x := range xs {
			ys = append(ys, f(x))
		}
		e, err := FindDrift(ys, Options{})
		if err != nil || fmt.Sprint(e.Set) != fmt.Sprint(d.Set) || math.Abs(e.After-f(d.After)) > 1e-6 {
			t.Errorf("%+v (%v)", e, err)
		}
	}
	if _, err := FindDrift(xs[:3], Options{}); err == nil {
		t.Error("three values tell nothing")
	}
	short, err := FindDrift(drifting(rng, 20, 17, 9), Options{})
	if err != nil || len(short.Warnings) != 1 {
		t.Errorf("%+v (%v)", short, err)
	}
}
