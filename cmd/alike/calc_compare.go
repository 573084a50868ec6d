package main

import (
	"fmt"
	"math"
	"text/tabwriter"

	"alike/spc/compare"
)

type calcCompare struct {
	asJSON
	Group         string  `help:"Column of the groups." required:"" placeholder:"COL"`
	Value         string  `help:"Column of the values." required:"" placeholder:"COL"`
	Margin        float64 `help:"Largest difference of two means that does not matter, in the unit of the values."`
	Confidence    float64 `help:"Of intervals and decisions." default:"0.95"`
	UnequalSpread bool    `help:"Do not take the spreads of the groups as equal: pairs by Games and Howell instead of Tukey and Kramer."`
	File          string  `arg:"" help:"CSV file with a head; - for standard input."`
}

type testAnswer struct {
	F number `json:"f"`
	P number `json:"p"`
}

func testOf(t compare.Test) testAnswer {
	if !t.Tested {
		return testAnswer{number(math.NaN()), number(math.NaN())}
	}
	return testAnswer{number(t.Statistic), number(t.P)}
}

type pairAnswer struct {
	A          string  `json:"a"`
	B          string  `json:"b"`
	Difference float64 `json:"difference"` // mean of a minus mean of b
	Low        number  `json:"low"`
	High       number  `json:"high"`
	P          number  `json:"p"`
	Equivalent bool    `json:"equivalent"`
}

type compareAnswer struct {
	Method        string       `json:"method"`
	Anova         testAnswer   `json:"anova"`
	BrownForsythe testAnswer   `json:"brown_forsythe"`
	Welch         testAnswer   `json:"welch"`
	Pairs         []pairAnswer `json:"pairs"`
	Conclusion    []string     `json:"conclusion"`
	Warnings      []string     `json:"warnings,omitempty"`
}

func (cmd *calcCompare) Run(c *console) error {
	if err := c.given.notZero("confidence"); err != nil {
		return err
	}
	t, err := c.readTable(cmd.File)
	if err != nil {
		return err
	}
	values, err := t.numbers("value", cmd.Value)
	if err != nil {
		return err
	}
	names, err := t.texts("group", cmd.Group)
	if err != nil {
		return err
	}
	r, err := compare.OneWay(groupsOf(names, values), compare.Options{UnequalSpread: cmd.UnequalSpread, Margin: cmd.Margin, Confidence: cmd.Confidence})
	if err != nil {
		return fmt.Errorf("%s: %w", t.name, err)
	}
	r.Warnings = t.warnings(r.Warnings)
	if cmd.JSON {
		return printJSON(c, compareAnswerOf(r))
	}
	return c.compare(r)
}

// groupsOf gathers values by group, in the order in which groups are first met.
func groupsOf(names []string, values []float64) []compare.Group {
	at := map[string]int{}
	var out []compare.Group
	for i, n := range names {
		k, ok := at[n]
		if !ok {
			k = len(out)
			at[n] = k
			out = append(out, compare.Group{Name: n})
		}
		out[k].Values = append(out[k].Values, values[i])
	}
	return out
}

func compareAnswerOf(r compare.Result) compareAnswer {
	a := compareAnswer{
		Method: r.Method, Conclusion: r.Conclusion, Warnings: r.Warnings,
		Anova: testOf(r.Anova.Test), BrownForsythe: testOf(r.BrownForsythe), Welch: testOf(r.Welch),
	}
	for _, p := range r.Pairs {
		a.Pairs = append(a.Pairs, pairAnswer{p.A, p.B, p.Difference, number(p.Low), number(p.High), number(p.P), p.Equivalent})
	}
	return a
}

// compare prints a comparison for people.
func (c *console) compare(r compare.Result) error {
	for _, text := range r.Conclusion {
		fmt.Fprintln(c.out, text)
	}
	fmt.Fprintln(c.out)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "group\tn\tmean\tsd\t")
	for _, g := range r.Groups {
		fmt.Fprintf(t, "%s\t%d\t%.6g\t%.4g\t\n", g.Name, g.N, g.Mean, g.SD)
	}
	fmt.Fprintln(t, "\t\t\t\t")
	fmt.Fprintln(t, "test\tF\tp\t\t")
	for _, row := range []struct {
		name string
		test compare.Test
	}{{"means, equal spread", r.Anova.Test}, {"means, after Welch", r.Welch}, {"spreads, after Brown and Forsythe", r.BrownForsythe}} {
		if row.test.Tested {
			fmt.Fprintf(t, "%s\t%.5g\t%.4g\t\t\n", row.name, row.test.Statistic, row.test.P)
		} else {
			fmt.Fprintf(t, "%s\tnot defined\t\t\t\n", row.name)
		}
	}
	fmt.Fprintln(t, "\t\t\t\t\t\t")
	fmt.Fprintln(t, "pair\tdifference\tfrom\tto\tp\tequivalent\t")
	for _, p := range r.Pairs {
		if !p.Tested {
			fmt.Fprintf(t, "%s - %s\t%.5g\tnot defined\t\t\t%s\t\n", p.A, p.B, p.Difference, yesNo(p.Equivalent))
			continue
		}
		fmt.Fprintf(t, "%s - %s\t%.5g\t%.5g\t%.5g\t%.4g\t%s\t\n", p.A, p.B, p.Difference, p.Low, p.High, p.P, yesNo(p.Equivalent))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	return c.warn(r.Warnings)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
