// Package chart holds the control charts of one stream of values, and the run
// rules that read them.
//
//	Individuals        single values and their moving range
//	XBarR, XBarS       subgroup means with ranges or standard deviations
//	EWMA, CUSUM        small lasting shifts
//	P, NP, C, U        defective units, defects
//	SelfStarting...    from the third unit on, before there is a baseline
//	Screen             outliers of a baseline, each named
//
// Limits come either from the caller (centre and sigma of a frozen limit set) or
// from the data's own first points (phase I). A chart never changes its limits
// while it reads on. Charts over many streams at once, where false alarms add up,
// need stretched rules: see Stretched.
package chart

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// A Chart is a sequence of points with their limits. Center and Sigma given back
// as Options draw the same limits again.
type Chart struct {
	Kind      string
	Center    float64
	Sigma     float64 // standard deviation of one value; on others see their constructor
	Points    []Point
	Companion *Chart // of the spread: moving range, range or standard deviation
	Warnings  []string
}

// A Point is one plotted value, its limits, and the rules that fired on it.
type Point struct {
	Index   int // of the value or subgroup, from 1
	Value   float64
	Center  float64
	Lower   float64
	Upper   float64
	Signals []Key
	Sigma   float64 // standard deviation of Value around Center

	// Of a CUSUM, in the unit of the data; zero on other charts.
	UpperSum float64
	LowerSum float64
}

// Options fix what the data would otherwise decide.
type Options struct {
	Center   *float64 // nil: from the data
	Sigma    *float64 // of one value; nil: from the data
	Baseline int      // first so many points set the limits; 0 for all
	Width    float64  // limits lie at so many sigmas, those of the companion too; 0 for 3
	Rules    []Rule   // nil for Beyond at Width alone
}

func (o Options) width() float64 {
	if o.Width == 0 {
		return 3
	}
	return o.Width
}

// rules returns the rules to read with; Beyond follows the chart's width, so
// that the drawn limit and the rule are the same line.
func (o Options) rules() []Rule {
	if o.Rules == nil {
		return []Rule{{Key: Beyond, Count: 1, Of: 1, Width: o.width()}}
	}
	rules := append([]Rule(nil), o.Rules...)
	for i := range rules {
		if rules[i].Key == Beyond && o.Width != 0 {
			rules[i].Width = o.Width
		}
	}
	return rules
}

// count returns how many of n values or subgroups set the limits.
func (o Options) count(n int, what string) (int, error) {
	if o.Baseline < 0 || o.Baseline > n {
		return 0, fmt.Errorf("the baseline asks for the first %d of %d %s: give 1 to %d", o.Baseline, n, what, n)
	}
	if o.Baseline > 0 {
		return o.Baseline, nil
	}
	return n, nil
}

// least returns how many values or subgroups a chart needs.
func (o Options) least() int {
	if o.Center != nil && o.Sigma != nil {
		return 1
	}
	return 2
}

func (o Options) check() error {
	if o.Width < 0 || o.Width > 20 {
		return fmt.Errorf("width %v is not between 0 and 20 sigmas", o.Width)
	}
	if o.Sigma != nil {
		if err := sample.Check([]float64{*o.Sigma}, 1); err != nil || *o.Sigma < 1/sample.Largest {
			return fmt.Errorf("sigma %v is not a positive number", *o.Sigma)
		}
	}
	if o.Center != nil {
		if err := sample.Check([]float64{*o.Center}, 1); err != nil {
			return fmt.Errorf("centre %v is not a finite number", *o.Center)
		}
	}
	for _, r := range o.Rules {
		if err := r.Check(); err != nil {
			return err
		}
	}
	return nil
}

// estimate returns centre and sigma of a stream of single values: as given, or
// from the baseline. It needs no baseline when both are given.
func (o Options) estimate(xs []float64) (Estimate, error) {
	count, err := o.count(len(xs), "values")
	if err != nil {
		return Estimate{}, err
	}
	e := Estimate{}
	if o.Center == nil || o.Sigma == nil {
		if o.Baseline == 1 {
			return Estimate{}, errors.New("a baseline of one value has no spread: give at least 2, or centre and sigma")
		}
		if e, err = EstimateFrom(xs[:count]); err != nil && !(errors.Is(err, ErrNoSpread) && o.Sigma != nil) {
			return Estimate{}, err
		}
	}
	if o.Center != nil {
		e.Center = *o.Center
	}
	if o.Sigma != nil {
		e.Sigma = *o.Sigma
	}
	return e, nil
}

// mark draws limits around each point's own centre and lets the rules read the
// points, each standardised by its own centre and sigma.
func mark(points []Point, o Options) {
	rules, w := o.rules(), o.width()
	d := NewReader(rules)
	for i := range points {
		p := &points[i]
		p.Lower, p.Upper = p.Center-w*p.Sigma, p.Center+w*p.Sigma
		p.Signals = KeysOf(d.Push(standard(p.Value, p.Center, p.Sigma)), rules)
	}
}

// atLeastZero is for charts of what cannot be negative. A limit below zero was
// never crossed, so no signal changes.
func atLeastZero(points []Point) {
	for i := range points {
		points[i].Lower = math.Max(0, points[i].Lower)
	}
}

// standard returns (x-center)/sigma. All rules are strict about points that lie
// exactly on a line, and published lines lie at whole sigmas, so a result within
// the rounding of x and center of a whole number is that number: 74.03 is not
// beyond 74 + 3·0.01, though in float64 the quotient is 3.0000000000001137.
func standard(x, center, sigma float64) float64 {
	z := (x - center) / sigma
	if whole := math.Round(z); math.Abs(z-whole) <= noise(math.Abs(x)+math.Abs(center), sigma) {
		return whole
	}
	return z
}

// noise returns the rounding error, in sigmas, of a difference of values of the
// given size; at most 1e-9, so that no point seen by eye is moved onto a line.
func noise(size, sigma float64) float64 {
	const ulp = 0x1p-52
	return math.Min(1e-9, 2*ulp*(size/sigma+4))
}
