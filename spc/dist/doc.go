// Package dist holds the probability distributions that the rest of spc needs
// and that gonum v0.17 lacks or does not carry far enough into the tails.
//
// Every distribution is a struct of its parameters with up to four methods:
//
//	CDF(x)            P(X ≤ x)
//	Survival(x)       P(X > x), computed as such and not as 1-CDF
//	Quantile(p)       the x with CDF(x) = p
//	QuantileUpper(q)  the x with Survival(x) = q
//
// A far upper tail written as 1-CDF keeps no digit beyond 1e-16, and a false
// alarm once in 500 units shared by 60 charts is already a tail of 3e-5 that has
// to be exact; hence the survival functions. The incomplete beta and gamma
// functions come from gonum, which holds twelve digits in either tail as long as
// it is asked for that tail. Its noncentral t is not used: the series stops at an
// absolute error of 1e-12 and falls back to a normal approximation beyond a
// noncentrality of 38, which a baseline of 300 units passes.
//
// Accuracy: relative error below 1e-10 in both tails for tail probabilities down
// to 1e-30, proven on the tables in testdata, which testdata/grid.py computes
// with mpmath and scipy. The one exception is the box probability of a general
// correlation matrix, which is an estimate and says its own error.
//
// # Errors
//
// A parameter out of range (see each field) or a probability outside 0 to 1 is a
// slip of the caller and panics; callers check what a user can type. A NaN
// argument x gives NaN. Nothing else gives NaN.
package dist

import (
	"fmt"
	"math"
)

// need panics with the package's name when a caller broke a stated range.
func need(ok bool, format string, args ...any) {
	if !ok {
		panic("dist: " + fmt.Sprintf(format, args...))
	}
}

// checkProbability panics unless p is within 0 to 1.
func checkProbability(p float64) {
	need(p >= 0 && p <= 1, "probability %v is outside 0 to 1", p)
}

// positive reports a usable positive parameter: not NaN, not zero, finite.
func positive(x float64) bool { return x > 0 && !math.IsInf(x, 1) }
