package main

import (
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"

	"alike/spc/chart"
	"alike/spc/sample"
)

type calcChart struct {
	asJSON
	Kind     string   `help:"Kind of chart: individuals." required:"" enum:"individuals"`
	Value    string   `help:"Column of the values." placeholder:"COL"`
	Center   *float64 `help:"Centre, instead of the data's own."`
	Sigma    *float64 `help:"Standard deviation of one value, instead of the data's own."`
	Baseline int      `help:"The first so many points set the limits." placeholder:"N"`
	Width    float64  `help:"Distance of the limits from the centre in sigmas." default:"3"`
	Rules    []string `help:"Run rules to read: all, or a list of keys." placeholder:"KEYS"`
	File     string   `arg:"" help:"CSV file with a head; - for standard input."`
}

// A chartAnswer is a chart as the contract has it.
type chartAnswer struct {
	Kind      string        `json:"kind"`
	Center    float64       `json:"center"`
	Sigma     float64       `json:"sigma"`
	Points    []pointAnswer `json:"points"`
	Companion *chartAnswer  `json:"companion,omitempty"`
	Warnings  []string      `json:"warnings,omitempty"`
}

type pointAnswer struct {
	Index   int         `json:"index"`
	Value   float64     `json:"value"`
	Center  float64     `json:"center"`
	Lower   float64     `json:"lower"`
	Upper   float64     `json:"upper"`
	Signals []chart.Key `json:"signals"`
}

func (cmd *calcChart) Run(c *console) error {
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	xs, err := t.numbers("value", cmd.Value)
	if err != nil {
		return err
	}
	rules, err := pickRules(cmd.Rules)
	if err != nil {
		return err
	}
	k, err := chart.Individuals(xs, chart.Options{Center: cmd.Center, Sigma: cmd.Sigma, Baseline: cmd.Baseline, Width: cmd.Width, Rules: rules})
	if err != nil {
		return t.at(err)
	}
	if cmd.JSON {
		return printJSON(c, answer(&k))
	}
	return c.chart(&k)
}

// at names the row of the file that an error of a sample is about.
func (t *table) at(err error) error {
	var e *sample.Error
	if errors.As(err, &e) && e.Index >= 0 && e.Index < len(t.line) {
		return fmt.Errorf("%s:%d: %w", t.name, t.line[e.Index], err)
	}
	return fmt.Errorf("%s: %w", t.name, err)
}

// pickRules turns the flag into rules: none given means the limits alone.
func pickRules(names []string) ([]chart.Rule, error) {
	if len(names) == 0 {
		return nil, nil
	}
	if len(names) == 1 && names[0] == "all" {
		return chart.Nelson(), nil
	}
	var keys []chart.Key
	for _, n := range names {
		keys = append(keys, chart.Key(strings.TrimSpace(n)))
	}
	return chart.Pick(chart.Nelson(), keys)
}

func answer(k *chart.Chart) *chartAnswer {
	if k == nil {
		return nil
	}
	a := &chartAnswer{Kind: k.Kind, Center: k.Center, Sigma: k.Sigma, Companion: answer(k.Companion), Warnings: k.Warnings, Points: []pointAnswer{}}
	for _, p := range k.Points {
		signals := p.Signals
		if signals == nil {
			signals = []chart.Key{}
		}
		a.Points = append(a.Points, pointAnswer{p.Index, p.Value, p.Center, p.Lower, p.Upper, signals})
	}
	return a
}

// chart prints a chart for people, the companion below it.
func (c *console) chart(k *chart.Chart) error {
	fmt.Fprintf(c.out, "%s: centre %.6g, sigma %.6g\n", k.Kind, k.Center, k.Sigma)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "point\tvalue\tlower\tcentre\tupper\tsignals\t")
	for _, p := range k.Points {
		var keys []string
		for _, s := range p.Signals {
			keys = append(keys, string(s))
		}
		fmt.Fprintf(t, "%d\t%.6g\t%.6g\t%.6g\t%.6g\t%s\t\n", p.Index, p.Value, p.Lower, p.Center, p.Upper, strings.Join(keys, " "))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if err := c.warn(k.Warnings); err != nil {
		return err
	}
	if k.Companion != nil {
		fmt.Fprintln(c.out)
		return c.chart(k.Companion)
	}
	return nil
}
