package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

const logSqrt2Pi = 0.91893853320467274178032973640561763986 // log √(2π)

// NormPDF returns the standard normal density at x.
func NormPDF(x float64) float64 { return math.Exp(-x*x/2 - logSqrt2Pi) }

// NormCDF returns Φ(x) of the standard normal distribution, with full relative
// accuracy until it underflows near x = -38.
func NormCDF(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// NormSurvival returns 1-Φ(x) without the loss of the subtraction.
func NormSurvival(x float64) float64 { return math.Erfc(x/math.Sqrt2) / 2 }

// NormLogCDF returns log Φ(x), finite for every finite |x| below 1e150.
func NormLogCDF(x float64) float64 {
	switch {
	case x > -1:
		return math.Log1p(-NormSurvival(x))
	case x > -35:
		return math.Log(NormCDF(x))
	}
	// Asymptotic series (Abramowitz and Stegun 26.2.12, from memory); at -35 the
	// first term left out is 105/35⁸ = 5e-11 of a term that is itself 1e-3 of a
	// logarithm near -600.
	r := 1 / (x * x)
	return -x*x/2 - math.Log(-x) - logSqrt2Pi + math.Log1p(-r*(1-3*r*(1-5*r)))
}

// NormQuantile returns the x with Φ(x) = p; -Inf for 0 and +Inf for 1.
func NormQuantile(p float64) float64 {
	checkProbability(p)
	return mathext.NormalQuantile(p)
}

// NormQuantileUpper returns the x with 1-Φ(x) = q.
func NormQuantileUpper(q float64) float64 { return -NormQuantile(q) }

// NormBetween returns Φ(b)-Φ(a) for a ≤ b, taken in the tail where both are
// small so that no digits are lost far out; 0 when a > b.
func NormBetween(a, b float64) float64 {
	if a > b {
		return 0
	}
	if a+b > 0 { // more of it above zero: mirror
		a, b = -b, -a
	}
	if b-a < 1e-3*math.Min(1, 1/(1+math.Abs(a))) && !math.IsInf(a, 0) {
		// Φ(b)-Φ(a) by the midpoint and its second derivative: the difference of
		// two nearly equal values would keep only log10((b-a)/eps) digits.
		m, w := (a+b)/2, b-a
		return w * NormPDF(m) * (1 + (m*m-1)*w*w/24)
	}
	return NormCDF(b) - NormCDF(a)
}

// NormOutside returns Φ(a)+1-Φ(b), the chance to fall outside [a, b].
func NormOutside(a, b float64) float64 { return NormCDF(a) + NormSurvival(b) }
