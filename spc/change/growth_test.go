package change_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"alike/spc/change"
)

// Least squares over all beginnings and lengths by numpy.linalg.lstsq: testdata/growth.py.
func TestGrowthBesideNumpy(t *testing.T) {
	data, err := os.ReadFile("testdata/growth.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Values                     []float64
		Index, Lasts               int
		Before, Jump, Slope, Sigma float64
	}
	if err := json.Unmarshal(data, &cases); err != nil || len(cases) != 12 {
		t.Fatal(len(cases), err)
	}
	for i, c := range cases {
		g, err := change.FindGrowth(c.Values, change.Options{Draws: 19, Confidence: 0.9})
		if err != nil {
			t.Fatal(i, err)
		}
		if g.Index != c.Index || g.Lasts != c.Lasts {
			t.Errorf("%d: from %d over %d, want %d over %d", i, g.Index, g.Lasts, c.Index, c.Lasts)
		}
		for name, pair := range map[string][2]float64{"before": {g.Before, c.Before}, "jump": {g.Jump, c.Jump}, "slope": {g.Slope, c.Slope}, "sigma": {g.Sigma, c.Sigma}} {
			if math.Abs(pair[0]-pair[1]) > 1e-9*(1+math.Abs(pair[1])) {
				t.Errorf("%d: %s %v, want %v", i, name, pair[0], pair[1])
			}
		}
	}
}

// The set holds the true beginning as often as it says, for steps, drifts and what is
// both, and its p-value keeps its level when there is but a step. 0.95 over 150 streams
// has a standard error of 0.018; the lengths that are searched are not the true ones.
func TestGrowthKeepsItsLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const runs, n = 150, 44
	for _, tt := range []struct {
		name        string
		jump, slope float64
		lasts       int
	}{
		{"step", 1.5, 0, 0}, {"drift", 0, 0.1, 60}, {"both", 0.8, 0.06, 20}, {"both, soon at its end", 0.6, 0.2, 7},
	} {
		in, false5, size := 0, 0, 0
		for range runs {
			at := 18 + rng.IntN(10)
			y := make([]float64, n)
			for i := range y {
				y[i] = 7 + rng.NormFloat64()
				if i >= at {
					y[i] += tt.jump + tt.slope*float64(min(i-at, tt.lasts))
				}
			}
			g, err := change.FindGrowth(y, change.Options{Draws: 99, Seed: rng.Uint64()})
			if err != nil {
				t.Fatal(err)
			}
			if slices.Contains(g.Set, at+1) {
				in++
			}
			if g.P <= 0.05 {
				false5++
			}
			size += len(g.Set)
		}
		t.Logf("%s: in its set %.3f, size %.1f, beyond a step %.3f", tt.name, float64(in)/runs, float64(size)/runs, float64(false5)/runs)
		if share := float64(in) / runs; share < 0.9 {
			t.Errorf("%s: the set holds the beginning in %v", tt.name, share)
		}
		if share := float64(false5) / runs; tt.slope == 0 && share > 0.11 {
			t.Errorf("a step is called a growth in %v", share)
		}
	}
}

func TestGrowthRefuses(t *testing.T) {
	one := 1.0
	for _, o := range []change.Options{{Before: &one}, {Sigma: &one}, {Confidence: 2}} {
		if _, err := change.FindGrowth([]float64{1, 2, 3, 4, 5, 9}, o); err == nil {
			t.Errorf("%+v is not refused", o)
		}
	}
	for _, xs := range [][]float64{{1, 2, 3, 4, 5}, {1, 1, 1, 1, 1, 1}, {1, 2, math.NaN(), 3, 4, 5}} {
		if _, err := change.FindGrowth(xs, change.Options{}); err == nil {
			t.Errorf("%v is not refused", xs)
		}
	}
	g, err := change.FindGrowth([]float64{0, 0, 0, 0, 0, 1, 1, 1, 1, 1}, change.Options{})
	if err != nil || g.Index != 6 || g.Sigma != 0 || !slices.Equal(g.Set, []int{6}) {
		t.Errorf("%+v (%v)", g, err)
	}
}
