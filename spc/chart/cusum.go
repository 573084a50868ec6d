package chart

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// CUSUMOptions steer a tabular CUSUM. K and H have no default.
type CUSUMOptions struct {
	Center   *float64 // target; nil: mean of the baseline
	Sigma    *float64 // of one value; nil: from the baseline's moving ranges
	Baseline int      // first so many values set the limits; 0 for all
	K        float64  // slack in sigmas, 0 to 100: half the shift to be seen
	H        float64  // decision interval in sigmas, above 0 to 1000
	FIR      float64  // head start of both sums in sigmas, 0 to H; H/2 is common practice
}

func (o CUSUMOptions) check() error {
	switch {
	case !(o.K >= 0 && o.K <= 100):
		return fmt.Errorf("k %v is not between 0 and 100 sigmas", o.K)
	case !(o.H > 0 && o.H <= 1000):
		return fmt.Errorf("h %v is not above 0 and at most 1000 sigmas", o.H)
	case !(o.FIR >= 0 && o.FIR <= o.H):
		return fmt.Errorf("head start %v is not between 0 and h = %v sigmas", o.FIR, o.H)
	}
	return nil
}

// CUSUM returns the tabular cumulative sum chart of both sides,
//
//	UpperSumᵢ = max(0, UpperSumᵢ₋₁ + xᵢ - centre - kσ)
//	LowerSumᵢ = max(0, LowerSumᵢ₋₁ + centre - kσ - xᵢ)
//
// which start at FIR·σ (fast initial response, Lucas and Crosier, Technometrics
// 24 (1982) 199-205). Beyond fires where a sum exceeds hσ; the sums run on after a
// signal, so it fires until the level is back. Point.Value is the value itself;
// Upper is hσ, the line of the upper sum, and Lower is -hσ, the line of the lower
// sum when that is drawn downwards.
//
// It assumes independent values with known sigma. A sum within rounding of zero or
// of hσ counts as equal to it. Sources: Page, Biometrika 41 (1954) 100-115;
// e-Handbook 6.3.2.3.
func CUSUM(xs []float64, o CUSUMOptions) (Chart, error) {
	base := Options{Center: o.Center, Sigma: o.Sigma, Baseline: o.Baseline}
	if err := errors.Join(base.check(), o.check(), sample.Check(xs, 1)); err != nil {
		return Chart{}, err
	}
	e, err := base.estimate(xs)
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: "cusum", Center: e.Center, Sigma: e.Sigma, Points: make([]Point, len(xs)), Warnings: e.Warnings}
	h := o.H * e.Sigma
	upper, lower := o.FIR*e.Sigma, o.FIR*e.Sigma
	for i, x := range xs {
		dust := e.Sigma * noise(math.Abs(x)+math.Abs(e.Center)+h, e.Sigma)
		upper = climb(upper, x-e.Center-o.K*e.Sigma, dust)
		lower = climb(lower, e.Center-x-o.K*e.Sigma, dust)
		p := Point{Index: i + 1, Value: x, Center: e.Center, Lower: -h, Upper: h, Sigma: e.Sigma, UpperSum: upper, LowerSum: lower}
		if math.Max(upper, lower) > h+dust {
			p.Signals = []Key{Beyond}
		}
		c.Points[i] = p
	}
	return c, nil
}

// climb adds a step to a sum that stops at zero. What rounding leaves above zero
// is zero: the last zero of a sum dates the change.
func climb(sum, step, dust float64) float64 {
	if sum += step; sum <= dust {
		return 0
	}
	return sum
}
