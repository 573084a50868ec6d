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
	Report lotReport `cmd:"" help:"Write a lot's report as a spreadsheet."`
}

type lotList struct{ database }

func (cmd *lotList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		lots, err := w.db.Site(cmd.Site).Lots(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "LOT\tPRODUCT\tUNITS\tPASSED AT FIRST\tPROPOSAL")
		for _, l := range lots {
			r, err := w.line.LotReport(c.ctx, l.Lot, version)
			if err != nil {
				return err
			}
			fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%s\n", l.Lot, l.Product, l.Units, l.FirstPass, r.Proposal.Word)
		}
		return t.Flush()
	})
}

type lotReport struct {
	database
	Lot   string `arg:"" help:"Code of the lot."`
	Out   string `help:"File to write." default:"" placeholder:"FILE.xlsx" type:"path"`
	Paper string `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *lotReport) Run(c *console) error {
	if cmd.Out == "" {
		cmd.Out = "lot-" + cmd.Lot + ".xlsx"
	}
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.LotReport(c.ctx, cmd.Lot, version)
		if err != nil {
			return err
		}
		if err := writeReport(r, cmd.Out, cmd.Paper); err != nil {
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
