package gauge

import (
	"fmt"
	"math"

	"alike/spc/sample"
)

// A Reading is one measured value of one part by one operator.
type Reading struct {
	Part     string
	Operator string
	Value    float64
}

// Options steer a study. The zero value is usable.
type Options struct {
	// Pool is the p-value above which the part×operator interaction is taken as
	// absent and its sum of squares joined to repeatability; nil for 0.25. At 1 it
	// is always kept, at 0 always pooled.
	Pool *float64
	// Tolerance is upper minus lower limit, in the unit of the values; 0 for none.
	Tolerance float64
	// Confidence of the intervals; 0 for 0.95.
	Confidence float64
}

// Named holds one thing for each component of the spread. Reproducibility is
// operator and interaction together, gauge is reproducibility and repeatability,
// total is gauge and part.
type Named[T any] struct {
	Repeatability, Operator, Interaction, Reproducibility, Gauge, Part, Total T
}

// An Interval runs from Low to High.
type Interval struct{ Low, High float64 }

// A Study is the analysis of a gauge study.
type Study struct {
	Design     string // "crossed", "nested" or "one operator"
	Parts      int    // in a nested study per operator
	Operators  int
	Trials     int
	Pooled     bool // the interaction was joined to repeatability
	Confidence float64

	Anova []Row

	Variance            Named[float64] // negative estimates set to 0
	PercentContribution Named[float64] // 100·variance/total variance
	PercentStudy        Named[float64] // 100·sigma/total sigma, i.e. of 6 sigma of the study
	PercentTolerance    Named[float64] // 100·6·sigma/tolerance; zero without a tolerance

	VarianceInterval         Named[Interval]
	PercentStudyInterval     Named[Interval]
	PercentToleranceInterval Named[Interval] // zero without a tolerance

	// DistinctRatio is √2·sigma(part)/sigma(gauge), DistinctCategories the whole
	// number below it, at least 1.
	DistinctRatio      float64
	DistinctInterval   Interval
	DistinctCategories int

	Warnings []string
}

// Crossed analyses a study in which every operator measured every part the same
// number of times. It needs two parts and two readings of each part; with one
// operator only repeatability is separated from the parts. An error names the
// reading or the cell that is missing or at fault.
func Crossed(readings []Reading, o Options) (Study, error) {
	l, err := arrange(readings, o, false)
	if err != nil {
		return Study{}, err
	}
	return l.study(o)
}

// Nested analyses a study in which every operator measured parts of their own;
// the same part name under two operators means two parts. It needs two operators
// with two parts each and two readings of each part.
func Nested(readings []Reading, o Options) (Study, error) {
	l, err := arrange(readings, o, true)
	if err != nil {
		return Study{}, err
	}
	return l.study(o)
}

// SigmaFor returns the standard deviation that measuring adds to the mean of so
// many seatings of one unit by one operator: repeatability is averaged,
// reproducibility is not. It panics for fewer than one seating.
func (s Study) SigmaFor(seatings int) float64 {
	if seatings < 1 {
		panic("gauge: fewer than one seating")
	}
	return math.Sqrt(s.Variance.Reproducibility + s.Variance.Repeatability/float64(seatings))
}

func (o Options) pool() float64 {
	if o.Pool == nil {
		return 0.25
	}
	return *o.Pool
}

func (o Options) confidence() float64 {
	if o.Confidence == 0 {
		return 0.95
	}
	return o.Confidence
}

func (o Options) check() error {
	if p := o.pool(); !(p >= 0 && p <= 1) {
		return fmt.Errorf("pool %v is not a probability: give a number from 0 to 1", p)
	}
	if t := o.Tolerance; !(t >= 0 && t <= sample.Largest) {
		return fmt.Errorf("tolerance %v is not a width: give upper minus lower limit, or 0 for none", t)
	}
	if c := o.confidence(); !(c > 0 && c < 1) {
		return fmt.Errorf("confidence %v is not between 0 and 1", c)
	}
	return nil
}

// each returns f of every component.
func each[T, U any](n Named[T], f func(T) U) Named[U] {
	return Named[U]{
		f(n.Repeatability), f(n.Operator), f(n.Interaction), f(n.Reproducibility),
		f(n.Gauge), f(n.Part), f(n.Total),
	}
}
