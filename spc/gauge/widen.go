package gauge

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// Widen returns the guard band in dB for a reading that a transfer curve has corrected.
//
// A guard band w is z(1-risk) times the standard uncertainty that measuring adds (JCGM
// 106:2012, 8.3.2; GuardBand). The correction adds an uncertainty u of its own, which is
// independent of it, so that the standard uncertainties add as root sum of squares (JCGM
// 100:2008, 5.1.2), with the same factor z before both:
//
//	z·√((w/z)² + u²) = √(w² + (z·u)²)
//
// u is UnitU of a Transfer: the curve's own uncertainty and what units scatter between
// the rigs. That scatter holds the seatings of the comparison too, which w counts once
// more: the guard errs to the wide side. risk must be the one that w was made for.
func Widen(guard, u, risk float64) (float64, error) {
	switch {
	case !(guard >= 0) || math.IsInf(guard, 0):
		return 0, fmt.Errorf("guard band %v dB is not a width", guard)
	case !(u >= 0) || math.IsInf(u, 0):
		return 0, fmt.Errorf("uncertainty %v dB is not a standard deviation", u)
	case !(risk > 0 && risk <= 0.5):
		return 0, fmt.Errorf("risk %v is not above 0 and up to 0.5", risk)
	}
	return math.Hypot(guard, dist.NormQuantileUpper(risk)*u), nil
}
