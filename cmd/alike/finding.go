package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"text/tabwriter"

	"alike/internal/line"
)

type findingCommand struct {
	List   findingList   `cmd:"" help:"List what the charts found."`
	Show   findingShow   `cmd:"" help:"Say all about one finding: since when, how much, why, what to check."`
	Look   findingLook   `cmd:"" help:"Note that you looked, and what you saw."`
	Cause  findingCause  `cmd:"" help:"Name the cause."`
	Action findingAction `cmd:"" help:"Say what was done about it. Signals that begin later open a new finding."`
	Close  findingClose  `cmd:"" help:"Close a finding that has a cause and an action. It is kept."`
	Reopen findingReopen `cmd:"" help:"Open a finding again."`
}

type findingList struct {
	database
	Product string `help:"Only those of this product." placeholder:"CODE"`
	State   string `help:"Only those that are open, acted or closed." default:"" placeholder:"STATE"`
	Limit   int    `help:"At most so many, the newest." default:"50"`
}

func (cmd *findingList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		all, err := w.line.Findings(c.ctx, cmd.Product, cmd.State, max(1, cmd.Limit))
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "NUMBER\tPRODUCT\tSTATE\tWHAT\tFIRST\tLATEST\tSIGNALS\tIN WORDS")
		for _, f := range all {
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%d\t%s\n", f.Number, f.Product, f.State, kindText(f.Kind), f.FirstSerial, f.LastSerial, f.Signals, f.Analysis.Sentence)
		}
		return t.Flush()
	})
}

func kindText(kind string) string {
	if kind == line.OneUnit {
		return "one unit"
	}
	return "the line"
}

type findingShow struct {
	database
	Number int64 `arg:"" help:"Number of the finding."`
	JSON   bool  `help:"Answer for programs." name:"json"`
}

func (cmd *findingShow) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		f, err := w.line.Finding(c.ctx, cmd.Number)
		if err != nil {
			return err
		}
		if cmd.JSON {
			e := json.NewEncoder(c.out)
			e.SetIndent("", "  ")
			return e.Encode(f.Analysis)
		}
		c.tellFinding(f)
		return nil
	})
}

// tellFinding writes one finding for people.
func (c *console) tellFinding(f line.Finding) {
	a := f.Analysis
	fmt.Fprintf(c.out, "finding %d of %s: %s, %s\n\n%s\n", f.Number, f.Product, kindText(f.Kind), f.State, a.Sentence)
	for _, w := range a.Warnings {
		fmt.Fprintln(c.out, "note:", w)
	}
	for _, n := range f.Same {
		fmt.Fprintf(c.out, "note: finding %d tells of a change that may have begun at the same unit and goes the same way: probably it is one story\n", n)
	}
	fmt.Fprintln(c.out, "\nwhat to check, cheapest first")
	for i, k := range a.Checks {
		fmt.Fprintf(c.out, "  %d. %s (%.0f min)\n", i+1, k.Check, k.Minutes)
	}
	if r := a.AtRisk; r.Units > 0 {
		fmt.Fprintf(c.out, "\n%s\n", r.Sentence())
	}
	c.tellChange(a)
	c.tellWhy(a)
	fmt.Fprintln(c.out, "\nwhat happened")
	for _, e := range f.Events {
		fmt.Fprintf(c.out, "  %s  %-9s %s (%s)\n", e.At.UTC().Format("2006-01-02 15:04Z"), e.Kind, e.Text, e.Actor)
	}
}

func (c *console) tellChange(a line.Analysis) {
	if s := a.Change; s != nil {
		fmt.Fprintf(c.out, "\nsince %s (%s to %s with %.0f %% confidence; p = %.2g without any change", s.Serial, s.First, s.Last, 100*s.Confidence, s.P)
		if s.Shape != "" {
			fmt.Fprintf(c.out, "; shape: %s", s.Shape)
		}
		fmt.Fprintf(c.out, "), from %d units before and %d after\n", a.Before, a.After)
	}
	for _, m := range a.Channels {
		if !m.Moved || m.Worst == "" {
			continue
		}
		fmt.Fprintf(c.out, "  %s: %s, %+.1f dB at %s\n", m.Channel, m.Words, m.Size, m.Worst)
		for _, p := range m.Parts {
			if p.Share >= 0.01 {
				fmt.Fprintf(c.out, "    %5.1f %%  %s (%.2f times)\n", 100*p.Share, p.Words, p.Amount)
			}
		}
		if m.Left != "" {
			fmt.Fprintf(c.out, "    %s\n", m.Left)
		}
	}
}

func (c *console) tellWhy(a line.Analysis) {
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	if len(a.Causes) > 0 {
		fmt.Fprintln(t, "\nLOOKS LIKE\tEXPLAINS ALONE\tHARD TO TELL FROM")
		for _, k := range a.Causes[:min(3, len(a.Causes))] {
			explains := fmt.Sprintf("%.0f %%", 100*k.Explained)
			if k.Units > 0 {
				explains = fmt.Sprintf("%d units", k.Units)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\n", k.Words, explains, strings.Join(k.Confused, ", "))
		}
		t.Flush()
		for _, u := range a.Untold {
			fmt.Fprintln(c.out, u.Text)
		}
	}
	if len(a.Coincidences) > 0 {
		fmt.Fprintln(t, "\nCHANGED\tFROM\tTO\tAT\tWHERE THE LINE DID\tP\tP (HOLM)")
		for _, k := range a.Coincidences {
			where := "no"
			if k.Within {
				where = "yes"
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%.3f\t%.3f\n", k.Factor, k.From, k.To, k.Serial, where, k.P, math.Min(1, k.Adjusted))
		}
	}
	t.Flush()
}

// deed records what a person did about a finding.
func (d database) deed(c *console, number int64, deed line.Deed) error {
	return d.with(c, func(w *workplace) error {
		f, err := w.line.Act(c.ctx, w.by, number, deed)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "finding %d is %s\n", f.Number, f.State)
		return nil
	})
}

type findingLook struct {
	database
	Number int64  `arg:"" help:"Number of the finding."`
	Text   string `arg:"" help:"What you saw."`
}

func (cmd *findingLook) Run(c *console) error {
	return cmd.deed(c, cmd.Number, line.Deed{Kind: line.Looked, Text: cmd.Text})
}

type findingCause struct {
	database
	Number int64  `arg:"" help:"Number of the finding."`
	Text   string `arg:"" help:"The cause."`
}

func (cmd *findingCause) Run(c *console) error {
	return cmd.deed(c, cmd.Number, line.Deed{Kind: line.Named, Text: cmd.Text})
}

type findingAction struct {
	database
	Number int64  `arg:"" help:"Number of the finding."`
	Text   string `arg:"" help:"What was done."`
}

func (cmd *findingAction) Run(c *console) error {
	return cmd.deed(c, cmd.Number, line.Deed{Kind: line.Action, Text: cmd.Text})
}

type findingClose struct {
	database
	Number int64  `arg:"" help:"Number of the finding."`
	Reason string `required:"" help:"Why the matter is at an end."`
	Cause  string `help:"The cause, if it was not named before." placeholder:"TEXT"`
	Action string `help:"What was done, if it was not said before." placeholder:"TEXT"`
}

func (cmd *findingClose) Run(c *console) error {
	return cmd.deed(c, cmd.Number, line.Deed{Kind: line.Close, Text: cmd.Reason, Cause: cmd.Cause, Action: cmd.Action})
}

type findingReopen struct {
	database
	Number int64  `arg:"" help:"Number of the finding."`
	Reason string `required:"" help:"Why it is not at an end."`
}

func (cmd *findingReopen) Run(c *console) error {
	return cmd.deed(c, cmd.Number, line.Deed{Kind: line.Reopen, Text: cmd.Reason})
}
