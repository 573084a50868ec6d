package runlength

import (
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/chart"
	"alike/spc/dist"
)

// Individuals returns the average run length of a chart of independent normal
// points read with rules (nil for one point beyond three sigmas), the process
// shifted by so many sigmas from the first point on.
//
// Beyond alone is 1/(Φ(-w-δ)+1-Φ(w-δ)). Sets of zoned rules are solved exactly by
// a Markov chain (Champ and Woodall, Technometrics 29 (1987) 393-399) whose states
// are what the package chart's own reader remembers. Sets with Trend or
// Alternating, which remember the last value, and sets with more than MaxStates
// states are simulated; see SE.
func Individuals(shift float64, rules []chart.Rule, s Simulation) (Result, error) {
	rules, err := usable(shift, rules)
	if err != nil {
		return Result{}, err
	}
	if p, ok := onlyBeyond(shift, rules); ok {
		return inverse(p), nil
	}
	if c, ok := build(shift, rules); ok {
		d := c.run()
		r := Result{ARL: d.Mean(), Method: MarkovChain, Warnings: d.Warnings}
		return r, nil
	}
	return s.average(func(rng *rand.Rand) func() bool {
		d := chart.NewReader(rules)
		return func() bool { return d.Push(rng.NormFloat64()+shift) != 0 }
	})
}

// RunLengths returns the law of the run length for zoned rules (all but Trend and
// Alternating), as in Individuals.
func RunLengths(shift float64, rules []chart.Rule) (Distribution, error) {
	rules, err := usable(shift, rules)
	if err != nil {
		return Distribution{}, err
	}
	for _, r := range rules {
		if !r.Zoned() {
			return Distribution{}, fmt.Errorf("rule %s compares neighbouring values: only its average run length is known, by simulation", r.Key)
		}
	}
	c, ok := build(shift, rules)
	if !ok {
		return Distribution{}, fmt.Errorf("these rules together need more than %d states: leave a rule out", MaxStates)
	}
	return c.run(), nil
}

func usable(shift float64, rules []chart.Rule) ([]chart.Rule, error) {
	if err := checkShift(shift); err != nil {
		return nil, err
	}
	if rules == nil {
		rules = chart.Nelson()[:1]
	}
	if len(rules) == 0 || len(rules) > 64 {
		return nil, fmt.Errorf("%d rules: give 1 to 64, or nil for one point beyond 3 sigmas", len(rules))
	}
	for _, r := range rules {
		if err := r.Check(); err != nil {
			return nil, err
		}
	}
	return rules, nil
}

// onlyBeyond returns the chance of a signal per point when each point is judged by
// itself.
func onlyBeyond(shift float64, rules []chart.Rule) (float64, bool) {
	width := math.Inf(1)
	for _, r := range rules {
		if r.Key != chart.Beyond || r.Of != 1 {
			return 0, false
		}
		width = math.Min(width, r.Width)
	}
	return dist.NormOutside(-width-shift, width-shift), true
}
