package main

import (
	"fmt"

	"alike/spc/tolerance"
)

type calcTolerance struct {
	asJSON
	N          int     `name:"n" help:"Units measured. Left out with method order: the smallest number that suffices."`
	Coverage   float64 `help:"Share of all units that lies within." required:""`
	Confidence float64 `help:"Confidence that it does." required:""`
	Sides      int     `help:"One limit or two." enum:"1,2" default:"2"`
	Method     string  `help:"${enum}: exact factor of a normal distribution, Howe's approximation, or ranked values without an assumed distribution." enum:"exact,howe,order" default:"exact"`
}

func (cmd *calcTolerance) Run(c *console) error {
	if err := c.given.notZero("n"); err != nil {
		return err
	}
	if _, ok := c.given["n"]; !ok && cmd.Method != "order" {
		return fmt.Errorf("--n is missing; method %s needs the number of units measured", cmd.Method)
	}
	r, err := tolerance.Factor(cmd.N, cmd.Coverage, cmd.Confidence, cmd.Sides, tolerance.Method(cmd.Method))
	if err != nil {
		return err
	}
	order := r.Method == tolerance.Order
	if cmd.JSON {
		a := map[string]any{"n": r.N, "confidence": r.ConfidenceAchieved}
		if order {
			// the contract's confidence is that of the smallest and largest value
			a["confidence"], a["needed"] = r.Extremes, r.Needed
			a["from_below"], a["from_above"], a["rank_confidence"] = r.FromBelow, r.FromAbove, r.ConfidenceAchieved
		} else {
			a["k"] = r.K
		}
		if len(r.Warnings) > 0 {
			a["warnings"] = r.Warnings
		}
		return printJSON(c, a)
	}
	switch {
	case order && cmd.Sides == 1:
		fmt.Fprintf(c.out, "%d units: with the outermost value as the limit the confidence is %.6g\n", r.N, r.Extremes)
		if r.FromBelow > 1 {
			fmt.Fprintf(c.out, "the value of rank %d from that end suffices: confidence %.6g\n", r.FromBelow, r.ConfidenceAchieved)
		}
	case order:
		fmt.Fprintf(c.out, "%d units: with the smallest and the largest value as limits the confidence is %.6g\n", r.N, r.Extremes)
		if r.FromBelow > 1 {
			fmt.Fprintf(c.out, "the values of rank %d from below and %d from above suffice: confidence %.6g\n", r.FromBelow, r.FromAbove, r.ConfidenceAchieved)
		}
	case cmd.Sides == 1:
		fmt.Fprintf(c.out, "factor %.6f: the limit is the mean plus, or minus, so many standard deviations; confidence %.6g\n", r.K, r.ConfidenceAchieved)
	default:
		fmt.Fprintf(c.out, "factor %.6f: limits are the mean plus and minus so many standard deviations; confidence %.6g\n", r.K, r.ConfidenceAchieved)
	}
	return c.warn(r.Warnings)
}
