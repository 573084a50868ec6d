package main

import (
	"fmt"

	"alike/internal/line"
)

type unitCommand struct {
	Override unitOverride `cmd:"" help:"Set a unit's verdict aside, with a reason. First-pass yield keeps the program's."`
	Confirm  unitConfirm  `cmd:"" help:"Agree as a second person that a verdict is set aside."`
}

type unitOverride struct {
	database
	Serial  string `arg:"" help:"Serial of the unit."`
	Verdict string `arg:"" help:"pass, fail, doubtful, hold or reseat."`
	Attempt int    `help:"Which attempt; without it the last one." placeholder:"N"`
	Reason  string `required:"" help:"What you found, and why the program's verdict is wrong."`
}

func (cmd *unitOverride) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		o, err := w.line.Override(c.ctx, w.by, line.Overriding{Serial: cmd.Serial, Attempt: cmd.Attempt, Verdict: cmd.Verdict, Reason: cmd.Reason})
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "unit %s, attempt %d: %s instead of %s\n", cmd.Serial, o.Attempt, o.Verdict, o.Was)
		if !o.InForce {
			fmt.Fprintf(c.out, "it waits for a second person: alike unit confirm %s --attempt %d --reason TEXT\n", cmd.Serial, o.Attempt)
		}
		return nil
	})
}

type unitConfirm struct {
	database
	Serial  string `arg:"" help:"Serial of the unit."`
	Attempt int    `help:"Which attempt; without it the last one." placeholder:"N"`
	Reason  string `required:"" help:"Why you agree."`
}

func (cmd *unitConfirm) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		o, err := w.line.Confirm(c.ctx, w.by, cmd.Serial, cmd.Attempt, cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "unit %s, attempt %d: %s instead of %s, in force\n", cmd.Serial, o.Attempt, o.Verdict, o.Was)
		return nil
	})
}
