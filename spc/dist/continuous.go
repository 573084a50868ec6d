package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// betaTail returns the incomplete beta function I(x; a, b), or its complement,
// with y = 1-x given apart because either may be far below the spacing of 1. The
// smaller of x and y carries the digits, so the tail it belongs to is computed
// from it, and the other one only when that is too large to subtract from 1.
func betaTail(a, b, x, y float64, upper bool) float64 {
	if y < x {
		return betaTail(b, a, y, x, !upper)
	}
	p := mathext.RegIncBeta(a, b, x)
	switch {
	case !upper:
		return p
	case p < 0.5:
		return 1 - p
	}
	return mathext.RegIncBeta(b, a, y)
}

// gammaTail returns the incomplete gamma function P(a, x), or its complement.
func gammaTail(a, x float64, upper bool) float64 {
	if upper {
		return mathext.GammaIncRegComp(a, x)
	}
	return mathext.GammaIncReg(a, x)
}

// edge answers a tail outside an open support, and passes NaN through.
func edge(x, least, most float64, upper bool) (float64, bool) {
	switch {
	case math.IsNaN(x):
		return x, true
	case x <= least:
		return indicator(upper), true
	case x >= most:
		return indicator(!upper), true
	}
	return 0, false
}

func indicator(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// A ChiSquared is the chi-squared distribution with Nu > 0 degrees of freedom.
type ChiSquared struct{ Nu float64 }

func (d ChiSquared) tail(x float64, upper bool) float64 {
	need(positive(d.Nu), "chi-squared needs Nu > 0, has %v", d.Nu)
	if p, ok := edge(x, 0, math.Inf(1), upper); ok {
		return p
	}
	return gammaTail(d.Nu/2, x/2, upper)
}

// CDF returns P(X ≤ x).
func (d ChiSquared) CDF(x float64) float64 { return d.tail(x, false) }

// Survival returns P(X > x).
func (d ChiSquared) Survival(x float64) float64 { return d.tail(x, true) }

// Quantile returns the x with CDF(x) = p.
func (d ChiSquared) Quantile(p float64) float64 { return onPositive(d.tail, d.Nu, p, false) }

// QuantileUpper returns the x with Survival(x) = q.
func (d ChiSquared) QuantileUpper(q float64) float64 { return onPositive(d.tail, d.Nu, q, true) }

// An F is Fisher's F distribution with D1, D2 > 0 degrees of freedom.
type F struct{ D1, D2 float64 }

func (d F) tail(x float64, upper bool) float64 {
	need(positive(d.D1) && positive(d.D2), "F needs D1, D2 > 0, has %v, %v", d.D1, d.D2)
	if p, ok := edge(x, 0, math.Inf(1), upper); ok {
		return p
	}
	r := d.D1 / d.D2 * x
	return betaTail(d.D1/2, d.D2/2, 1/(1+1/r), 1/(1+r), upper)
}

// CDF returns P(X ≤ x).
func (d F) CDF(x float64) float64 { return d.tail(x, false) }

// Survival returns P(X > x).
func (d F) Survival(x float64) float64 { return d.tail(x, true) }

// Quantile returns the x with CDF(x) = p.
func (d F) Quantile(p float64) float64 { return onPositive(d.tail, 1, p, false) }

// QuantileUpper returns the x with Survival(x) = q.
func (d F) QuantileUpper(q float64) float64 { return onPositive(d.tail, 1, q, true) }

// A StudentT is Student's t distribution with Nu > 0 degrees of freedom.
type StudentT struct{ Nu float64 }

func (d StudentT) tail(x float64, upper bool) float64 {
	need(positive(d.Nu), "Student's t needs Nu > 0, has %v", d.Nu)
	if p, ok := edge(x, math.Inf(-1), math.Inf(1), upper); ok {
		return p
	}
	if x == 0 {
		return 0.5
	}
	// Far part: half of what lies beyond |x|. Taken as a ratio to √Nu first, so
	// that x² cannot overflow.
	r := math.Abs(x) / math.Sqrt(d.Nu)
	in, out := 1/(1+1/(r*r)), 1/(1+r*r)
	if (x > 0) == upper {
		return betaTail(0.5, d.Nu/2, in, out, true) / 2
	}
	return 0.5 + betaTail(0.5, d.Nu/2, in, out, false)/2
}

// CDF returns P(X ≤ x).
func (d StudentT) CDF(x float64) float64 { return d.tail(x, false) }

// Survival returns P(X > x).
func (d StudentT) Survival(x float64) float64 { return d.tail(x, true) }

// Quantile returns the x with CDF(x) = p.
func (d StudentT) Quantile(p float64) float64 { return onLine(d.tail, 0, p, false) }

// QuantileUpper returns the x with Survival(x) = q.
func (d StudentT) QuantileUpper(q float64) float64 { return onLine(d.tail, 0, q, true) }

// A Beta is the beta distribution on 0 to 1 with A, B > 0.
type Beta struct{ A, B float64 }

func (d Beta) check() {
	need(positive(d.A) && positive(d.B), "beta needs A, B > 0, has %v, %v", d.A, d.B)
}

func (d Beta) tail(x float64, upper bool) float64 {
	d.check()
	if p, ok := edge(x, 0, 1, upper); ok {
		return p
	}
	return betaTail(d.A, d.B, x, 1-x, upper)
}

// CDF returns P(X ≤ x).
func (d Beta) CDF(x float64) float64 { return d.tail(x, false) }

// Survival returns P(X > x).
func (d Beta) Survival(x float64) float64 { return d.tail(x, true) }

// Quantile returns the x with CDF(x) = p.
func (d Beta) Quantile(p float64) float64 { return d.quantile(p, false) }

// QuantileUpper returns the x with Survival(x) = q.
func (d Beta) QuantileUpper(q float64) float64 { return d.quantile(q, true) }

// quantile searches on the logit, where both ends of 0 to 1 have room.
func (d Beta) quantile(p float64, upper bool) float64 {
	d.check()
	if end, ok := atEnd(p, upper, 0, 1); ok {
		return end
	}
	tail := func(v float64, upper bool) float64 {
		return betaTail(d.A, d.B, 1/(1+math.Exp(-v)), 1/(1+math.Exp(v)), upper)
	}
	v := invert(tail, math.Log(d.A/d.B), 1/math.Sqrt(d.A+d.B), p, upper)
	return 1 / (1 + math.Exp(-v))
}
