package main

import (
	"fmt"
	"os"
	"strings"
	"text/tabwriter"

	"alike/internal/line"
)

type envelopeCommand struct {
	Add  envelopeAdd  `cmd:"" help:"Put a new version of a product's limits in force. Verdicts given before stand."`
	List envelopeList `cmd:"" help:"List the versions of a product's limits."`
}

type envelopeAdd struct {
	database
	Product string `arg:"" help:"Code of the product."`
	File    string `arg:"" help:"Envelope file (JSON)." type:"existingfile"`
	Reason  string `required:"" help:"Why the limits change."`
}

func (cmd *envelopeAdd) Run(c *console) error {
	data, err := os.ReadFile(cmd.File)
	if err != nil {
		return err
	}
	e, err := line.ParseEnvelope(data)
	if err != nil {
		return fmt.Errorf("%s: %w", cmd.File, err)
	}
	return cmd.with(c, func(w *workplace) error {
		v, err := w.line.AddEnvelope(c.ctx, w.by, cmd.Product, e, cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "envelope version %d of %s is in force\n", v, cmd.Product)
		return nil
	})
}

type envelopeList struct {
	database
	Product string `arg:"" help:"Code of the product."`
}

func (cmd *envelopeList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if _, err := w.line.Setup(c.ctx, cmd.Product); err != nil {
			return err
		}
		rows, err := w.db.Site(w.line.Site()).Envelopes(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "VERSION\tSINCE\tBY\tREASON")
		for _, r := range rows {
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\n", r.Version, r.CreatedAt.Format("2006-01-02 15:04 MST"), r.Author, r.Reason)
		}
		return t.Flush()
	})
}

type limitsCommand struct {
	Freeze limitsFreeze `cmd:"" help:"Set the limits of all charts from a baseline of good units."`
	List   limitsList   `cmd:"" help:"List the versions of a product's chart limits."`
}

type limitsFreeze struct {
	database
	Product string   `arg:"" help:"Code of the product."`
	Lot     string   `help:"Baseline: the units of a lot." xor:"baseline" required:""`
	Units   []string `help:"Baseline: these serials, separated by commas." xor:"baseline" required:""`
	Reason  string   `required:"" help:"Why these units are a good baseline."`
}

func (cmd *limitsFreeze) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		f, err := freeze(c, w, cmd.Product, line.Baseline{Lot: cmd.Lot, Serials: cmd.Units}, cmd.Reason)
		if err != nil {
			return err
		}
		c.tellFrozen(f)
		return nil
	})
}

// freeze freezes limits under a meter.
func freeze(c *console, w *workplace, product string, base line.Baseline, reason string) (line.Frozen, error) {
	m := newMeter(c, "calibrating the limits, percent")
	defer m.end()
	return w.line.Freeze(c.ctx, w.by, product, line.Freezing{Baseline: base, Reason: reason, Progress: func(share float64) {
		m.show(int(100*share), 100, "")
	}})
}

func (c *console) tellFrozen(f line.Frozen) {
	fmt.Fprintf(c.out, "limit set %d: %d charts from %d units, in force from place %d on\n", f.Version, f.Streams, len(f.Used), f.FromPlace)
	fmt.Fprintf(c.out, "false alarms of the whole board: the first after %.0f units on average (half of such boards go longer than %.0f)\n", f.Budget.Mean, f.Budget.Median)
	for _, l := range f.LeftOut {
		fmt.Fprintf(c.out, "left out: %s: %s\n", l.Serial, l.Reason)
	}
	if len(f.Uncharted) > 0 {
		fmt.Fprintf(c.out, "not charted for want of values or spread: %s\n", strings.Join(f.Uncharted, ", "))
	}
	for _, r := range f.Rules {
		fmt.Fprintf(c.out, "rule %s: %s\n", r.Key, r.Text())
	}
	for _, text := range f.Warnings {
		fmt.Fprintln(c.out, "note:", text)
	}
	if f.Reread > 0 {
		fmt.Fprintf(c.out, "%d units measured since were read: %d signals\n", f.Reread, len(f.Signals))
	}
}

type limitsList struct {
	database
	Product string `arg:"" help:"Code of the product."`
}

func (cmd *limitsList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if _, err := w.line.Setup(c.ctx, cmd.Product); err != nil {
			return err
		}
		rows, err := w.db.Site(w.line.Site()).LimitSets(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "VERSION\tFROM PLACE\tBASELINE\tONE FALSE ALARM IN\tBY\tREASON")
		for _, r := range rows {
			fmt.Fprintf(t, "%d\t%d\t%d units\t%d units\t%s\t%s\n", r.Version, r.FromPlace, len(r.Baseline), r.Every, r.Author, r.Reason)
		}
		return t.Flush()
	})
}
