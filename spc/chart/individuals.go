package chart

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// ErrNoSpread means that the values that should set the limits are all equal.
var ErrNoSpread = errors.New("the values that set the limits do not vary: nothing can be judged against a spread of zero (is the resolution of the reading too coarse?)")

// rangePair is d2 for two values, the mean of a moving range in sigmas, exactly
// 2/√π. Printed limits made with the rounded 1.128 differ in the fourth digit.
var rangePair = 2 / math.SqrtPi

// Individuals returns the chart of single values with its moving-range companion.
// Sigma is the mean moving range over 2/√π unless given, so that a slow shift
// inside the baseline widens the limits little. Points are standardised by centre
// and sigma before the rules read them. It needs two values, ten for limits worth
// having; with centre and sigma given one can be judged. Source: NIST/SEMATECH e-Handbook 6.3.2.2.
func Individuals(xs []float64, o Options) (Chart, error) {
	if err := errors.Join(o.check(), sample.Check(xs, o.least())); err != nil {
		return Chart{}, err
	}
	e, err := o.estimate(xs)
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: "individuals", Center: e.Center, Sigma: e.Sigma, Points: make([]Point, len(xs)), Warnings: e.Warnings}
	for i, x := range xs {
		c.Points[i] = Point{Index: i + 1, Value: x, Center: e.Center, Sigma: e.Sigma}
	}
	mark(c.Points, o)
	c.Companion = movingRange(xs, e.Sigma, o.Width)
	return c, nil
}

// movingRange returns the chart of |xᵢ-xᵢ₋₁|, whose first point is the second
// value's. With limits at three sigmas the lower one is zero and cannot be crossed.
func movingRange(xs []float64, sigma, width float64) *Chart {
	two, _ := ConstantsFor(2)
	m := &Chart{Kind: "moving-range", Center: rangePair * sigma, Sigma: two.D3 * sigma}
	for i := 1; i < len(xs); i++ {
		m.Points = append(m.Points, Point{Index: i + 1, Value: math.Abs(xs[i] - xs[i-1]), Center: m.Center, Sigma: m.Sigma})
	}
	mark(m.Points, Options{Width: width})
	atLeastZero(m.Points)
	return m
}

// An Estimate is what a baseline says about a stream: its level and its spread.
type Estimate struct {
	N        int
	Center   float64
	Sigma    float64 // mean moving range over 2/√π
	SD       float64 // standard deviation with divisor N-1, for comparison
	Freedom  float64 // effective degrees of freedom of Sigma
	Warnings []string
}

// EstimateFrom estimates centre and sigma from a baseline in order of production.
// It returns ErrNoSpread, with the centre set, when the values are all equal.
func EstimateFrom(base []float64) (Estimate, error) {
	if err := sample.Check(base, 2); err != nil {
		return Estimate{}, err
	}
	n := float64(len(base))
	sum := 0.0
	for i := 1; i < len(base); i++ {
		sum += math.Abs(base[i] - base[i-1])
	}
	e := Estimate{
		N:       len(base),
		Center:  sample.Mean(base),
		Sigma:   sum / (n - 1) / rangePair,
		SD:      sample.SD(base),
		Freedom: rangeFreedom(len(base)),
	}
	// Differences of equal large numbers may leave dust that is no spread.
	if e.Sigma <= 1e-13*math.Abs(e.Center) {
		return e, ErrNoSpread
	}
	if len(base) < 20 {
		e.Warnings = append(e.Warnings, fewUnits(len(base)))
	}
	return e, nil
}

// rangeFreedom returns the degrees of freedom ν of a chi-square whose root has
// the same coefficient of variation as the mean moving range of n normal values.
// Var(MR) follows from E|XY| of two neighbouring differences, whose correlation
// is -1/2: Var(MR/d2)/σ² = (0.8265n-1.0822)/(n-1)² (Cryer and Ryan, J. Quality
// Technology 22 (1990) 187-192, from memory; constants recomputed), ν = 1/(2cv²).
func rangeFreedom(n int) float64 {
	if n < 3 {
		return 1
	}
	m := float64(n - 1)
	single := math.Pi/2 - 1 // Var|d|/E|d|²
	// Cov(|d1|,|d2|)/E|d|² = √(1-ρ²)+ρ·asin ρ - 1 at ρ = -1/2.
	pair := math.Sqrt(3)/2 + math.Pi/12 - 1
	cv2 := (single*m + 2*pair*(m-1)) / (m * m)
	return 1 / (2 * cv2)
}

func fewUnits(n int) string {
	return fmt.Sprintf("Limits rest on %d values; below 20 they are provisional.", n)
}
