package multi_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"alike/spc/multi"
)

// numpy: testdata/together.py.
func TestTogetherBesideNumpy(t *testing.T) {
	data, err := os.ReadFile("testdata/together.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Lambda, Shrinkage float64
		Baseline, Units   [][]float64
		Values            []float64
	}
	if err := json.Unmarshal(data, &cases); err != nil || len(cases) != 3 {
		t.Fatal(len(cases), err)
	}
	for i, c := range cases {
		g, err := multi.FitTogether(c.Baseline, c.Lambda)
		if err != nil || g.Check() != nil {
			t.Fatal(i, err, g.Check())
		}
		compare(t, []check{{"shrinkage", g.Shrinkage, c.Shrinkage, 1e-9}})
		r := g.NewReader()
		for k, u := range c.Units {
			compare(t, []check{{"value", r.Push(u), c.Values[k], 1e-9}})
		}
		r.Reset()
		compare(t, []check{{"value after a new start", r.Push(c.Units[0]), c.Values[0], 1e-9}})
	}
}

// One unit, however bad, makes no more of the chart than a usual one; ten units that lean
// a little the same way do. The averages name the streams that lead.
func TestTogetherSeesDriftAndNoSingleUnit(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	const n, p = 40, 60
	unit := func() []float64 {
		out := make([]float64, p)
		for j := range out {
			out[j] = rng.NormFloat64()
		}
		return out
	}
	var base [][]float64
	for range n {
		base = append(base, unit())
	}
	g, err := multi.FitTogether(base, 0.2)
	if err != nil {
		t.Fatal(err)
	}
	most := func(r *multi.TogetherReader, units int, change func([]float64)) (out float64) {
		for range units {
			u := unit()
			change(u)
			out = math.Max(out, r.Push(u))
		}
		return out
	}
	r := g.NewReader()
	calm := most(r, 500, func([]float64) {})
	if calm > 2 {
		t.Errorf("%v while nothing moves", calm)
	}
	if v := most(r, 1, func(u []float64) {
		for j := range u {
			u[j] *= 100
		}
	}); v > calm {
		t.Errorf("one wild unit gives %v, the calm has %v", v, calm)
	}
	most(r, 30, func([]float64) {})
	drift := most(r, 15, func(u []float64) {
		for j := range 10 {
			u[j] += 1.5
		}
	})
	if drift < 1.3*calm {
		t.Errorf("a drift gives %v, the calm has %v", drift, calm)
	}
	lead, other := 0.0, 0.0
	for j, v := range r.Averages() {
		if j < 10 {
			lead += v / 10
		} else {
			other += math.Abs(v) / (p - 10)
		}
	}
	if lead < 3 || other > 1.5 {
		t.Errorf("leading streams %v, others %v", lead, other)
	}
}

func TestTogetherRefuses(t *testing.T) {
	rows := [][]float64{{1, 2}, {2, 1}, {0, 3}, {1, 1}}
	for name, err := range map[string]error{
		"lambda": second(multi.FitTogether(rows, 1)), "few": second(multi.FitTogether(rows[:3], 0.2)),
		"nan": second(multi.FitTogether([][]float64{{1}, {2}, {math.NaN()}, {3}}, 0.2)), "parts": (&multi.Together{Lambda: 0.2, Streams: 2, Whiten: []float64{1}}).Check(),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	g, err := multi.FitTogether([][]float64{{1, 1}, {2, 2}, {3, 3}, {5, 5}}, 0.2) // one direction only
	if err != nil || g.Shrinkage < 0.01 {
		t.Errorf("%+v (%v)", g, err)
	}
	if v := g.NewReader().Push([]float64{math.NaN(), 0}); v != 0 {
		t.Errorf("a missing value counts as %v", v)
	}
	if m := multi.TogetherMemory(0.2); math.Pow(0.8, float64(m)) > 1./20000 || math.Pow(0.8, float64(m-1)) < 1./25000 {
		t.Errorf("it remembers %d units", m)
	}
}

func second(_ *multi.Together, err error) error { return err }
