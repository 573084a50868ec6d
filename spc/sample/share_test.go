package sample_test

import (
	"math"
	"testing"

	"alike/spc/sample"
)

// From scipy 1.10: binomtest(good, of).proportion_ci(confidence, 'exact').
func TestShare(t *testing.T) {
	for _, tt := range []struct {
		good, of              int
		confidence, low, high float64
	}{
		{0, 10, 0.95, 0, 0.308497108},
		{10, 10, 0.95, 0.691502892, 1},
		{1, 40, 0.95, 0.000632745, 0.131585858},
		{36, 40, 0.95, 0.763362600, 0.972074585},
		{39, 40, 0.9, 0.886811639, 0.998718489},
		{150, 300, 0.99, 0.424472436, 0.575527564},
		{1, 1, 0.95, 0.025, 1},
	} {
		share, low, high, err := sample.Share(tt.good, tt.of, tt.confidence)
		if err != nil {
			t.Fatal(err)
		}
		if share != float64(tt.good)/float64(tt.of) || math.Abs(low-tt.low) > 1e-9 || math.Abs(high-tt.high) > 1e-9 {
			t.Errorf("%d of %d: %v [%.9f, %.9f], want [%.9f, %.9f]", tt.good, tt.of, share, low, high, tt.low, tt.high)
		}
	}
	for _, bad := range [][2]int{{-1, 5}, {6, 5}, {0, 0}} {
		if _, _, _, err := sample.Share(bad[0], bad[1], 0.95); err == nil {
			t.Errorf("%v accepted", bad)
		}
	}
	for _, c := range []float64{0, 1, math.NaN()} {
		if _, _, _, err := sample.Share(1, 2, c); err == nil {
			t.Errorf("confidence %v accepted", c)
		}
	}
}
