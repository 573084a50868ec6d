package capability

import (
	"fmt"
	"math"
	"slices"

	"alike/spc/sample"
)

// A Spec holds the limits and the target of a quantity, in its unit; nil for none.
// At least one limit is needed.
type Spec struct {
	Lower, Upper, Target *float64
}

// At returns a limit for a Spec.
func At(x float64) *float64 { return &x }

// A Within says which spread Cp and Cpk use.
type Within int

const (
	// Plain: no subgroups; Cp and Cpk use the overall standard deviation.
	Plain Within = iota
	// MovingRange: the values are in the order of production; mean moving range
	// over d2.
	MovingRange
	// Subgroups: mean range of the subgroups over d2.
	Subgroups
)

// Options of Study. The zero value is usable.
type Options struct {
	Confidence float64 // between 0 and 1, 0 for 0.95
	Within     Within
	// Sizes are the sizes of the subgroups (2 to 200 each), for Subgroups: the
	// values of the first subgroup come first.
	Sizes []int
	// Bare leaves CpkExact and PpkExact of two limits out: they take most of the time.
	Bare bool
}

// A Result is a capability study of one quantity. Indices that the limits do not
// define are nil: Cp and Pp need both limits, Cpm both and a target.
type Result struct {
	N        int
	Mean, SD float64 // overall, divisor n-1
	Sigma    float64 // the spread that Cp and Cpk use; SD for Plain

	Cp, Cpk, Pp, Ppk, Cpm *Index
	// CpkExact and PpkExact have the exact interval of the nearer limit as if it
	// were the only one; the same as Cpk and Ppk for one limit. With two limits
	// its lower end is still valid (the chance to be wrong is at most the stated
	// one), the upper end is not.
	CpkExact, PpkExact *Index
	// AtLeast is what Ppk exceeds with the stated confidence (one-sided, exact for
	// one limit, safe for two). A verdict uses it, not the estimate.
	AtLeast    float64
	Confidence float64
	Normality  *Normality // nil below three values
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

// Study computes the capability of xs against the spec. A target outside the limits
// gives a warning. A spread below 1e-13 of the mean is rounding, and none.
//
// Errors name the value or limit and the remedy: fewer than two values, a value that
// is not finite, no spread, no limit at all, limits that are not finite or the wrong
// way round, a confidence not between 0 and 1, subgroups that
// do not fit.
func Study(xs []float64, spec Spec, opt Options) (Result, error) {
	if opt.Confidence == 0 {
		opt.Confidence = 0.95
	}
	if err := check(xs, spec, opt); err != nil {
		return Result{}, err
	}
	r := Result{N: len(xs), Mean: sample.Mean(xs), SD: sample.SD(xs), Confidence: opt.Confidence}
	long := overall(r.SD, r.N)
	short := long
	switch opt.Within {
	case MovingRange:
		short = meanMovingRange(xs)
	case Subgroups:
		short = meanRange(xs, opt.Sizes, rangeMoments{})
	}
	if dust := 1e-13 * math.Abs(r.Mean); r.SD <= dust || short.sigma <= dust { // what rounding leaves is no spread
		return Result{}, errNoSpread
	}
	r.Sigma = short.sigma
	r.Cp, r.Cpk, r.CpkExact = r.indices(spec, short, opt.Bare)
	if r.Pp, r.Ppk, r.PpkExact = r.Cp, r.Cpk, r.CpkExact; short != long {
		r.Pp, r.Ppk, r.PpkExact = r.indices(spec, long, opt.Bare)
	}
	if spec.Lower != nil && spec.Upper != nil && spec.Target != nil {
		off := r.Mean - *spec.Target
		value := (*spec.Upper - *spec.Lower) / (6 * math.Hypot(r.SD, off))
		r.Cpm = targetIndex(value, off/r.SD, r.N, opt.Confidence)
	}
	r.AtLeast = bound(r.Ppk.Value, r.N, long, 1-opt.Confidence, true)
	if n, err := AndersonDarling(xs); err == nil {
		r.Normality = &n
	}
	r.caution(spec, opt)
	return r, nil
}

// indices returns the index of spread (nil for one limit) and the one of the nearer
// limit with both its intervals.
func (r Result) indices(spec Spec, s spread, bare bool) (both, near, exact *Index) {
	value := math.Inf(1)
	if spec.Lower != nil {
		value = (r.Mean - *spec.Lower) / (3 * s.sigma)
	}
	if spec.Upper != nil {
		value = math.Min(value, (*spec.Upper-r.Mean)/(3*s.sigma))
	}
	one := spec.Lower == nil || spec.Upper == nil
	if one || !bare {
		exact = exactIndex(value, r.N, s, r.Confidence)
	}
	if one {
		return nil, exact, exact
	}
	both = spreadIndex((*spec.Upper-*spec.Lower)/(6*s.sigma), s, r.Confidence)
	return both, nearIndex(value, r.N, s, r.Confidence), exact
}

func check(xs []float64, spec Spec, opt Options) error {
	if err := sample.Check(xs, 2); err != nil {
		return err
	}
	if spec.Lower == nil && spec.Upper == nil {
		return fmt.Errorf("capability needs a limit: give a lower limit, an upper limit or both")
	}
	for _, l := range []struct {
		name string
		at   *float64
	}{{"lower limit", spec.Lower}, {"upper limit", spec.Upper}, {"target", spec.Target}} {
		if l.at != nil && !(math.Abs(*l.at) <= sample.Largest) {
			return fmt.Errorf("%s %v is not a usable number: leave it out if there is none", l.name, *l.at)
		}
	}
	if spec.Lower != nil && spec.Upper != nil && *spec.Lower >= *spec.Upper {
		return fmt.Errorf("lower limit %v is not below upper limit %v: exchange them", *spec.Lower, *spec.Upper)
	}
	if !(opt.Confidence > 0 && opt.Confidence < 1) {
		return fmt.Errorf("confidence %v is not between 0 and 1: give a fraction such as 0.95", opt.Confidence)
	}
	switch opt.Within {
	case Plain, MovingRange:
		return nil
	case Subgroups:
		return checkSubgroups(opt.Sizes, len(xs))
	}
	panic(fmt.Sprintf("capability: unknown Within %d", opt.Within))
}

// few is the number of values below which a result says that its interval is wide.
const few = 30

func (r *Result) caution(spec Spec, opt Options) {
	add := func(format string, args ...any) { r.Warnings = append(r.Warnings, fmt.Sprintf(format, args...)) }
	if r.N < few {
		add("Only %d values: with %.4g confidence the index of the nearer limit is at least %.2f, while the estimate is %.2f.", r.N, r.Confidence, r.AtLeast, r.Ppk.Value)
	}
	if opt.Within == Plain {
		add("No subgroups were given: cp and cpk use the overall standard deviation, as pp and ppk do.")
	}
	switch {
	case r.Normality == nil:
		add("Fewer than 3 values: normality cannot be tested.")
	case r.Normality.P < 0.05:
		add("The values do not look normal (p = %.2g): the indices may mislead; use a tolerance interval by ranks.", r.Normality.P)
	}
	if r.Normality != nil {
		r.Warnings = append(r.Warnings, r.Normality.Warnings...)
	}
	if opt.Within == Subgroups && slices.Min(opt.Sizes) != slices.Max(opt.Sizes) {
		add("The subgroups differ in size: the spread of cp and cpk is the plain mean of each subgroup's range over d2 of its size.")
	}
	if t := spec.Target; t != nil && (spec.Lower != nil && *t < *spec.Lower || spec.Upper != nil && *t > *spec.Upper) {
		add("The target %v lies outside the limits: check all three.", *t)
	} else if r.Cpm != nil && math.Abs(*spec.Target-(*spec.Lower+*spec.Upper)/2) > 1e-9*(*spec.Upper-*spec.Lower) {
		add("The target is not midway between the limits: cpm looks better than the nearer limit allows.")
	}
}
