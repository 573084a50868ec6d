package chart

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"alike/spc/sample"
)

// subgroup is what a chart keeps of a subgroup.
type subgroup struct {
	n               int
	mean, reach, sd float64   // range and sd are 0 for one value
	factor          Constants // zero for one value
}

// summarise checks subgroups and reduces them.
func summarise(groups [][]float64, least int) ([]subgroup, error) {
	if len(groups) < least {
		return nil, fmt.Errorf("needs at least %d subgroups, has %d: measure more", least, len(groups))
	}
	out := make([]subgroup, len(groups))
	for i, g := range groups {
		if err := sample.Check(g, 1); err != nil {
			return nil, fmt.Errorf("subgroup %d: %w", i+1, err)
		}
		out[i] = subgroup{n: len(g), mean: sample.Mean(g)}
		if len(g) == 1 {
			continue
		}
		var err error
		if out[i].factor, err = ConstantsFor(len(g)); err != nil {
			return nil, fmt.Errorf("subgroup %d: %w", i+1, err)
		}
		out[i].reach = slices.Max(g) - slices.Min(g)
		out[i].sd = sample.SD(g)
	}
	return out, nil
}

// grandMean is the mean of all values.
func grandMean(base []subgroup) float64 {
	first, n := base[0].mean, 0.0
	sum := 0.0
	for _, g := range base {
		sum += float64(g.n) * (g.mean - first)
		n += float64(g.n)
	}
	return first + sum/n
}

// An estimator turns a subgroup into an estimate of sigma with its relative standard
// error.
type estimator func(g subgroup) (sigma, relative float64)

func byRange(g subgroup) (sigma, relative float64) {
	return g.reach / g.factor.D2, g.factor.D3 / g.factor.D2
}

func bySD(g subgroup) (sigma, relative float64) {
	c4 := g.factor.C4
	return g.sd / c4, math.Sqrt(1-c4*c4) / c4
}

// spread is the unbiased estimate of sigma with the least variance that is linear
// in the subgroups' own estimates: their mean weighted by 1/error² (Burr, J.
// Quality Technology 1 (1969) 163-167, from memory). Equal sizes weigh equally,
// which leaves R-bar/d2 or s-bar/c4.
func spread(base []subgroup, by estimator) (float64, error) {
	sum, weights, size := 0.0, 0.0, 0.0
	for _, g := range base {
		size = math.Max(size, math.Abs(g.mean))
		if g.n < 2 {
			continue
		}
		s, e := by(g)
		sum += s / (e * e)
		weights += 1 / (e * e)
	}
	if weights == 0 {
		return 0, errors.New("no subgroup that sets the limits has two values: give sigma, or chart single values")
	}
	if sum/weights <= 1e-13*size {
		return 0, ErrNoSpread
	}
	return sum / weights, nil
}

func root(n int) float64 { return math.Sqrt(float64(n)) }
