package main

import (
	"fmt"
	"text/tabwriter"
	"time"

	"alike/internal/line"
	"alike/internal/store"
)

// beginning is from when on something counts, in the workshop's zone.
type beginning struct {
	From  string `help:"For what is measured from then on, as 2006-01-02 15:04 in the workshop's zone. Default: now." placeholder:"TIME"`
	After string `help:"Or: for what the rig measures after this unit." placeholder:"SERIAL"`
}

func (b beginning) time(c *console, w *workplace) (time.Time, error) {
	if b.From == "" {
		return time.Time{}, nil
	}
	zone, err := w.line.Zone(c.ctx)
	if err != nil {
		return time.Time{}, err
	}
	t, err := time.ParseInLocation("2006-01-02 15:04", b.From, zone)
	if err != nil {
		return t, fmt.Errorf("from: %q is not a time; write 2006-01-02 15:04", b.From)
	}
	return t, nil
}

type rigAdopt struct {
	database
	beginning
	Code   string  `arg:"" help:"Code of the comparison (alike rig compare)."`
	Rig    string  `help:"Rig whose readings are corrected. Default: the second of the comparison."`
	Risk   float64 `help:"Risk that the guard band in force was made for." default:"0.05"`
	Reason string  `required:"" help:"Why."`
}

func (rigAdopt) Help() string {
	return `What the rig measures of the product is then read as the other rig would read it, before
it is judged and charted; takes stay as they were measured, and what is judged keeps its
verdict. Working limits of its units are tightened by the curve's uncertainty, together
with the guard band in force. The reference units' checks and baselines stay the rig's own.`
}

func (cmd *rigAdopt) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		from, err := cmd.time(c, w)
		if err != nil {
			return err
		}
		row, err := w.line.AdoptTransfer(c.ctx, w.by, line.Adoption{Study: cmd.Code, Rig: cmd.Rig, From: from, After: cmd.After, Risk: cmd.Risk, Reason: cmd.Reason})
		if err != nil {
			return err
		}
		return c.transfer(w, row)
	})
}

// transfer prints what a version does from when on.
func (c *console) transfer(w *workplace, row store.TransferRow) error {
	zone, err := w.line.Zone(c.ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "transfer %d of %s: %s\n", row.Version, row.Product, line.TransferWords(row, zone))
	return nil
}

type rigWithdraw struct {
	database
	beginning
	Rig     string `arg:"" help:"Rig whose readings count as they are again."`
	Product string `help:"Code of the product. May be left out when there is only one."`
	Reason  string `required:"" help:"Why."`
}

func (cmd *rigWithdraw) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		from, err := cmd.time(c, w)
		if err != nil {
			return err
		}
		row, err := w.line.WithdrawTransfer(c.ctx, w.by, cmd.Product, cmd.Rig, from, cmd.After, cmd.Reason)
		if err != nil {
			return err
		}
		return c.transfer(w, row)
	})
}

type rigTransfers struct {
	database
	Product string `arg:"" optional:"" help:"Code of the product. May be left out when there is only one."`
}

func (cmd *rigTransfers) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		rows, err := w.line.Transfers(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			fmt.Fprintln(c.out, "no transfer was put in force: every rig is read as it is")
			return nil
		}
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "RIG\tVERSION\tWHAT\tBY\tREASON")
		for _, r := range rows {
			fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\n", r.Rig, r.Version, line.TransferWords(r, zone), r.Author, r.Reason)
		}
		return t.Flush()
	})
}
