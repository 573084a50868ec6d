package main

import (
	"fmt"
	"math"
	"text/tabwriter"

	"alike/spc/gauge"
)

type calcGauge struct {
	asJSON
	Part       string   `help:"Column of the parts." required:"" placeholder:"COL"`
	Operator   string   `help:"Column of the operators. Left out: one operator." placeholder:"COL"`
	Value      string   `help:"Column of the readings." required:"" placeholder:"COL"`
	Tolerance  float64  `help:"Upper minus lower limit, in the unit of the readings."`
	Pool       *float64 `help:"The interaction is joined to repeatability when its p exceeds this; 0.25 unless given." placeholder:"P"`
	Nested     bool     `help:"Every operator measured parts of their own."`
	Confidence float64  `help:"Of the intervals." default:"0.95"`
	File       string   `arg:"" help:"CSV file with a head; - for standard input."`
}

func (cmd *calcGauge) Run(c *console) error {
	if err := c.given.notZero("confidence", "tolerance"); err != nil {
		return err
	}
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	readings, err := cmd.readings(t)
	if err != nil {
		return err
	}
	analyse := gauge.Crossed
	if cmd.Nested {
		analyse = gauge.Nested
	}
	s, err := analyse(readings, gauge.Options{Pool: cmd.Pool, Tolerance: cmd.Tolerance, Confidence: cmd.Confidence})
	if err != nil {
		return t.at(err, cmd.Value, "")
	}
	s.Warnings = t.warnings(s.Warnings)
	if cmd.JSON {
		return printJSON(c, gaugeAnswerOf(s, cmd.Tolerance))
	}
	return c.gauge(s, cmd.Tolerance)
}

func (cmd *calcGauge) readings(t *table) ([]gauge.Reading, error) {
	values, err := t.numbers("value", cmd.Value)
	if err != nil {
		return nil, err
	}
	parts, err := t.texts("part", cmd.Part)
	if err != nil {
		return nil, err
	}
	operators := make([]string, len(values))
	if cmd.Operator != "" {
		if operators, err = t.texts("operator", cmd.Operator); err != nil {
			return nil, err
		}
	}
	out := make([]gauge.Reading, len(values))
	for i, v := range values {
		out[i] = gauge.Reading{Part: parts[i], Operator: operators[i], Value: v}
	}
	return out, nil
}

// named is a value for each component of the spread, under the contract's keys.
type named[T any] struct {
	Repeatability   T `json:"repeatability"`
	Operator        T `json:"operator"`
	Interaction     T `json:"interaction"`
	Reproducibility T `json:"reproducibility"`
	Gauge           T `json:"gauge"`
	Part            T `json:"part"`
	Total           T `json:"total"`
}

func namedOf[T, U any](n gauge.Named[T], as func(T) U) named[U] {
	return named[U]{as(n.Repeatability), as(n.Operator), as(n.Interaction), as(n.Reproducibility), as(n.Gauge), as(n.Part), as(n.Total)}
}

type gaugeAnswer struct {
	Design             string           `json:"design"`
	Pooled             bool             `json:"pooled"`
	Variance           named[float64]   `json:"variance"`
	VarianceInterval   named[[2]number] `json:"variance_interval"`
	PercentStudy       named[float64]   `json:"percent_study"`
	PercentTolerance   *named[float64]  `json:"percent_tolerance,omitempty"`
	DistinctCategories int              `json:"distinct_categories"`
	DistinctRatio      float64          `json:"distinct_ratio"`
	Anova              []anovaRow       `json:"anova"`
	Warnings           []string         `json:"warnings,omitempty"`
}

// anovaRow is a row of an analysis of variance; f and p are null for the rows that
// have none.
type anovaRow struct {
	Source string  `json:"source"`
	DF     int     `json:"df"`
	SS     float64 `json:"ss"`
	MS     number  `json:"ms"`
	F      number  `json:"f"`
	P      number  `json:"p"`
}

func gaugeAnswerOf(s gauge.Study, tolerance float64) gaugeAnswer {
	same := func(x float64) float64 { return x }
	a := gaugeAnswer{
		Design: s.Design, Pooled: s.Pooled, Variance: namedOf(s.Variance, same), PercentStudy: namedOf(s.PercentStudy, same),
		VarianceInterval:   namedOf(s.VarianceInterval, func(i gauge.Interval) [2]number { return [2]number{number(i.Low), number(i.High)} }),
		DistinctCategories: s.DistinctCategories, DistinctRatio: s.DistinctRatio, Warnings: s.Warnings,
	}
	if tolerance > 0 {
		p := namedOf(s.PercentTolerance, same)
		a.PercentTolerance = &p
	}
	for _, r := range s.Anova {
		row := anovaRow{Source: r.Source, DF: r.DF, SS: r.SS, MS: number(r.MS), F: number(math.NaN()), P: number(math.NaN())}
		if r.Tested {
			row.F, row.P = number(r.F), number(r.P)
		}
		a.Anova = append(a.Anova, row)
	}
	return a
}

// gauge prints a study for people.
func (c *console) gauge(s gauge.Study, tolerance float64) error {
	fmt.Fprintf(c.out, "%s study: %d parts, %d operators, %d readings each\n", s.Design, s.Parts, s.Operators, s.Trials)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "source\tdf\tss\tms\tf\tp\t")
	for _, r := range s.Anova {
		f, p := "", ""
		if r.Tested {
			f, p = fmt.Sprintf("%.5g", r.F), fmt.Sprintf("%.4g", r.P)
		}
		fmt.Fprintf(t, "%s\t%d\t%.6g\t%.6g\t%s\t%s\t\n", r.Source, r.DF, r.SS, r.MS, f, p)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(c.out)
	t = tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(t, "component\tsigma\tvariance\tfrom\tto\t%% of study\t%% of tolerance\t\n")
	row := func(name string, v float64, i gauge.Interval, study, tol float64) {
		last := ""
		if tolerance > 0 {
			last = fmt.Sprintf("%.2f", tol)
		}
		fmt.Fprintf(t, "%s\t%.6g\t%.6g\t%.4g\t%.4g\t%.2f\t%s\t\n", name, math.Sqrt(v), v, i.Low, i.High, study, last)
	}
	v, i, p, q := s.Variance, s.VarianceInterval, s.PercentStudy, s.PercentTolerance
	row("repeatability", v.Repeatability, i.Repeatability, p.Repeatability, q.Repeatability)
	row("operator", v.Operator, i.Operator, p.Operator, q.Operator)
	row("interaction", v.Interaction, i.Interaction, p.Interaction, q.Interaction)
	row("reproducibility", v.Reproducibility, i.Reproducibility, p.Reproducibility, q.Reproducibility)
	row("gauge", v.Gauge, i.Gauge, p.Gauge, q.Gauge)
	row("part", v.Part, i.Part, p.Part, q.Part)
	row("total", v.Total, i.Total, p.Total, q.Total)
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "distinct categories: %d (ratio %.3f, %.0f %% interval %.2f to %.2f)\n", s.DistinctCategories, s.DistinctRatio, 100*s.Confidence, s.DistinctInterval.Low, s.DistinctInterval.High)
	return c.warn(s.Warnings)
}
