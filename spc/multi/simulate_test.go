package multi

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Both limits of a shrunk model follow its Middle.
func TestLimitsFollowTheMiddle(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	rows := make([][]float64, 8)
	for i := range rows {
		rows[i] = make([]float64, 10)
		for j := range rows[i] {
			rows[i][j] = rng.NormFloat64()
		}
	}
	m, err := Fit(rows, Shrunk)
	if err != nil {
		t.Fatal(err)
	}
	f := m.Frozen()
	f.Middle *= 2
	double, err := NewModel(f)
	if err != nil {
		t.Fatal(err)
	}
	first, second, err := simulated(m, 0.05, Simulation{Baselines: 20})
	if err != nil {
		t.Fatal(err)
	}
	first2, second2, err := simulated(double, 0.05, Simulation{Baselines: 20})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range [][2]float64{{first.upper, first2.upper}, {first.median, first2.median}, {second.upper, second2.upper}, {second.se, second2.se}} {
		if math.Abs(v[1]/v[0]-2) > 1e-6 {
			t.Errorf("%d: %v, with twice the middle %v", i, v[0], v[1])
		}
	}
}
