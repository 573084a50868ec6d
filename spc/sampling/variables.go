package sampling

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Variables plan measures Sample units and accepts the batch when its mean lies at
// least Factor standard deviations (of the sample, divisor n-1) inside a limit. It
// needs far fewer units than counting defectives, and leans on normal values: a
// batch with a second heap beyond the limit can pass it.
type Variables struct {
	Sample int     // ≥ 2
	Factor float64 // > 0
}

func (v Variables) check() error {
	if v.Sample < 2 || v.Sample > mostSample {
		return fmt.Errorf("sample of %d units: give a number from 2 to %d", v.Sample, mostSample)
	}
	if !(v.Factor > 0 && v.Factor < 10) {
		return fmt.Errorf("factor %v is not between 0 and 10", v.Factor)
	}
	return nil
}

// Accept returns the chance that a normal batch with the given fraction beyond one
// limit is accepted: √n times the distance in standard deviations is noncentral t
// with n-1 degrees of freedom around √n·z, z the normal quantile of the fraction
// (Resnikoff and Lieberman, Tables of the Non-central t-Distribution, 1957, from
// memory).
func (v Variables) Accept(fraction float64) (float64, error) {
	if err := v.check(); err != nil {
		return 0, err
	}
	if !(fraction > 0 && fraction < 1) {
		return 0, fmt.Errorf("fraction %v is not between 0 and 1: give a fraction such as 0.02", fraction)
	}
	return v.accept(fraction), nil
}

func (v Variables) accept(fraction float64) float64 {
	root := math.Sqrt(float64(v.Sample))
	t := dist.NoncentralT{Nu: float64(v.Sample - 1), Delta: root * dist.NormQuantileUpper(fraction)}
	return t.Survival(root * v.Factor)
}

// Judge applies the plan to a sample's mean and standard deviation; lower and upper
// may be infinite. The distances are those to the limits in standard deviations, and
// with both limits each has to be at least the factor: for a batch that crowds both
// limits at once the risks are then approximate.
func (v Variables) Judge(mean, sd, lower, upper float64) (accept bool, below, above float64) {
	below, above = (mean-lower)/sd, (upper-mean)/sd
	return below >= v.Factor && above >= v.Factor, below, above
}

// A FoundVariables is the plan with the smallest sample that fulfils a wish.
type FoundVariables struct {
	Variables
	ProducerRisk, ConsumerRisk float64 // achieved
}

// FindVariables finds the plan for large batches of unknown spread. Both risks are
// kept; the factor lies in the middle of those that do. Errors: as for FindProcess.
func FindVariables(w Wish) (FoundVariables, error) {
	if err := w.check(); err != nil {
		return FoundVariables{}, err
	}
	if w.Good <= 0 || w.Bad >= 1 {
		return FoundVariables{}, fmt.Errorf("good fraction %v and bad fraction %v: by variables both lie strictly between 0 and 1", w.Good, w.Bad)
	}
	if w.Bad >= 0.5 {
		return FoundVariables{}, fmt.Errorf("bad fraction %v is half of the batch or more: the mean itself lies beyond the limit; lower it", w.Bad)
	}
	// The largest factor the producer bears and the smallest the consumer does.
	bounds := func(n int) (low, high float64) {
		root, nu := math.Sqrt(float64(n)), float64(n-1)
		high = dist.NoncentralT{Nu: nu, Delta: root * dist.NormQuantileUpper(w.Good)}.Quantile(w.ProducerRisk) / root
		low = dist.NoncentralT{Nu: nu, Delta: root * dist.NormQuantileUpper(w.Bad)}.QuantileUpper(w.ConsumerRisk) / root
		return low, high
	}
	ok := func(n int) bool { low, high := bounds(n); return low <= high+rounding && high > 0 }
	if !ok(mostSample) {
		return FoundVariables{}, fmt.Errorf("good fraction %v and bad fraction %v need more than %d units to tell apart: move them apart or allow more risk", w.Good, w.Bad, mostSample)
	}
	n := leastSample(2, mostSample, ok)
	low, high := bounds(n)
	f := FoundVariables{Variables: Variables{n, (max(low, 1e-6) + high) / 2}}
	f.ProducerRisk, f.ConsumerRisk = 1-f.accept(w.Good), f.accept(w.Bad)
	return f, nil
}
