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
	switch {
	case cmd.Sample != nil && cmd.Accept != nil && cmd.Defective != nil:
		return cmd.given(c)
	case cmd.Good != nil && cmd.Bad != nil:
		return cmd.find(c)
	}
	return errors.New("give a plan with --sample, --accept and --defective, or what a plan must do with --good, --producer-risk, --bad and --consumer-risk")
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
			return fmt.Errorf("--defective %v is not a fraction from 0 to 1", *cmd.Defective)
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
