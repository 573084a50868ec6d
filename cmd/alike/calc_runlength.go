package main

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/chart"
	"alike/spc/runlength"
)

type calcRunLength struct {
	asJSON
	Kind   string   `help:"Kind of chart, both sides: ${enum}." required:"" enum:"individuals,ewma,cusum"`
	Shift  float64  `help:"Shift of the process from the first point on, in sigmas."`
	Width  float64  `help:"Distance of the limits from the centre in sigmas." default:"3"`
	Lambda float64  `help:"Weight of the newest value, for ewma." default:"0.2"`
	Early  bool     `help:"Limits of ewma that widen from the first point on, instead of those of a long run."`
	K      float64  `help:"Slack of cusum in sigmas." default:"0.5"`
	H      float64  `help:"Decision interval of cusum in sigmas." default:"5"`
	FIR    float64  `name:"fir" help:"Head start of both sums of cusum in sigmas."`
	Rules  []string `help:"Run rules of individuals: all, or a list of keys; the limits alone unless given." placeholder:"KEYS"`
	Seed   uint64   `help:"Of the simulation, where no exact answer is known." default:"1"`
}

var runLengthReads = map[string]string{
	"width": "individuals ewma", "lambda": "ewma", "early": "ewma",
	"k": "cusum", "h": "cusum", "fir": "cusum", "rules": "individuals",
}

func (cmd *calcRunLength) Run(c *console) error {
	if err := errors.Join(c.given.only(cmd.Kind, runLengthReads), c.given.notZero("width")); err != nil {
		return err
	}
	r, err := cmd.answer(c.given)
	if err != nil {
		return err
	}
	if math.IsInf(r.ARL, 1) {
		return errors.New("such a chart never signals: narrow its limits")
	}
	if cmd.JSON {
		return printJSON(c, struct {
			ARL      float64  `json:"arl"`
			SE       float64  `json:"se"`
			Method   string   `json:"method"`
			Warnings []string `json:"warnings,omitempty"`
		}{r.ARL, r.SE, r.Method, r.Warnings})
	}
	fmt.Fprintf(c.out, "average run length: %.6g points", r.ARL)
	if r.SE > 0 {
		fmt.Fprintf(c.out, ", standard error %.2g", r.SE)
	}
	fmt.Fprintf(c.out, " (%s)\n", r.Method)
	return c.warn(r.Warnings)
}

func (cmd *calcRunLength) answer(g given) (runlength.Result, error) {
	s := runlength.Simulation{Seed: cmd.Seed}
	switch cmd.Kind {
	case "ewma":
		return runlength.EWMA(cmd.Shift, cmd.Lambda, cmd.Width, !cmd.Early, s)
	case "cusum":
		return runlength.CUSUM(cmd.Shift, cmd.K, cmd.H, cmd.FIR, s)
	}
	rules, err := pickRules(cmd.Rules)
	if err != nil {
		return runlength.Result{}, err
	}
	if rules == nil {
		rules = []chart.Rule{{Key: chart.Beyond, Count: 1, Of: 1}}
	}
	beyond := false
	for i := range rules {
		if rules[i].Key == chart.Beyond {
			rules[i].Width, beyond = cmd.Width, true
		}
	}
	if _, ok := g["width"]; ok && !beyond {
		return runlength.Result{}, fmt.Errorf("--width is of the rule %s, which --rules leaves out: leave one of them out", chart.Beyond)
	}
	return runlength.Individuals(cmd.Shift, rules, s)
}
