package main

import (
	"errors"
	"fmt"
	"text/tabwriter"

	"alike/spc/capability"
)

type calcCapability struct {
	asJSON
	Value      string   `help:"Column of the values." placeholder:"COL"`
	Lower      *float64 `help:"Lower limit."`
	Upper      *float64 `help:"Upper limit."`
	Target     *float64 `help:"Target."`
	Confidence float64  `help:"Of the intervals." default:"0.95"`
	Subgroup   string   `help:"Column that tells subgroups apart: Cp and Cpk use the mean range within them." placeholder:"COL"`
	Within     string   `help:"Without subgroups, the spread that Cp and Cpk use: ${enum}. Pp and Ppk always use the overall standard deviation." enum:"plain,moving-range" default:"plain"`
	File       string   `arg:"" help:"CSV file with a head; - for standard input."`
}

type normalityAnswer struct {
	A2 float64 `json:"a2"`
	P  float64 `json:"p"`
}

// An index that the limits do not define is null.
type capabilityAnswer struct {
	N                int              `json:"n"`
	Mean             float64          `json:"mean"`
	SD               float64          `json:"sd"`
	Cp               *float64         `json:"cp"`
	Cpk              *float64         `json:"cpk"`
	Pp               *float64         `json:"pp"`
	Ppk              *float64         `json:"ppk"`
	Cpm              *float64         `json:"cpm"`
	CpInterval       *[2]float64      `json:"cp_interval"`
	CpkInterval      *[2]float64      `json:"cpk_interval"`
	CpkIntervalExact *[2]float64      `json:"cpk_interval_exact"`
	PpInterval       *[2]float64      `json:"pp_interval"`
	PpkInterval      *[2]float64      `json:"ppk_interval"`
	CpmInterval      *[2]float64      `json:"cpm_interval"`
	PpkAtLeast       float64          `json:"ppk_at_least"`
	Normality        *normalityAnswer `json:"normality"`
	Warnings         []string         `json:"warnings,omitempty"`
}

func (cmd *calcCapability) Run(c *console) error {
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
	if _, ok := c.given["within"]; ok && cmd.Subgroup != "" {
		return errors.New("--within does not apply with --subgroup, whose ranges give the spread: leave one of them out")
	}
	o := capability.Options{Confidence: cmd.Confidence}
	if cmd.Within == "moving-range" {
		o.Within = capability.MovingRange
	}
	if cmd.Subgroup != "" {
		names, err := t.texts("subgroup", cmd.Subgroup)
		if err != nil {
			return err
		}
		groups := groupsOf(names, xs)
		o.Within, xs = capability.Subgroups, nil
		for _, g := range groups {
			o.Sizes, xs = append(o.Sizes, len(g.Values)), append(xs, g.Values...)
		}
	}
	r, err := capability.Study(xs, capability.Spec{Lower: cmd.Lower, Upper: cmd.Upper, Target: cmd.Target}, o)
	if err != nil {
		return t.at(err, cmd.Value, "")
	}
	r.Warnings = t.warnings(r.Warnings)
	if cmd.JSON {
		return printJSON(c, capabilityAnswerOf(r))
	}
	return c.capability(r)
}

func capabilityAnswerOf(r capability.Result) capabilityAnswer {
	a := capabilityAnswer{N: r.N, Mean: r.Mean, SD: r.SD, PpkAtLeast: r.AtLeast, Warnings: r.Warnings}
	a.Cp, a.CpInterval = indexOf(r.Cp)
	a.Cpk, a.CpkInterval = indexOf(r.Cpk)
	a.Pp, a.PpInterval = indexOf(r.Pp)
	a.Ppk, a.PpkInterval = indexOf(r.Ppk)
	a.Cpm, a.CpmInterval = indexOf(r.Cpm)
	_, a.CpkIntervalExact = indexOf(r.CpkExact)
	if n := r.Normality; n != nil {
		a.Normality = &normalityAnswer{n.A2, n.P}
	}
	return a
}

func indexOf(i *capability.Index) (*float64, *[2]float64) {
	if i == nil {
		return nil, nil
	}
	return &i.Value, &[2]float64{i.Low, i.High}
}

// capability prints a study for people.
func (c *console) capability(r capability.Result) error {
	fmt.Fprintf(c.out, "%d values, mean %.6g, standard deviation %.6g\n", r.N, r.Mean, r.SD)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(t, "index\tvalue\tfrom\tto\t\n")
	for _, row := range []struct {
		name string
		i    *capability.Index
	}{{"Cp", r.Cp}, {"Cpk", r.Cpk}, {"Pp", r.Pp}, {"Ppk", r.Ppk}, {"Cpm", r.Cpm}} {
		if row.i == nil {
			fmt.Fprintf(t, "%s\tnot defined by these limits\t\t\t\n", row.name)
			continue
		}
		fmt.Fprintf(t, "%s\t%.4f\t%.4f\t%.4f\t\n", row.name, row.i.Value, row.i.Low, row.i.High)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Ppk is at least %.4f with %.0f %% confidence: a verdict uses this\n", r.AtLeast, 100*r.Confidence)
	if n := r.Normality; n != nil {
		fmt.Fprintf(c.out, "normality, after Anderson and Darling: A² %.4f, p %.4g\n", n.A2, n.P)
	}
	return c.warn(r.Warnings)
}
