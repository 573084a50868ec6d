package line

import (
	"math"
	"slices"
	"testing"

	"alike/internal/store"
)

// Source: scipy.stats.median_abs_deviation(x, scale="normal") and numpy.median (scipy
// 1.10), which hold the factor to more digits than the 1.4826 used here.
func TestRobustAgainstScipy(t *testing.T) {
	for _, tt := range []struct {
		xs            []float64
		center, sigma float64
	}{
		{[]float64{0.31, -0.2, 0.55, 0.1, 1.9, -0.4, 0.05, 0.22, 0.18}, 0.18, 0.1927382884},
		{[]float64{2, 4, 4, 5, 7, 9, 12, 13}, 6, 3.7065055463},
	} {
		c, s := robust(slices.Clone(tt.xs))
		if math.Abs(c-tt.center) > 1e-12 || math.Abs(s/tt.sigma-1) > 1e-4 {
			t.Errorf("%v: %v ± %v, want %v ± %v", tt.xs, c, s, tt.center, tt.sigma)
		}
	}
	for _, xs := range [][]float64{{1, 2, 3, 4, 5, 6, 7}, {1, 1, 1, 1, 1, 1, 1, 1, 2}} {
		if _, s := robust(xs); !math.IsNaN(s) {
			t.Errorf("%v has the spread %v", xs, s)
		}
	}
}

func TestTenths(t *testing.T) {
	for z, want := range map[float64]int8{0: 0, 0.04: 0, 0.06: 1, -0.06: -1, 12.7: 127, 99: 127, -99: -127, math.Inf(-1): -127} {
		if got := tenths(z); got != want {
			t.Errorf("%v packs to %d, want %d", z, got, want)
		}
	}
	if tenths(math.NaN()) != NoScore {
		t.Error("a missing value has a score")
	}
}

func TestPartChanges(t *testing.T) {
	var units []DriftUnit
	for _, s := range []string{"U1", "U2", "U4", "U3", "U10", "U11", "V1"} { // U4 was measured before U3
		units = append(units, DriftUnit{Serial: s})
	}
	use := func(kind, channel, batch, first, last string) store.PartUse {
		return store.PartUse{Kind: kind, Channel: channel, Batch: batch, FirstSerial: first, LastSerial: last}
	}
	got := partChanges(units, []store.PartUse{
		use("foam", "", "F1", "U1", "U3"), use("foam", "", "F2", "U4", "U9"), use("foam", "", "F2", "U10", "U10"),
		use("foam", "", "F3", "U11", "U19"), use("driver", "left", "D1", "U2", "U3"), use("driver", "left", "D2", "U3", "U3"),
	})
	want := []PartChange{
		{2, "foam", "", "F2", "F1"}, {3, "foam", "", "F1", "F2"}, {3, "driver", "left", "D1 or D2", "D1"},
		{4, "foam", "", "F2", "F1"}, {5, "foam", "", "F3", "F2"},
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}
