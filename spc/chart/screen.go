package chart

import (
	"fmt"
	"math"
	"slices"

	"alike/spc/dist"
	"alike/spc/sample"
)

// DefaultLoss is how many good values Screen loses per baseline, on average and at
// most, unless told otherwise.
const DefaultLoss = 0.1

// LeftOut is a value that Screen takes for an outlier.
type LeftOut struct {
	Index    int     // position in the baseline, from 0
	Value    float64 // as measured
	Distance float64 // from the mean of the values not yet left out, in their standard deviations
	Critical float64 // distance at which it would have stayed
}

// Screen finds outliers in a baseline of independent normal values by the
// generalised extreme studentised deviate (Rosner, Technometrics 25 (1983)
// 165-172; e-Handbook 1.3.5.17.3). The value farthest from the mean is set aside
// again and again, up to a fifth of the baseline (one below ten values), and every
// value up to the last whose distance exceeds its critical one is left out. Looking
// at all steps before deciding is what finds two outliers that hide each other.
//
// Critical distances grow with the size of the baseline so that a baseline without
// outliers loses, on average, at most loss values (0 for DefaultLoss; at most 1).
// Kept and LeftOut hold positions from 0, kept in order, left out in the order of
// their distances. A baseline of fewer than five values, or without spread, is an
// error. Outliers are judged against the spread of all values: a shift or drift
// widens it and is never cut away. The caller shows what was left out and lets a
// person decide.
func Screen(base []float64, loss float64) (kept []int, left []LeftOut, err error) {
	if loss == 0 {
		loss = DefaultLoss
	}
	if !(loss > 0 && loss <= 1) {
		return nil, nil, fmt.Errorf("average loss %v is not between 0 and 1 values", loss)
	}
	if err := sample.Check(base, 5); err != nil {
		return nil, nil, err
	}
	if sample.SD(base) <= 1e-13*math.Abs(sample.Mean(base)) {
		return nil, nil, ErrNoSpread
	}
	most, alpha := screenSteps(len(base), loss)
	kept = make([]int, len(base))
	for i := range kept {
		kept[i] = i
	}
	last := 0
	for range most {
		out, ok := farthest(base, kept)
		if !ok {
			break
		}
		left = append(left, out)
		if screenTail(len(kept), out.Distance) < alpha {
			last = len(left)
		}
		kept = slices.DeleteFunc(kept, func(i int) bool { return i == out.Index })
	}
	for _, l := range left[last:] {
		kept = append(kept, l.Index)
	}
	slices.Sort(kept)
	for i := range left[:last] {
		left[i].Critical = screenCritical(len(base)-i, alpha)
	}
	return kept, slices.Clip(left[:last]), nil
}

// screenSteps returns how many values may be left out and the chance alpha of each
// step's critical distance. When up to a fifth of n ≥ 10 normal values may go, a
// baseline loses at most 2.1 alpha on average (1.9 for n = 10, 2.1 for 15, 1.75 for
// 25, 1.1 for 100, at alpha 0.1; less at smaller alpha; by simulation of 1e5 each).
func screenSteps(n int, loss float64) (most int, alpha float64) {
	if n < 10 {
		return 1, loss
	}
	return n / 5, loss / 2.2
}

// screenTail bounds the chance that the farthest of n normal values lies at least
// so far, by Bonferroni from Student's t (Rosner 1983).
func screenTail(n int, distance float64) float64 {
	m := float64(n)
	room := (m-1)*(m-1)/m - distance*distance // 0 when all others are equal
	t := math.Inf(1)
	if room > 0 {
		t = distance * math.Sqrt((m-2)/room)
	}
	return 2 * m * dist.StudentT{Nu: m - 2}.Survival(t)
}

// screenCritical is the distance which the farthest of n normal values exceeds
// with chance alpha (Rosner 1983, λ): where screenTail is alpha.
func screenCritical(n int, alpha float64) float64 {
	m := float64(n)
	t := dist.StudentT{Nu: m - 2}.QuantileUpper(alpha / (2 * m))
	return (m - 1) * t / math.Sqrt((m-2+t*t)*m)
}

// farthest returns the value with the largest distance; not ok when those kept do
// not vary.
func farthest(base []float64, kept []int) (LeftOut, bool) {
	xs := make([]float64, len(kept))
	for k, i := range kept {
		xs[k] = base[i]
	}
	mean, sd := sample.Mean(xs), sample.SD(xs)
	out := LeftOut{Distance: -1}
	for k, i := range kept {
		if d := math.Abs(xs[k]-mean) / sd; d > out.Distance {
			out = LeftOut{Index: i, Value: xs[k], Distance: d}
		}
	}
	return out, sd > 1e-13*math.Abs(mean)
}
