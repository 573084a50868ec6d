package main

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sampling"
)

type calcSampling struct {
	asJSON
	Lot          int      `help:"Units in the lot; left out: a long run of lots from one process."`
	Sample       *int     `help:"Of a given plan: units to draw."`
	Accept       *int     `help:"Of a given plan: most defectives in the sample of an accepted lot."`
	Defective    *float64 `help:"Share of defectives in the lot, a fraction."`
	Good         *float64 `help:"Of a plan to find: share of defectives to be accepted."`
	ProducerRisk float64  `help:"Largest chance to reject such a lot." default:"0.05"`
	Bad          *float64 `help:"Share of defectives to be rejected."`
	ConsumerRisk float64  `help:"Largest chance to accept such a lot." default:"0.10"`
}

func (cmd *calcSampling) Run(c *console) error {
	if err := cmd.check(c.given); err != nil {
		return err
	}
	switch {
	case cmd.Sample != nil && cmd.Accept != nil && cmd.Defective != nil:
		return cmd.given(c)
	case cmd.Good != nil && cmd.Bad != nil:
		return cmd.find(c)
	}
	return errors.New("give a plan with --sample, --accept and --defective, or what a plan must do with --good, --producer-risk, --bad and --consumer-risk")
}

// check refuses a lot that is none, and flags of both forms together.
func (cmd *calcSampling) check(g given) error {
	if err := g.notZero("lot"); err != nil {
		return err
	}
	if cmd.Lot < 0 {
		return fmt.Errorf("--lot: %d is below 0; %s", cmd.Lot, zeroRemedy["lot"])
	}
	plan, wish := []string{"sample", "accept", "defective"}, []string{"good", "bad", "producer-risk", "consumer-risk"}
	for _, p := range plan {
		for _, w := range wish {
			if _, both := g[p]; !both {
				continue
			}
			if _, both := g[w]; both {
				return fmt.Errorf("--%s is of a given plan and --%s of a plan to find: leave one of them out", p, w)
			}
		}
	}
	return nil
}

// given says what a plan does.
func (cmd *calcSampling) given(c *console) error {
	plan := sampling.Plan{Sample: *cmd.Sample, Accept: *cmd.Accept}
	var p float64
	var err error
	var warnings []string
	if cmd.Lot == 0 {
		p, err = plan.AcceptProcess(*cmd.Defective)
	} else {
		d := *cmd.Defective * float64(cmd.Lot)
		if !(d >= 0 && d <= float64(cmd.Lot)) {
			return fmt.Errorf("--defective: %v is not a fraction from 0 to 1; give one such as 0.02", *cmd.Defective)
		}
		whole := math.Round(d)
		if math.Abs(d-whole) > 1e-9 {
			warnings = append(warnings, fmt.Sprintf("A share of %v of %d units is %.4g defectives; taken as %.0f.", *cmd.Defective, cmd.Lot, d, whole))
		}
		p, err = plan.AcceptLot(cmd.Lot, int(whole))
	}
	if err != nil {
		return err
	}
	if plan.PassesAll() {
		warnings = append(warnings, fmt.Sprintf("A sample of %d cannot hold more than %d defectives: this plan accepts every lot.", plan.Sample, plan.Accept))
	}
	if cmd.JSON {
		return printJSON(c, struct {
			AcceptProbability float64  `json:"accept_probability"`
			Warnings          []string `json:"warnings,omitempty"`
		}{p, warnings})
	}
	fmt.Fprintf(c.out, "chance to accept: %.6f\n", p)
	return c.warn(warnings)
}

// find finds the smallest plan.
func (cmd *calcSampling) find(c *console) error {
	w := sampling.Wish{Good: *cmd.Good, ProducerRisk: cmd.ProducerRisk, Bad: *cmd.Bad, ConsumerRisk: cmd.ConsumerRisk}
	var f sampling.Found
	var err error
	if cmd.Lot == 0 {
		f, err = sampling.FindProcess(w)
	} else {
		f, err = sampling.FindLot(cmd.Lot, w)
	}
	if err != nil {
		return err
	}
	if cmd.JSON {
		return printJSON(c, struct {
			Sample       int      `json:"sample"`
			Accept       int      `json:"accept"`
			ProducerRisk float64  `json:"producer_risk"`
			ConsumerRisk float64  `json:"consumer_risk"`
			Warnings     []string `json:"warnings,omitempty"`
		}{f.Sample, f.Accept, f.ProducerRisk, f.ConsumerRisk, f.Warnings})
	}
	fmt.Fprintf(c.out, "draw %d units; accept with at most %d defective\n", f.Sample, f.Accept)
	fmt.Fprintf(c.out, "producer's risk %.6f, consumer's risk %.6f\n", f.ProducerRisk, f.ConsumerRisk)
	return c.warn(f.Warnings)
}
