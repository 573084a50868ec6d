package tolerance

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Method says how a tolerance limit is found.
type Method string

const (
	// Exact is the exact factor for a normal distribution: the noncentral t for
	// one side, the double integral for two.
	Exact Method = "exact"
	// Howe is Howe's approximation for two sides (J. Amer. Statist. Assoc. 64
	// (1969) 610-620) and the normal approximation of Natrella's handbook for one;
	// both are those of the NIST/SEMATECH e-Handbook 7.2.6.3.
	Howe Method = "howe"
	// Order takes ranked values of the sample itself and assumes no distribution.
	Order Method = "order"
)

// A Result is a tolerance factor or a pair of ranks, with what it really achieves.
type Result struct {
	Method Method
	// K is the factor: limits are mean ± K·s, or mean + K·s (mean - K·s) for one
	// side, s with divisor n-1. It is 0 for Order.
	K float64
	// N is the number of units: the one given, or for Order asked with n = 0 the
	// smallest that reaches the confidence.
	N int
	// ConfidenceAchieved is the confidence that at least the stated coverage lies
	// within the limits; for Order within the ranks. For Exact it is the one asked for.
	ConfidenceAchieved float64
	// FromBelow and FromAbove are for Order: the lower limit is the FromBelow-th
	// smallest value, the upper one the FromAbove-th largest. For one side both are
	// set and the caller takes the side wanted.
	FromBelow, FromAbove int
	// Extremes is for Order: the confidence that at least the stated coverage lies
	// between the smallest and the largest value, or for one side below the largest.
	Extremes float64
	// Needed is for Order: the smallest n whose extremes reach the confidence.
	Needed int
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

// few is the number of units below which a factor says so. At ten units the
// two-sided 95/95 factor is 3.39 against 1.96 for a known distribution.
const few = 10

// Factor returns the tolerance factor for n independent units of a normal
// distribution with unknown mean and standard deviation, such that with the stated
// confidence at least the stated coverage (both between 0 and 1) of all units lies
// within the limits; sides is 1 or 2. For Order see Ranks, to which it passes on.
//
// Errors name the argument and the remedy: fewer than two units, a coverage or
// confidence not strictly between 0 and 1, other sides or methods.
func Factor(n int, coverage, confidence float64, sides int, method Method) (Result, error) {
	if method == Order {
		return Ranks(n, coverage, confidence, sides)
	}
	if err := check(n, 2, coverage, confidence, sides); err != nil {
		return Result{}, err
	}
	r := Result{Method: method, N: n}
	switch {
	case method == Exact && sides == 1:
		r.K, r.ConfidenceAchieved = oneSided(n, coverage, confidence), confidence
	case method == Exact:
		r.K, r.ConfidenceAchieved = twoSided(n, coverage, confidence), confidence
	case method == Howe && sides == 1:
		k, err := natrella(n, coverage, confidence)
		if err != nil {
			return Result{}, err
		}
		r.K, r.ConfidenceAchieved = k, Confidence(n, k, coverage, 1)
		r.Warnings = append(r.Warnings, "Howe's approximation is for two sides; the one-sided factor is the normal approximation instead. Method exact has no such error.")
	case method == Howe:
		r.K = howe(n, coverage, confidence)
		r.ConfidenceAchieved = Confidence(n, r.K, coverage, 2)
	default:
		return Result{}, fmt.Errorf("unknown method %q: use exact, howe or order", method)
	}
	r.Warnings = append(r.Warnings, r.cautions(confidence)...)
	return r, nil
}

func (r Result) cautions(confidence float64) []string {
	var out []string
	if r.ConfidenceAchieved < confidence-1e-6 {
		out = append(out, fmt.Sprintf("The confidence achieved is %.4g, below the %.4g asked for.", r.ConfidenceAchieved, confidence))
	}
	if r.N < few && r.Method != Order {
		out = append(out, fmt.Sprintf("Only %d units: the limits are wide because the spread itself is hardly known, and whether the values are normal cannot be told from so few.", r.N))
	}
	return out
}

func check(n, least int, coverage, confidence float64, sides int) error {
	switch {
	case n < least:
		return fmt.Errorf("a tolerance interval needs at least %d units, has %d: measure more", least, n)
	case !(coverage > 0 && coverage < 1):
		return fmt.Errorf("coverage %v is not between 0 and 1: give a fraction such as 0.95", coverage)
	case !(confidence > 0 && confidence < 1):
		return fmt.Errorf("confidence %v is not between 0 and 1: give a fraction such as 0.95", confidence)
	case sides != 1 && sides != 2:
		return fmt.Errorf("sides %d is neither 1 nor 2", sides)
	}
	return nil
}

// oneSided returns t'_γ(n-1, z_p·√n)/√n.
func oneSided(n int, coverage, confidence float64) float64 {
	root := math.Sqrt(float64(n))
	d := dist.NoncentralT{Nu: float64(n - 1), Delta: dist.NormQuantile(coverage) * root}
	return d.Quantile(confidence) / root
}

// howe returns z_{(1+p)/2}·√((n-1)(1+1/n)/χ²_{1-γ,n-1}).
func howe(n int, coverage, confidence float64) float64 {
	nu := float64(n - 1)
	chi := dist.ChiSquared{Nu: nu}.QuantileUpper(confidence)
	return dist.NormQuantileUpper((1-coverage)/2) * math.Sqrt(nu*(1+1/float64(n))/chi)
}

// natrella returns (z_p + √(z_p²-ab))/a with a = 1 - z_γ²/(2(n-1)) and
// b = z_p² - z_γ²/n.
func natrella(n int, coverage, confidence float64) (float64, error) {
	zp, zg := dist.NormQuantile(coverage), dist.NormQuantile(confidence)
	a := 1 - zg*zg/(2*float64(n-1))
	b := zp*zp - zg*zg/float64(n)
	if a <= 0 || zp*zp < a*b {
		return 0, fmt.Errorf("the normal approximation has no factor for %d units at confidence %v: use method exact", n, confidence)
	}
	return (zp + math.Sqrt(zp*zp-a*b)) / a, nil
}

// Confidence returns the chance that limits at mean ± k·s (sides 2) or mean + k·s
// (sides 1) from n normal values hold at least the coverage. It panics for n < 2,
// a coverage not between 0 and 1 or other sides; NaN for a NaN k.
func Confidence(n int, k, coverage float64, sides int) float64 {
	if err := check(n, 2, coverage, 0.5, sides); err != nil {
		panic("tolerance: " + err.Error())
	}
	if sides == 1 {
		root := math.Sqrt(float64(n))
		return dist.NoncentralT{Nu: float64(n - 1), Delta: dist.NormQuantile(coverage) * root}.CDF(k * root)
	}
	if k <= 0 {
		return 0
	}
	return twoSidedTail(n, k, coverage, false)
}
