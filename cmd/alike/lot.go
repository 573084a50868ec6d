package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"alike/reports"
	"alike/reports/sheet"
)

type lotCommand struct {
	List   lotList   `cmd:"" help:"List the lots."`
	Show   lotShow   `cmd:"" help:"Print where a lot stands: what a decision rests on, and what is not ready."`
	Pull   lotPull   `cmd:"" help:"Draw at random which units of a lot are to be inspected, by the product's sampling plan."`
	Close  lotClose  `cmd:"" help:"Close a lot for measuring: no new units."`
	Decide lotDecide `cmd:"" help:"Decide a closed lot, and sign that."`
	Reopen lotReopen `cmd:"" help:"Open a closed or decided lot again, with a reason."`
	Report lotReport `cmd:"" help:"Write a lot's report as a spreadsheet, or for programs as JSON."`
}

type lotList struct{ database }

func (cmd *lotList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		lots, err := w.db.Site(w.line.Site()).Lots(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "LOT\tPRODUCT\tUNITS\tPASSED AT FIRST\tPROPOSAL\tSTATE")
		for _, l := range lots {
			r, err := w.line.LotReport(c.ctx, l.Lot, version)
			if err != nil {
				return err
			}
			fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%s\t%s\n", l.Lot, l.Product, l.Units, l.FirstPass, r.Proposal.Word, shortState(r.Life))
		}
		return t.Flush()
	})
}

type lotReport struct {
	database
	Lot   string `arg:"" help:"Code of the lot."`
	Out   string `help:"File to write." default:"" placeholder:"FILE.xlsx" type:"path"`
	Paper string `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
	JSON  bool   `name:"json" help:"Write JSON for programs, with the hash that a decision signs."`
}

func (cmd *lotReport) Run(c *console) error {
	if cmd.Out == "" {
		cmd.Out = "lot-" + cmd.Lot + map[bool]string{false: ".xlsx", true: ".json"}[cmd.JSON]
	}
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.LotReport(c.ctx, cmd.Lot, version)
		if err != nil {
			return err
		}
		write := func() error { return writeReport(r, cmd.Out, cmd.Paper) }
		if cmd.JSON {
			write = func() error { return writeTwin(r, cmd.Out) }
		}
		if err := write(); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s: proposal: %s\n", cmd.Out, r.Proposal.Word)
		for _, reason := range r.Proposal.Reasons {
			fmt.Fprintln(c.out, "  "+reason)
		}
		return nil
	})
}

// writeReport writes a report beside its name first, so that a report that is open
// or half written never stands under the name.
func writeReport(r reports.Lot, name, paper string) error {
	var file bytes.Buffer
	made := time.Now().In(r.Opened.Location())
	if err := sheet.Write(&file, r, sheet.Options{Made: made, Program: "alike " + version, Paper: paper}); err != nil {
		return err
	}
	return writeFile(name, file.Bytes())
}

func writeTwin(r reports.Lot, name string) error {
	twin, err := r.Twin()
	if err != nil {
		return err
	}
	return writeFile(name, append(twin, '\n'))
}

// writeFile writes a file whole, in a folder that it makes.
func writeFile(name string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		return err
	}
	part := name + ".part"
	if err := os.WriteFile(part, data, 0o666); err != nil {
		return err
	}
	return os.Rename(part, name)
}

// shortState is a lot's state in a word, with what was decided.
func shortState(l reports.Life) string {
	if n := len(l.Steps); n > 0 && l.Steps[n-1].Outcome != "" {
		return l.Steps[n-1].Outcome
	}
	return l.State
}
