package change

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// stream returns n normal values with a step of the given size after k.
func stream(rng *rand.Rand, n, k int, size float64) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = rng.NormFloat64()
		if i >= k {
			xs[i] += size
		}
	}
	return xs
}

// The set holds the true split as often as it says, whatever the size of the step,
// the length and the place, in all four cases of what is known. 200 streams each;
// 0.95 has a standard error of 0.0154, over one case's 36 groups 0.0026.
func TestCoverage(t *testing.T) {
	zero, one := 0.0, 1.0
	for name, o := range map[string]Options{
		"nothing known": {}, "sigma known": {Sigma: &one},
		"level known": {Before: &zero}, "both known": {Before: &zero, Sigma: &one},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all, groups := 0, 0
			for _, size := range []float64{0.5, 1, 2, 3} {
				for _, n := range []int{20, 50, 200} {
					for _, k := range []int{3, n / 2, n - 4} {
						in := covered(t, o, n, k, size)
						all += in
						groups++
						if in < 179 { // by chance in one of a thousand groups
							t.Errorf("step %v after %d of %d: held %d of 200", size, k, n, in)
						}
					}
				}
			}
			share := float64(all) / 200 / float64(groups)
			t.Logf("holds the truth in %.4f", share)
			if share < 0.942 || share > 0.975 {
				t.Errorf("holds the truth in %.4f", share)
			}
		})
	}
}

func covered(t *testing.T, o Options, n, k int, size float64) int {
	rng := rand.New(rand.NewPCG(uint64(n*1000+k), uint64(size*10)))
	o.Draws = 99 // as exact as more: 0.05·100 is whole
	in := 0
	for range 200 {
		o.Seed = rng.Uint64()
		f, err := newFinder(stream(rng, n, k, size), o)
		if err != nil {
			t.Fatal(err)
		}
		if f.allows(k) {
			in++
		}
	}
	return in
}

// Without a change the p-value is at most 0.05 in one stream out of twenty, and at
// most 0.005 (where the bound takes over) in one of two hundred.
func TestFalseAlarms(t *testing.T) {
	zero, one := 0.0, 1.0
	for i, o := range []Options{{}, {Sigma: &one}, {Before: &zero}, {Before: &zero, Sigma: &one}} {
		rng := rand.New(rand.NewPCG(uint64(i), 5))
		const runs = 3000
		low, lower := 0, 0
		for range runs {
			o.Seed, o.Draws = rng.Uint64(), 199
			f, err := newFinder(stream(rng, 25, 25, 0), o)
			if err != nil {
				t.Fatal(err)
			}
			p := f.p()
			if p <= 0.05 {
				low++
			}
			if p <= 0.005 {
				lower++
			}
		}
		t.Logf("case %d: %d at 0.05, %d at 0.005 of %d", i, low, lower, runs)
		if low < 110 || low > 195 || lower > 28 {
			t.Errorf("case %d: %d of %d at 0.05, %d at 0.005", i, low, runs, lower)
		}
	}
}

// A large step has a p-value far below what draws can show.
func TestTinyP(t *testing.T) {
	s, err := Find(stream(rand.New(rand.NewPCG(2, 2)), 60, 30, 4), Options{})
	if err != nil || !(s.P > 0 && s.P < 1e-10) || s.Index != 31 {
		t.Errorf("%+v, %v", s, err)
	}
}

// A drift that begins at the last value would be a step of one value.
func TestDriftHasTwoValues(t *testing.T) {
	c, err := Shape([]float64{0.1, -0.2, 0.15, 0, -0.1, 0.05, -0.15, 0.1, 9}, Options{})
	if err != nil || c.Step.Index != 9 || c.Drift.Index > 8 {
		t.Errorf("step from %d, drift from %d, %v", c.Step.Index, c.Drift.Index, err)
	}
}

// A set that always held everything would pass the coverage test: its size must
// shrink with the step. Half of 50 values after the change, sigma not known.
func TestSetIsNarrowForLargeSteps(t *testing.T) {
	for _, tt := range []struct{ size, most float64 }{{0.5, 46}, {1, 30}, {2, 6.5}, {3, 3}} {
		rng := rand.New(rand.NewPCG(9, 9))
		sum := 0
		for range 40 {
			s, err := Find(stream(rng, 50, 25, tt.size), Options{})
			if err != nil {
				t.Fatal(err)
			}
			sum += len(s.Set)
		}
		t.Logf("step %v: mean size %.1f", tt.size, float64(sum)/40)
		if float64(sum)/40 > tt.most {
			t.Errorf("step %v: mean size %.1f, want at most %v", tt.size, float64(sum)/40, tt.most)
		}
	}
}

// How often the wrong shape is named (at most 5 % asked for), and how often the
// right one: true steps and true drifts of one final size, 40 values, from value 21.
func TestShapeRule(t *testing.T) {
	for _, tt := range []struct{ size, step, drift float64 }{{1, 0.08, 0.02}, {2, 0.5, 0.2}, {4, 0.9, 0.7}} {
		for _, want := range []string{"step", "drift"} {
			rng := rand.New(rand.NewPCG(3, uint64(tt.size)))
			const runs = 250
			count := map[string]int{}
			for range runs {
				xs := stream(rng, 40, 20, 0)
				for i := 20; i < 40; i++ {
					if want == "step" {
						xs[i] += tt.size
					} else {
						xs[i] += tt.size * float64(i-19) / 20
					}
				}
				c, err := Shape(xs, Options{Draws: 99, Seed: rng.Uint64()})
				if err != nil {
					t.Fatal(err)
				}
				count[c.Shape]++
			}
			wrong := float64(count["step"]+count["drift"]-count[want]) / runs
			named := float64(count[want]) / runs
			t.Logf("%s of %v: named %.2f, wrong %.2f, %v", want, tt.size, named, wrong, count)
			least := tt.step
			if want == "drift" {
				least = tt.drift
			}
			if wrong > 0.08 || named < least {
				t.Errorf("%s of %v: named %.2f, wrong %.2f", want, tt.size, named, wrong)
			}
		}
	}
}

func BenchmarkFind(b *testing.B) {
	for _, n := range []int{50, 200, 1000} {
		for _, size := range []float64{0, 2} {
			b.Run(fmt.Sprintf("n=%d/step=%v", n, size), func(b *testing.B) {
				xs := stream(rand.New(rand.NewPCG(1, 1)), n, n/2, size)
				for b.Loop() {
					if _, err := Find(xs, Options{}); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkFindJoint(b *testing.B) {
	for _, size := range []float64{0, 1} {
		b.Run(fmt.Sprintf("200 rows, 62 bands, step=%v", size), func(b *testing.B) {
			rows := drawRows(rand.New(rand.NewPCG(1, 1)), 200, 62, 100, size, 0.6, math.Inf(1))
			for b.Loop() {
				if _, err := FindJoint(rows, JointOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
