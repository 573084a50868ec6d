package chart

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// EWMAOptions steer an EWMA chart. Lambda has no default: it decides which shift
// the chart sees best.
type EWMAOptions struct {
	Center   *float64 // nil: mean of the baseline
	Sigma    *float64 // of one value; nil: from the baseline's moving ranges
	Baseline int      // first so many values set the limits; 0 for all
	Lambda   float64  // weight of the newest value, above 0 and at most 1; 0.1 to 0.3 is common practice
	Width    float64  // limits lie at so many standard deviations of the EWMA; 0 for 3
	Steady   bool     // draw the limits of a long run from the first point on
}

// EWMA returns the chart of the exponentially weighted moving average
// zᵢ = λxᵢ + (1-λ)zᵢ₋₁, z₀ = centre, with limits
// centre ± Width·σ·√(λ/(2-λ)·(1-(1-λ)²ⁱ)); Steady leaves the last factor out, which
// makes the chart blind to a fault present at the start.
//
// Chart.Sigma is of one value, Point.Sigma of the plotted average. Only Beyond is
// read: neighbouring averages share most of their values, so run rules made for
// independent points would cry wolf. It assumes independent values with known
// sigma; the run lengths of package runlength hold for a large baseline. Sources:
// Roberts, Technometrics 1 (1959) 239-250; e-Handbook 6.3.2.4.
func EWMA(xs []float64, o EWMAOptions) (Chart, error) {
	base := Options{Center: o.Center, Sigma: o.Sigma, Baseline: o.Baseline, Width: o.Width}
	if err := errors.Join(base.check(), sample.Check(xs, 1)); err != nil {
		return Chart{}, err
	}
	if !(o.Lambda > 0 && o.Lambda <= 1) {
		return Chart{}, fmt.Errorf("lambda %v is not above 0 and at most 1", o.Lambda)
	}
	e, err := base.estimate(xs)
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: "ewma", Center: e.Center, Sigma: e.Sigma, Points: make([]Point, len(xs)), Warnings: e.Warnings}
	z := 0.0 // from the centre, so that a large centre costs no digits
	steady := EWMAFactor(o.Lambda, 0, true)
	for i, factor := 0, 0.0; i < len(xs); i++ {
		z += o.Lambda * (xs[i] - e.Center - z)
		if factor != steady { // soon the last factor is 1 to all digits
			factor = EWMAFactor(o.Lambda, i+1, o.Steady)
		}
		c.Points[i] = Point{Index: i + 1, Value: e.Center + z, Center: e.Center, Sigma: e.Sigma * factor}
	}
	mark(c.Points, Options{Width: o.Width})
	return c, nil
}

// EWMAFactor returns the standard deviation of the i-th average, i from 1, over
// that of one value: √(λ/(2-λ)·(1-(1-λ)²ⁱ)), without the last factor when steady.
func EWMAFactor(lambda float64, i int, steady bool) float64 {
	v := lambda / (2 - lambda)
	if !steady {
		v *= -math.Expm1(2 * float64(i) * math.Log1p(-lambda))
	}
	return math.Sqrt(v)
}
