// Package sample checks and summarises a list of numbers.
//
// A sample is a []float64 of measured values in the order they were taken.
// Everything else in spc calls Check first, so that a value that is not finite
// is refused with its position instead of turning every result into NaN.
package sample

import (
	"fmt"
	"math"
)

// Largest is the largest magnitude a value may have. The square of a larger
// number, summed over a sample, would leave the range of float64.
const Largest = 1e150

// An Error says which value of a sample cannot be used.
type Error struct {
	Index int    // position from 0, or -1 when the sample as a whole is at fault
	Why   string // what is wrong and what to do
	What  string // the value is called: count, size; "" for value
}

func (e *Error) Error() string {
	if e.Index < 0 {
		return e.Why
	}
	what := e.What
	if what == "" {
		what = "value"
	}
	return fmt.Sprintf("%s %d %s", what, e.Index+1, e.Why)
}

// Check returns an *Error when xs has fewer than least values, or holds a value
// that is NaN, infinite or larger than Largest.
func Check(xs []float64, least int) error {
	for i, x := range xs {
		switch {
		case math.IsNaN(x):
			return &Error{Index: i, Why: "is not a number: leave the row out or correct it"}
		case math.IsInf(x, 0):
			return &Error{Index: i, Why: "is infinite: leave the row out or correct it"}
		case math.Abs(x) > Largest:
			return &Error{Index: i, Why: fmt.Sprintf("is larger than %g: check its unit", Largest)}
		}
	}
	if len(xs) < least {
		values := "values"
		if least == 1 {
			values = "value"
		}
		return &Error{Index: -1, Why: fmt.Sprintf("needs at least %d %s, has %d: measure more", least, values, len(xs))}
	}
	return nil
}

// Mean returns the arithmetic mean, NaN for an empty sample. The sum of the
// deviations from a first estimate is added back, which recovers the digits
// that a plain sum of large, nearly equal values loses.
func Mean(xs []float64) float64 {
	n := float64(len(xs))
	if n == 0 {
		return math.NaN()
	}
	first := 0.0
	for _, x := range xs {
		first += x / n
	}
	rest := 0.0
	for _, x := range xs {
		rest += x - first
	}
	return first + rest/n
}

// SumSquares returns the sum of squared deviations from the mean by the
// corrected two-pass formula (Chan, Golub and LeVeque 1983, from memory).
func SumSquares(xs []float64) float64 {
	if len(xs) < 2 {
		return 0
	}
	m := Mean(xs)
	ss, comp := 0.0, 0.0
	for _, x := range xs {
		d := x - m
		ss += d * d
		comp += d
	}
	return ss - comp*comp/float64(len(xs))
}

// SD returns the standard deviation with divisor n-1, NaN below two values.
func SD(xs []float64) float64 {
	if len(xs) < 2 {
		return math.NaN()
	}
	return math.Sqrt(SumSquares(xs) / float64(len(xs)-1))
}

// Lag1 returns the lag-1 autocorrelation
// Σ(xᵢ-m)(xᵢ₊₁-m) / Σ(xᵢ-m)², NaN when the sample has no spread.
func Lag1(xs []float64) float64 {
	ss := SumSquares(xs)
	if ss == 0 {
		return math.NaN()
	}
	m := Mean(xs)
	s := 0.0
	for i := 1; i < len(xs); i++ {
		s += (xs[i-1] - m) * (xs[i] - m)
	}
	return s / ss
}
