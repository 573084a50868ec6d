// Package conformance says how likely a unit is within its tolerance when the
// reading has an uncertainty, and how far to tighten the limits (guard band) so that
// the risk of passing a bad unit stays where it is wanted. Model and words follow
// JCGM 106:2012.
//
// The true value Y of a unit is what the tolerance is about; the reading is Y plus a
// normal error with mean 0 and standard uncertainty u. What is known of Y before the
// reading is either nothing (flat prior) or the process it comes from: normal with a
// mean and a standard deviation. All values are in the unit of the quantity.
//
// Specific risks are about one reading, global risks about the run of units. Both
// kinds keep their digits down to 1e-300: they are sums of what is wrong, never one
// minus what is right.
package conformance

import (
	"fmt"
	"math"
)

// Limits are a tolerance or acceptance interval; ∓Inf stands for no limit on that
// side.
type Limits struct{ Lower, Upper float64 }

// A Process is the normal distribution the true values of units come from.
type Process struct {
	Mean float64
	SD   float64 // > 0
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func (l Limits) check(name string) error {
	switch {
	case math.IsNaN(l.Lower) || math.IsNaN(l.Upper) || math.IsInf(l.Lower, 1) || math.IsInf(l.Upper, -1):
		return fmt.Errorf("%s limits %v, %v are not usable: give numbers, and for no limit -Inf below or +Inf above", name, l.Lower, l.Upper)
	case math.IsInf(l.Lower, -1) && math.IsInf(l.Upper, 1):
		return fmt.Errorf("%s limits are missing: give at least one", name)
	case l.Lower >= l.Upper:
		return fmt.Errorf("lower %s limit %v is not below the upper one %v: exchange them", name, l.Lower, l.Upper)
	}
	return nil
}

func (p Process) check() error {
	if !finite(p.Mean) {
		return fmt.Errorf("process mean %v is not usable: give a number", p.Mean)
	}
	if !(p.SD > 0) || !finite(p.SD) {
		return fmt.Errorf("process standard deviation %v is not usable: give a number above 0", p.SD)
	}
	return nil
}

func checkU(u float64) error {
	if !(u > 0) || !finite(u) {
		return fmt.Errorf("standard uncertainty %v is not usable: give a number above 0, from the gauge study", u)
	}
	return nil
}
