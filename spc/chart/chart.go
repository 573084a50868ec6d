// Package chart holds the control charts of one stream of values, and the run
// rules that read them.
//
// Limits come either from the caller (centre and sigma of a frozen limit set) or
// from the data's own first points (phase I). A chart never changes its limits
// while it reads on. Charts over many streams at once, where false alarms add up,
// need stretched rules: see Budgeted.
package chart

import (
	"fmt"

	"alike/spc/sample"
)

// A Chart is a sequence of points with their limits.
type Chart struct {
	Kind      string
	Center    float64
	Sigma     float64 // standard deviation of a plotted point around Center
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
}

// Options fix what the data would otherwise decide.
type Options struct {
	Center   *float64 // nil: from the data
	Sigma    *float64 // of one value; nil: from the data
	Baseline int      // first so many points set the limits; 0 for all
	Width    float64  // limits lie at so many sigmas; 0 for 3
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

// baseline returns the part of xs that sets the limits.
func (o Options) baseline(xs []float64) ([]float64, error) {
	if o.Baseline < 0 || o.Baseline > len(xs) {
		return nil, fmt.Errorf("the baseline asks for the first %d of %d values", o.Baseline, len(xs))
	}
	if o.Baseline > 0 {
		return xs[:o.Baseline], nil
	}
	return xs, nil
}

func (o Options) check() error {
	if o.Width < 0 || o.Width > 20 {
		return fmt.Errorf("width %v is not between 0 and 20 sigmas", o.Width)
	}
	if o.Sigma != nil {
		if err := sample.Check([]float64{*o.Sigma}, 1); err != nil || *o.Sigma <= 0 {
			return fmt.Errorf("sigma %v is not a positive number", *o.Sigma)
		}
	}
	if o.Center != nil {
		if err := sample.Check([]float64{*o.Center}, 1); err != nil {
			return fmt.Errorf("centre %v is not a finite number", *o.Center)
		}
	}
	for _, r := range o.Rules {
		if err := r.check(); err != nil {
			return err
		}
	}
	return nil
}
