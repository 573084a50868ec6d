package curve

import (
	"errors"
	"math"
	"testing"

	"alike/spc/band"
)

// Both sides of each bound that the package comment states.
func TestBounds(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		hz, db, deg float64
		field       string
	}{
		{1e6, 300, 1e9, ""},
		{math.Nextafter(1e6, 2e6), 0, 0, "frequencies"},
		{0, 0, 0, "frequencies"},
		{math.NaN(), 0, 0, "frequencies"},
		{1, math.Nextafter(-300, -400), 0, "levels"},
		{1, math.Inf(1), 0, "levels"},
		{1, 0, math.Nextafter(1e9, 2e9), "phases"},
		{math.SmallestNonzeroFloat64, -300, -1e9, ""},
	} {
		err := Bounds(band.Curve{Hz: []float64{tt.hz}, DB: []float64{tt.db}, Phase: []float64{tt.deg}})
		var f *FieldError
		if errors.As(err, &f) != (tt.field != "") || f != nil && f.Field != tt.field {
			t.Errorf("%+v: %v", tt, err)
		}
	}
}
