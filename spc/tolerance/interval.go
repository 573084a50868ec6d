package tolerance

import (
	"errors"
	"math"
	"slices"

	"alike/spc/sample"
)

// An Interval is a tolerance interval for one measured quantity, in its own unit.
type Interval struct {
	Low, High float64
	Mean, SD  float64
	Result
}

// A Side says which limit of an interval is wanted.
type Side int

const (
	Both  Side = iota
	Above      // an upper limit only; Low is -Inf
	Below      // a lower limit only; High is +Inf
)

// Limits returns the tolerance interval of a sample for the stated coverage and
// confidence. Errors: fewer than two values, a value that is not finite (see
// package sample), no spread at all for the methods that assume a normal
// distribution, or an argument that Factor refuses.
func Limits(xs []float64, coverage, confidence float64, side Side, method Method) (Interval, error) {
	if err := sample.Check(xs, 2); err != nil {
		return Interval{}, err
	}
	sides := 1
	if side == Both {
		sides = 2
	}
	r, err := Factor(len(xs), coverage, confidence, sides, method)
	if err != nil {
		return Interval{}, err
	}
	v := r.apply(xs, side)
	if method != Order && v.SD == 0 {
		return Interval{}, errors.New("all values are the same: without spread there is no tolerance factor; check the resolution of the measurement")
	}
	return v, nil
}

// apply sets the limits of a sample whose size the result is for.
func (r Result) apply(xs []float64, side Side) Interval {
	v := Interval{Low: math.Inf(-1), High: math.Inf(1), Mean: sample.Mean(xs), SD: sample.SD(xs), Result: r}
	var sorted []float64
	if r.Method == Order {
		sorted = slices.Sorted(slices.Values(xs))
	}
	if side != Above {
		v.Low = v.Mean - r.K*v.SD
		if r.Method == Order {
			v.Low = sorted[r.FromBelow-1]
		}
	}
	if side != Below {
		v.High = v.Mean + r.K*v.SD
		if r.Method == Order {
			v.High = sorted[len(sorted)-r.FromAbove]
		}
	}
	return v
}
