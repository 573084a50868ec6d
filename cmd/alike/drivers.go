package main

import (
	_ "embed"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"

	"alike/internal/curve"
	"alike/internal/line"
)

type driversCommand struct {
	Example  driversExample  `cmd:"" help:"Print a product file for single drivers to begin from."`
	Take     driversTake     `cmd:"" help:"Take in measured curves of single drivers, and the numbers measured beside them."`
	List     driversList     `cmd:"" help:"List the batches of drivers."`
	Compare  driversCompare  `cmd:"" help:"Judge batches, and compare them or suppliers."`
	Pair     driversPair     `cmd:"" help:"Pair drivers: most pairs within the tolerance, then least mismatch."`
	Pairings driversPairings `cmd:"" help:"List the pairings that were kept."`
	Picks    driversPicks    `cmd:"" help:"Write the pick list of a kept pairing, with what was built by it."`
	Withdraw driversWithdraw `cmd:"" help:"Give up a kept pairing: its drivers are free again."`
	Buy      driversBuy      `cmd:"" help:"How many drivers to buy for so many pairs."`
}

//go:embed example-driver.json
var exampleDriver []byte

type driversExample struct{}

func (driversExample) Run(c *console) error {
	_, err := c.out.Write(exampleDriver)
	return err
}

type driversTake struct {
	database
	Paths    []string `arg:"" optional:"" help:"Files or folders of curves, as for ingest; the channel is mono." type:"path"`
	Values   []string `help:"Tables of numbers beside the curves (CSV): serial, batch and a column per metric." placeholder:"FILE" type:"path"`
	Batch    string   `help:"Batch of drivers that do not say."`
	Pattern  string   `help:"How file names tell what they hold, by default {serial}.txt." placeholder:"PATTERN" default:"{serial}.txt"`
	Product  string   `help:"Product of the drivers, or the one they go into. May be left out when there is only one."`
	Station  string   `help:"Station of takes that do not say."`
	Operator string   `help:"Operator of takes that do not say."`
}

func (driversTake) Help() string {
	return `Examples:
  alike drivers take jig/NV-2440 --batch NV-2440 --values NV-2440.csv
  alike drivers take jig                       a folder with a manifest.csv

The same files again change nothing. What is refused is kept in quarantine with
file, line, field, reason and remedy; the rest goes in.`
}

func (cmd *driversTake) Run(c *console) error {
	if len(cmd.Paths)+len(cmd.Values) == 0 {
		return fmt.Errorf("no files given; name files or folders of takes, or tables with --values")
	}
	pattern, err := curve.ParsePattern(cmd.Pattern)
	if err != nil {
		return err
	}
	for _, p := range append(append([]string(nil), cmd.Paths...), cmd.Values...) {
		if _, err := os.Stat(p); err != nil {
			return fmt.Errorf("%w; nothing was read", err)
		}
	}
	return cmd.with(c, func(w *workplace) error {
		setup, err := w.line.DriverSetup(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		refused, err := cmd.curves(c, w, setup, pattern)
		if err != nil {
			return err
		}
		for _, name := range cmd.Values {
			n, err := cmd.table(c, w, setup, name)
			if err != nil {
				return err
			}
			refused += n
		}
		if refused > 0 {
			return exitCode(1)
		}
		return nil
	})
}

// curves takes in the files of curves and returns how many were refused.
func (cmd *driversTake) curves(c *console, w *workplace, setup *line.Setup, pattern curve.Pattern) (int, error) {
	if len(cmd.Paths) == 0 {
		return 0, nil
	}
	zone, err := w.line.Zone(c.ctx)
	if err != nil {
		return 0, err
	}
	entries, refused, err := curve.Plan(cmd.Paths, curve.Options{Pattern: pattern, Zone: zone, Defaults: curve.Identity{
		Product: setup.Code, Lot: cmd.Batch, Channel: "mono", Station: cmd.Station, Operator: cmd.Operator,
	}})
	if err != nil {
		return 0, err
	}
	out, err := ingest(c, w, "files", entries, refused)
	c.tell(out)
	return len(out.Refused), err
}

func (cmd *driversTake) table(c *console, w *workplace, setup *line.Setup, name string) (int, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return 0, err
	}
	out, err := w.line.IngestValues(c.ctx, w.by, setup.Code, cmd.Batch, name, data)
	for _, r := range out.Refused {
		fmt.Fprintln(c.err, "refused:", r.Error())
	}
	fmt.Fprintf(c.out, "%d drivers: %d numbers stored, %d known already, %d rows refused\n", out.Pieces, out.Stored, out.Known, len(out.Refused))
	return len(out.Refused), err
}

type driversList struct {
	database
	Product string `help:"Product of the drivers, or the one they go into."`
	Batch   string `help:"List the drivers of a batch instead."`
}

func (cmd *driversList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if cmd.Batch != "" {
			return cmd.one(c, w)
		}
		rows, err := w.line.DriverBatches(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "BATCH\tSUPPLIER\tRECEIVED\tBOUGHT\tTAKEN IN\tMEASURED\tGOOD\tBAD\tPAIRED\tBUILT")
		for _, r := range rows {
			bought := ""
			if r.Pieces > 0 {
				bought = fmt.Sprint(r.Pieces)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%d\t%d\t%d\t%d\t%d\t%d\n", r.Batch, r.Supplier, day(r.Received), bought, r.Drivers, r.Measured, r.Good, r.Bad, r.Paired, r.Built)
		}
		return t.Flush()
	})
}

func (cmd *driversList) one(c *console, w *workplace) error {
	drivers, setup, err := w.line.Drivers(c.ctx, cmd.Product, []string{cmd.Batch})
	if err != nil {
		return err
	}
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	head := "DRIVER\tSENSITIVITY\tPOLARITY"
	for _, m := range setup.Metrics {
		head += "\t" + strings.ToUpper(m.Key)
	}
	fmt.Fprintln(t, head+"\tUNIT\tVERDICT")
	for _, d := range drivers {
		fmt.Fprintf(t, "%s\t%.2f\t%s", d.Serial, d.Sensitivity, map[int]string{1: "as most", -1: "reversed", 0: "not checked"}[d.Polarity])
		for _, m := range setup.Metrics {
			text := "not measured"
			if v, ok := d.Values[m.Key]; ok {
				text = fmt.Sprintf("%g %s", v, m.Unit)
			}
			fmt.Fprint(t, "\t", text)
		}
		fmt.Fprintf(t, "\t%s\t%s\n", d.Unit, driverText(d))
	}
	return t.Flush()
}

func driverText(d line.Driver) string {
	switch {
	case d.Good:
		return "good"
	case d.Bad:
		return "bad: " + strings.Join(d.Faults, "; ")
	}
	return "not checked: " + strings.Join(d.NotChecked, ", ")
}
