// Package runlength tells how many points a chart reads on average before it
// signals: false alarms while the process stands still, delay after a shift.
//
//	Individuals        any set of run rules: closed form, Markov chain or simulation
//	RunLengths         the whole law of the run length for zoned rules
//	EWMA, CUSUM        integral equations
//	T2, MEWMA          several variables
//
// All run lengths count from the chart's start (zero state) with the process at
// its shifted level from the first point on, for independent normal values whose
// centre and sigma are known. Limits estimated from a small baseline signal more
// often, some of them much more often: see chart.Stretched. A shift is in standard
// deviations of a plotted point, so that for means of n values a shift of the
// process by δ sigmas is δ√n here.
package runlength

import (
	"fmt"
	"math"
)

// How a Result was found.
const (
	ClosedForm  = "closed form"
	MarkovChain = "markov chain"
	Integral    = "integral equation"
	Simulated   = "simulation"
)

// A Result is an average run length.
type Result struct {
	ARL      float64 // points up to and with the signal, ≥ 1; +Inf when the chart can never signal
	SE       float64 // standard error of a simulated ARL; 0 when computed
	Method   string
	Warnings []string
}

func checkShift(shift float64) error {
	if !(math.Abs(shift) <= 1000) {
		return fmt.Errorf("shift %v is not between -1000 and 1000 sigmas", shift)
	}
	return nil
}

// inverse returns 1/p as a closed-form result, with a warning for a chart that
// never signals.
func inverse(p float64) Result {
	r := Result{ARL: 1 / p, Method: ClosedForm}
	if p == 0 {
		r.Warnings = []string{never}
	}
	return r
}

const never = "The chance of a signal is below the range of numbers: the chart never signals."
