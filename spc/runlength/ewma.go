package runlength

import (
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/chart"
	"alike/spc/dist"
)

// EWMA returns the average run length of a two-sided EWMA chart that starts at its
// centre, with limits at width standard deviations of the average: those of the
// long run when steady, else those that widen from the first point (chart.EWMA).
//
// Steady limits: the integral equation of Crowder (1987) on Gauss-Legendre nodes.
// Widening limits: the same after following the law of the average through the
// first steps. Lambdas so small that this takes too long (steady below about 0.0005,
// widening below about 0.01) are simulated. Lambda 1 is an individuals chart.
func EWMA(shift, lambda, width float64, steady bool, s Simulation) (Result, error) {
	if err := checkEWMA(shift, lambda, width); err != nil {
		return Result{}, err
	}
	if lambda == 1 {
		return inverse(dist.NormOutside(-width-shift, width-shift)), nil
	}
	limit := width * chart.EWMAFactor(lambda, 1, true)
	limits := widening(limit, lambda, steady)
	if tooLong(2*limit, lambda, len(limits)) {
		return simulateEWMA(shift, lambda, limits, s)
	}
	return computed(averaging(shift, lambda).rising(0, limits)), nil
}

// averaging is the walk of an EWMA.
func averaging(shift, lambda float64) walk {
	return walk{
		density: func(u, y float64) float64 {
			return dist.NormPDF((y-(1-lambda)*u)/lambda-shift) / lambda
		},
		leave: func(u, limit float64) float64 {
			return dist.NormOutside((-limit-(1-lambda)*u)/lambda-shift, (limit-(1-lambda)*u)/lambda-shift)
		},
		low: func(limit float64) float64 { return -limit },
		sd:  lambda,
	}
}

func simulateEWMA(shift, lambda float64, limits []float64, s Simulation) (Result, error) {
	return s.average(func(rng *rand.Rand) func() bool {
		z, i := 0.0, 0
		return func() bool {
			z += lambda * (rng.NormFloat64() + shift - z)
			limit := limits[min(i, len(limits)-1)]
			i++
			return math.Abs(z) > limit
		}
	})
}

// tooLong says whether the integral equation would take more than a second or so.
func tooLong(length, sd float64, steps int) bool {
	n := float64(nodes(length, sd))
	return n > 1000 || n*n*float64(steps) > 5e7
}

func computed(arl float64) Result {
	r := Result{ARL: arl, Method: Integral}
	if math.IsInf(arl, 1) || math.IsNaN(arl) { // the chance to leave underflows
		r.ARL, r.Warnings = math.Inf(1), []string{never}
	}
	return r
}

func checkEWMA(shift, lambda, width float64) error {
	if err := checkShift(shift); err != nil {
		return err
	}
	if err := checkLambda(lambda); err != nil {
		return err
	}
	if !(width > 0 && width <= 20) {
		return fmt.Errorf("width %v is not above 0 and at most 20 sigmas", width)
	}
	return nil
}
