// Package band turns a measured frequency response into fractional-octave band
// levels, and band levels into deviations from a target.
//
// A response is taken as straight between its points in dB over the logarithm of
// frequency. The level of a band is the mean power over log-frequency between
// the band's edges, integrated exactly, so it does not depend on where or how
// densely the samples fall. Bands follow IEC 61260-1:2014 (base ten).
package band

import (
	"fmt"
	"math"
)

// A Curve is a frequency response: levels in dB at frequencies in Hz. Phase, in
// degrees, is nil when it was not measured. All slices have the same length.
type Curve struct {
	Hz    []float64
	DB    []float64
	Phase []float64
}

// A PointError says which point of a Curve cannot be used.
type PointError struct {
	Index int // from 0, or -1 for the curve as a whole
	Field string
	Why   string
}

func (e *PointError) Error() string {
	if e.Index < 0 {
		return e.Why
	}
	return fmt.Sprintf("point %d: %s %s", e.Index+1, e.Field, e.Why)
}

// Check returns a *PointError unless the curve has at least two points, positive
// finite frequencies in rising order, finite levels and, when present, finite
// phases.
func (c Curve) Check() error {
	if len(c.Hz) != len(c.DB) || (c.Phase != nil && len(c.Phase) != len(c.Hz)) {
		panic("band: columns of a curve differ in length")
	}
	if len(c.Hz) < 2 {
		return &PointError{-1, "", fmt.Sprintf("a curve needs at least 2 points, has %d", len(c.Hz))}
	}
	for i, f := range c.Hz {
		switch {
		case math.IsNaN(f) || math.IsInf(f, 0) || f <= 0:
			return &PointError{i, "frequency", fmt.Sprintf("%v is not a positive number", f)}
		case i > 0 && f <= c.Hz[i-1]:
			return &PointError{i, "frequency", fmt.Sprintf("%v does not rise above %v", f, c.Hz[i-1])}
		case math.IsNaN(c.DB[i]) || math.IsInf(c.DB[i], 0):
			return &PointError{i, "level", fmt.Sprintf("%v is not a finite number", c.DB[i])}
		case c.Phase != nil && (math.IsNaN(c.Phase[i]) || math.IsInf(c.Phase[i], 0)):
			return &PointError{i, "phase", fmt.Sprintf("%v is not a finite number", c.Phase[i])}
		}
	}
	return nil
}

// At returns the level in dB at f, interpolated straight over log-frequency, and
// false outside the curve.
func (c Curve) At(f float64) (db float64, ok bool) {
	n := len(c.Hz)
	if n == 0 || !(f >= c.Hz[0] && f <= c.Hz[n-1]) {
		return 0, false
	}
	i := c.segment(f)
	return c.on(i, math.Log(f)), true
}

// segment returns the index of the point that ends the segment f falls into.
func (c Curve) segment(f float64) int {
	lo, hi := 1, len(c.Hz)-1
	for lo < hi {
		mid := (lo + hi) / 2
		if c.Hz[mid] < f {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// on returns the level at ln f = x on the segment that ends at point i.
func (c Curve) on(i int, x float64) float64 {
	x0, x1 := math.Log(c.Hz[i-1]), math.Log(c.Hz[i])
	return c.DB[i-1] + (c.DB[i]-c.DB[i-1])*(x-x0)/(x1-x0)
}
