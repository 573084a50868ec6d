package chart

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// P returns the chart of the share of defective units: counts of defectives among
// sizes units. Limits of point i are p ± Width·√(p(1-p)/nᵢ), held within 0 and 1,
// with p the share among all baseline units; rules read each point standardised by
// its own limits. Options.Center is the share; Options.Sigma is refused, because
// the binomial law fixes it. Chart.Sigma is √(p(1-p)), of a single unit.
//
// It assumes that units fail independently with one chance. The normal limits are
// rough while fewer than about 5 defectives are expected per point (a warning says
// so). Source: e-Handbook 6.3.3.2.
func P(counts, sizes []float64, o Options) (Chart, error) {
	c, err := binomial("p", counts, sizes, o)
	if err != nil {
		return Chart{}, err
	}
	for i, n := range sizes {
		c.Points[i] = Point{Index: i + 1, Value: counts[i] / n, Center: c.Center, Sigma: c.Sigma / math.Sqrt(n)}
	}
	mark(c.Points, o)
	atLeastZero(c.Points)
	for i := range c.Points {
		c.Points[i].Upper = math.Min(1, c.Points[i].Upper)
	}
	return c, nil
}

// NP returns the chart of the number of defective units among equal sizes, with
// limits np ± Width·√(np(1-p)). Options.Center is that number, Chart.Sigma its
// standard deviation. It refuses unequal sizes, whose numbers do not compare: use
// P. Else as P. Source: e-Handbook 6.3.3.2.
func NP(counts, sizes []float64, o Options) (Chart, error) {
	for i, n := range sizes {
		if n != sizes[0] {
			return Chart{}, &sample.Error{Index: i, What: "size", Why: fmt.Sprintf("is %v and the first %v: numbers of defectives compare at equal sizes only, use a p chart", n, sizes[0])}
		}
	}
	if o.Center != nil && len(sizes) > 0 && sizes[0] > 0 {
		share := *o.Center / sizes[0]
		o.Center = &share
	}
	c, err := binomial("np", counts, sizes, o)
	if err != nil {
		return Chart{}, err
	}
	n := sizes[0]
	c.Center, c.Sigma = c.Center*n, c.Sigma*math.Sqrt(n)
	for i, k := range counts {
		c.Points[i] = Point{Index: i + 1, Value: k, Center: c.Center, Sigma: c.Sigma}
	}
	mark(c.Points, o)
	atLeastZero(c.Points)
	for i := range c.Points {
		c.Points[i].Upper = math.Min(n, c.Points[i].Upper)
	}
	return c, nil
}

// C returns the chart of defects counted in equal amounts of product, with limits
// c ± Width·√c, not below zero. Options.Center is the mean count c, Options.Sigma
// is refused, Chart.Sigma is √c. It assumes independent rare defects (a Poisson
// law); batches of defects from one cause spread wider. Source: e-Handbook 6.3.3.1.
func C(counts []float64, o Options) (Chart, error) {
	ones := make([]float64, len(counts))
	for i := range ones {
		ones[i] = 1
	}
	return poisson("c", counts, ones, o)
}

// U returns the chart of defects per unit of size, counts over sizes, with limits
// u ± Width·√(u/nᵢ), not below zero, and u = Σcounts/Σsizes over the baseline.
// Sizes are positive and may be fractions (square metres, hours). Options.Center is
// u, Options.Sigma is refused, Chart.Sigma is √u, of size one. Assumes as C.
func U(counts, sizes []float64, o Options) (Chart, error) {
	return poisson("u", counts, sizes, o)
}

func binomial(kind string, counts, sizes []float64, o Options) (Chart, error) {
	p, warnings, err := rate(counts, sizes, o)
	if err != nil {
		return Chart{}, err
	}
	for i, n := range sizes {
		if n != math.Trunc(n) {
			return Chart{}, &sample.Error{Index: i, What: "size", Why: fmt.Sprintf("is %v: a size is a whole number, correct it", n)}
		}
		if counts[i] > n {
			return Chart{}, &sample.Error{Index: i, What: "count", Why: fmt.Sprintf("is %v defectives among %v units: correct one of them", counts[i], n)}
		}
	}
	if p >= 1 {
		return Chart{}, fmt.Errorf("a share of %v leaves no room for limits: it must be below 1", p)
	}
	return Chart{Kind: kind, Center: p, Sigma: math.Sqrt(p * (1 - p)), Points: make([]Point, len(counts)), Warnings: warnings}, nil
}

func poisson(kind string, counts, sizes []float64, o Options) (Chart, error) {
	u, warnings, err := rate(counts, sizes, o)
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: kind, Center: u, Sigma: math.Sqrt(u), Points: make([]Point, len(counts)), Warnings: warnings}
	for i, n := range sizes {
		c.Points[i] = Point{Index: i + 1, Value: counts[i] / n, Center: u, Sigma: c.Sigma / math.Sqrt(n)}
	}
	mark(c.Points, o)
	atLeastZero(c.Points)
	return c, nil
}

// rate checks counts and sizes and returns the baseline's count per size, or the
// given one.
func rate(counts, sizes []float64, o Options) (r float64, warnings []string, err error) {
	if err := errors.Join(o.check(), checkCounts(counts, sizes)); err != nil {
		return 0, nil, err
	}
	if o.Sigma != nil {
		return 0, nil, errors.New("sigma cannot be given for counts: it follows from the centre")
	}
	n, err := o.count(len(counts), "samples")
	if err != nil {
		return 0, nil, err
	}
	if o.Center != nil {
		r = *o.Center
		if !(r > 0) {
			return 0, nil, fmt.Errorf("centre %v of counts is not above 0", r)
		}
	} else {
		if len(counts) < 2 {
			return 0, nil, fmt.Errorf("needs at least 2 samples, or a centre, has %d", len(counts))
		}
		sum, size := 0.0, 0.0
		for i := range n {
			sum += counts[i]
			size += sizes[i]
		}
		if sum == 0 {
			return 0, nil, fmt.Errorf("all %d samples that set the limits count zero: give a centre", n)
		}
		r = sum / size
		if n < 20 {
			warnings = append(warnings, fmt.Sprintf("Limits rest on %d samples; below 20 they are provisional.", n))
		}
	}
	for _, s := range sizes {
		if r*s < 5 {
			return r, append(warnings, fmt.Sprintf("A sample of size %g expects only %.3g: below 5 the limits are rough, and a lower limit of zero cannot be crossed.", s, r*s)), nil
		}
	}
	return r, warnings, nil
}

// Counts above largestCount skip whole numbers in float64; a count over a size below
// smallestSize would leave its range.
const (
	largestCount = 1 << 53
	smallestSize = 1e-100
)

func checkCounts(counts, sizes []float64) error {
	if len(counts) != len(sizes) {
		return fmt.Errorf("%d counts and %d sizes do not pair", len(counts), len(sizes))
	}
	if err := sample.Check(counts, 1); err != nil {
		return fmt.Errorf("counts: %w", err)
	}
	if err := sample.Check(sizes, 1); err != nil {
		return fmt.Errorf("sizes: %w", err)
	}
	for i, k := range counts {
		switch {
		case k < 0 || k != math.Trunc(k) || k > largestCount:
			return &sample.Error{Index: i, What: "count", Why: fmt.Sprintf("is %v: counts are whole numbers from zero up, correct it", k)}
		case !(sizes[i] >= smallestSize):
			return &sample.Error{Index: i, What: "size", Why: fmt.Sprintf("is %v: sizes are above zero, correct it or leave the row out", sizes[i])}
		}
	}
	return nil
}
