package main

import (
	"fmt"

	"alike/spc/change"
)

type calcChange struct {
	asJSON
	Value      string   `help:"Column of the values, in order." placeholder:"COL"`
	Before     *float64 `help:"Level before the change, when it is known." placeholder:"LEVEL"`
	Sigma      *float64 `help:"Standard deviation of one value, when it is known."`
	Confidence float64  `help:"Of the set of changes that the data do not contradict." default:"0.95"`
	Seed       uint64   `help:"Of the draws behind p and the set." default:"1"`
	File       string   `arg:"" help:"CSV file with a head; - for standard input."`
}

type changeAnswer struct {
	Index    int      `json:"index"` // first value after the change, from 1
	Before   float64  `json:"before"`
	After    float64  `json:"after"`
	Set      []int    `json:"set"`
	P        float64  `json:"p"`
	Sigma    float64  `json:"sigma"`
	Warnings []string `json:"warnings,omitempty"`
}

func (cmd *calcChange) Run(c *console) error {
	if err := c.given.notZero("confidence"); err != nil {
		return err
	}
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	xs, err := t.numbers("value", cmd.Value)
	if err != nil {
		return err
	}
	s, err := change.Find(xs, change.Options{Before: cmd.Before, Sigma: cmd.Sigma, Confidence: cmd.Confidence, Seed: cmd.Seed})
	if err != nil {
		return t.at(err, cmd.Value, "")
	}
	s.Warnings = t.warnings(s.Warnings)
	if cmd.JSON {
		return printJSON(c, changeAnswer{s.Index, s.Before, s.After, s.Set, s.P, s.Sigma, s.Warnings})
	}
	fmt.Fprintf(c.out, "change at value %d: from %.6g to %.6g (if nothing had changed, a step like it would show with p %.3g)\n", s.Index, s.Before, s.After, s.P)
	fmt.Fprintf(c.out, "values not contradicted as the first after it, %.0f %% confidence: %s\n", 100*s.Confidence, spans(s.Set))
	return c.warn(s.Warnings)
}

// spans writes rising numbers with runs drawn together: 8 to 12, 15.
func spans(xs []int) string {
	text := ""
	for i := 0; i < len(xs); {
		k := i
		for k+1 < len(xs) && xs[k+1] == xs[k]+1 {
			k++
		}
		if text != "" {
			text += ", "
		}
		text += fmt.Sprint(xs[i])
		if k > i {
			text += fmt.Sprintf(" to %d", xs[k])
		}
		i = k + 1
	}
	return text
}
