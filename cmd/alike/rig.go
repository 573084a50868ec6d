package main

import (
	_ "embed"
	"fmt"
	"os"
	"text/tabwriter"
	"time"

	"alike/internal/line"
)

type rigCommand struct {
	Status    rigStatus    `cmd:"" help:"Say whether each rig is trusted, why not, what to do, and which units wait."`
	Example   rigExample   `cmd:"" help:"Print a rig policy file to begin from."`
	Policy    rigPolicy    `cmd:"" help:"Put a new version of how the rig is checked in force."`
	Reference rigReference `cmd:"" help:"Make a unit a reference unit: its takes are checks and never production."`
	Use       rigUse       `cmd:"" help:"Say what a reference unit is used for from now on."`
	Baseline  rigBaseline  `cmd:"" help:"Take the last visits of a reference unit as what it reads on a healthy rig."`
	History   rigHistory   `cmd:"" help:"List the checks of a reference unit and what drifts; draw a band's chart."`
	Release   rigRelease   `cmd:"" help:"Judge units on hold as they were measured; you answer for the rig."`
	Calibrate rigCalibrate `cmd:"" help:"Note a calibration of a microphone, coupler or amplifier."`
	Work      rigWork      `cmd:"" help:"Note work that changed the rig: units wait until a check passes again."`
	Ambient   rigAmbient   `cmd:"" help:"Note temperature, humidity or noise around a rig."`
	Entries   rigEntries   `cmd:"" help:"List calibrations, work and surroundings."`
	Compare   rigCompare   `cmd:"" help:"Plan which units are measured on two rigs."`
	Transfer  rigTransfer  `cmd:"" help:"Show the curve that carries one rig's readings to another's."`
	Adopt     rigAdopt     `cmd:"" help:"Put such a curve in force: a rig's units are read as the other rig would read them."`
	Withdraw  rigWithdraw  `cmd:"" help:"Read a rig as it is again."`
	Transfers rigTransfers `cmd:"" help:"List which rigs are and were read as another, and since when."`
}

func (rigCommand) Help() string {
	return `A reference unit is measured like any unit and comes in by alike ingest or over HTTP.
Its takes are known by their serial. A take with the reason "turned" is of the unit
sitting left on right.

The way to a trusted rig:
  alike rig reference TB40-REF1 --note "kept in the cupboard"
  alike ingest five-days-of-ref1
  alike rig example > rig.json
  alike rig policy my-product rig.json --reason "one check a day"
  alike rig baseline TB40-REF1 --rig rig-1 --visits 5 --reason "calibrated today"

Care: a sweep, and a calibrator at the ear, can exceed 100 dB SPL. Seat the unit
before the drive is enabled, and never wear one while a sweep can start.`
}

type rigStatus struct {
	database
	Product string `arg:"" optional:"" help:"Code of the product. May be left out when there is only one."`
}

func (cmd *rigStatus) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		t, err := w.line.RigTrust(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		for _, r := range t.Rigs {
			c.rig(t, r)
		}
		if len(t.Rigs) == 0 {
			fmt.Fprintln(c.out, "nothing was measured yet")
		}
		return c.references(t)
	})
}

// rig prints the state of one rig.
func (c *console) rig(t line.Trust, r line.RigState) {
	name := r.Rig
	if name == "" {
		name = "(takes that name no station)"
	}
	fmt.Fprintf(c.out, "rig %s: %s\n", name, r.Sentence)
	if k := r.Last; k != nil {
		word := "failed"
		if k.Passed {
			word = "passed"
		}
		fmt.Fprintf(c.out, "  last check: %s %s at %s: %s\n", k.Serial, word, k.At.In(t.Zone).Format("2006-01-02 15:04 MST"), k.Sentence)
	}
	for _, text := range r.Notes {
		fmt.Fprintln(c.out, "  note:", text)
	}
	if len(r.Held) == 0 {
		return
	}
	fmt.Fprintf(c.out, "  on hold: %d units\n", len(r.Held))
	for _, h := range r.Held {
		fmt.Fprintf(c.out, "    %s, attempt %d at %s: %s\n", h.Serial, h.Attempt, h.MeasuredAt.In(t.Zone).Format("2006-01-02 15:04 MST"), h.Sentence)
	}
}

func (c *console) references(t line.Trust) error {
	if len(t.References) == 0 {
		return nil
	}
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "REFERENCE UNIT\tUSE\tSINCE\tREASON\tNOTE")
	for _, u := range t.References {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", u.Serial, u.State, u.Since.In(t.Zone).Format(time.DateOnly), u.Reason, u.Note)
	}
	return w.Flush()
}

// check prints what became of a visit of a reference unit.
func (c *console) check(k line.RigCheck) {
	fmt.Fprintf(c.out, "reference unit %s on rig %s: %s: %s\n", k.Serial, k.Rig, k.Word, k.Sentence)
	c.settled(k.Settled)
}

func (c *console) settled(xs []line.Settled) {
	for _, x := range xs {
		fmt.Fprintf(c.out, "  %s, attempt %d: %s, was %s: %s\n", x.Serial, x.Attempt, x.To, x.From, x.Sentence)
	}
}

//go:embed example-rig-policy.json
var examplePolicy []byte

type rigExample struct{}

func (rigExample) Run(c *console) error {
	_, err := c.out.Write(examplePolicy)
	return err
}

type rigPolicy struct {
	database
	Product string `arg:"" help:"Code of the product."`
	File    string `arg:"" help:"Policy file (JSON)." type:"existingfile"`
	Reason  string `required:"" help:"Why the checks are so."`
}

func (cmd *rigPolicy) Run(c *console) error {
	data, err := os.ReadFile(cmd.File)
	if err != nil {
		return err
	}
	p, err := line.ParseRigPolicy(data)
	if err != nil {
		return fmt.Errorf("%s: %w", cmd.File, err)
	}
	return cmd.with(c, func(w *workplace) error {
		v, settled, err := w.line.AddRigPolicy(c.ctx, w.by, cmd.Product, p, cmd.Reason)
		if err != nil {
			return err
		}
		what := fmt.Sprintf("a check counts for %g hours", p.Hours)
		if p.Off {
			what = "rigs are not checked"
		}
		fmt.Fprintf(c.out, "rig policy version %d of %s is in force: %s\n", v, cmd.Product, what)
		c.settled(settled)
		return nil
	})
}

type rigReference struct {
	database
	Serial  string `arg:"" help:"Serial that its takes carry."`
	Product string `help:"Code of the product. May be left out when there is only one."`
	Spare   bool   `help:"It is a spare."`
	Note    string `help:"Where it is kept, what is special about it."`
}

func (cmd *rigReference) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		state := line.InUse
		if cmd.Spare {
			state = line.Spare
		}
		if err := w.line.AddReference(c.ctx, w.by, cmd.Product, cmd.Serial, state, cmd.Note); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s is a reference unit (%s)\n", cmd.Serial, state)
		fmt.Fprintf(c.out, "next: measure it on its rig, best on five days, once turned round; then: alike rig baseline %s --rig RIG --reason TEXT\n", cmd.Serial)
		return nil
	})
}

type rigUse struct {
	database
	Serial string `arg:"" help:"Serial of the reference unit."`
	State  string `arg:"" help:"in-use, spare or retired." enum:"in-use,spare,retired"`
	Reason string `required:"" help:"Why."`
}

func (cmd *rigUse) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		state := cmd.State
		if state == "in-use" {
			state = line.InUse
		}
		if err := w.line.SetReference(c.ctx, w.by, cmd.Serial, state, cmd.Reason); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s is %s\n", cmd.Serial, state)
		return nil
	})
}

type rigBaseline struct {
	database
	Serial string `arg:"" help:"Serial of the reference unit."`
	Rig    string `help:"Station that its takes name."`
	Visits int    `help:"How many of the last visits to take." default:"5"`
	Reason string `required:"" help:"How it is known that the rig is good now."`
}

func (cmd *rigBaseline) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		b, err := w.line.SetBaseline(c.ctx, w.by, cmd.Serial, cmd.Rig, cmd.Visits, cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "baseline version %d of %s on rig %s: %d visits, %d seatings; %d visits turned round\n", b.Version, cmd.Serial, cmd.Rig, b.Visits, b.Seatings, b.Turned)
		c.check(b.Check)
		for _, text := range b.Warnings {
			fmt.Fprintln(c.out, "note:", text)
		}
		return nil
	})
}

type rigRelease struct {
	database
	Serials []string `arg:"" help:"Units on hold."`
	Reason  string   `required:"" help:"Why the rig can be trusted for them."`
}

func (cmd *rigRelease) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		settled, err := w.line.Release(c.ctx, w.by, cmd.Serials, cmd.Reason)
		if err != nil {
			return err
		}
		c.settled(settled)
		return nil
	})
}
