package curve

import (
	"fmt"
	"math"

	"alike/spc/band"
)

// Bounds checks a curve that came by another way than a file against the bounds that
// files are held to. The error is a *FieldError.
func Bounds(c band.Curve) error {
	for i, hz := range c.Hz {
		if !(hz > 0 && hz <= mostHz) {
			return &FieldError{"frequencies", fmt.Sprintf("point %d, %v Hz, is no frequency of a response", i+1, hz), "give frequencies above 0 Hz up to 1 MHz"}
		}
	}
	for i, db := range c.DB {
		if !(math.Abs(db) <= mostDB) {
			return &FieldError{"levels", fmt.Sprintf("point %d, %v dB, is beyond %d dB", i+1, db, mostDB), "check the unit"}
		}
	}
	for i, deg := range c.Phase {
		if !(math.Abs(deg) <= mostPhase) {
			return &FieldError{"phases", fmt.Sprintf("point %d, %v degrees, is beyond 1e9 degrees", i+1, deg), "check the unit"}
		}
	}
	return nil
}
