package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"alike/internal/line"
)

type faultCommand struct {
	Plan     faultPlan     `cmd:"" help:"Plan a study of units that are built faulty on purpose."`
	Status   faultStatus   `cmd:"" help:"Say how far a study has come, and what it teaches."`
	Learn    faultLearn    `cmd:"" help:"Put what a study teaches in force: from now on the fault is known."`
	List     faultList     `cmd:"" help:"List the faults that a product is known to have, and the studies."`
	Show     faultShow     `cmd:"" help:"Show one known fault: its curve, where it comes from, what it is confused with."`
	Withdraw faultWithdraw `cmd:"" help:"Take a learnt fault out of force, with a reason."`
}

func (faultCommand) Help() string {
	return `The way from a unit built faulty to a fault that is known:
  alike fault plan FS-1 --key plate-missing --words "tuning plate is missing" --check "Open the cup and look." \
      --side left --units F1,F2,F3 --reason "a cup came without its plate"
  alike ingest faulty --lot FS-1              takes that name the study as their lot are not production
  alike fault status FS-1
  alike fault learn FS-1 --reason "three units, all alike"

` + faultCare
}

// faultCare is said where people are told to build faulty units.
const faultCare = `Care: solvents, adhesives and solder give off fumes when units are opened and closed again:
extract at the source, and keep to the data sheets and local codes. A sweep can exceed
105 dB SPL at the ear: never wear a unit while one can start.`

type faultPlan struct {
	database
	Code     string   `arg:"" help:"Code of the study; its takes name it as their lot."`
	Key      string   `required:"" help:"Short name of the fault, such as plate-missing; one that is known already is learnt anew."`
	Words    string   `help:"What the fault is, such as: tuning plate of the rear port is missing. Not needed for a known key." placeholder:"TEXT"`
	Check    string   `help:"The first thing to look at, as a sentence. Not needed for a known key." placeholder:"TEXT"`
	Part     string   `help:"Kind of part that it comes from, as the parts ledger has it." placeholder:"KIND"`
	Side     string   `help:"Channel that is built faulty, or both." default:"both"`
	Units    []string `required:"" help:"Serials of the faulty units, separated by commas; three are better than two."`
	Good     []string `help:"Serials of good units that are measured in the same way. Default: the baseline of the limits in force." placeholder:"SERIALS"`
	Seatings int      `help:"Seatings of each unit. Default: the product's." placeholder:"N"`
	Seed     uint64   `help:"Of the random order. Default: from the clock." placeholder:"N"`
	Product  string   `help:"Code of the product. May be left out when there is only one."`
	Reason   string   `required:"" help:"Why the fault is built."`
}

func (cmd *faultPlan) Run(c *console) error {
	if _, ok := c.given["seatings"]; ok && cmd.Seatings < 1 {
		return fmt.Errorf("--seatings %d: use 1 or more", cmd.Seatings)
	}
	return cmd.with(c, func(w *workplace) error {
		p := line.FaultPlan{
			Code: cmd.Code, Product: cmd.Product, Key: cmd.Key, Words: cmd.Words, Check: cmd.Check, Part: cmd.Part, Side: cmd.Side,
			Faulty: cmd.Units, Good: cmd.Good, Trials: cmd.Seatings, Seed: seedOr(cmd.Seed), Reason: cmd.Reason,
		}
		if err := w.line.PlanFault(c.ctx, w.by, p); err != nil {
			return err
		}
		s, err := w.line.Study(c.ctx, cmd.Code)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "study %s: %d runs of %d faulty and %d good units, seed %d\n", cmd.Code, len(s.Runs), len(cmd.Units), len(cmd.Good), p.Seed)
		fmt.Fprintf(c.out, "its takes name lot %s, their unit and seating; its faulty units never count as production\n%s\n", cmd.Code, faultCare)
		return nil
	})
}

// without holds the units to leave out of what is learnt.
type without struct {
	Without []string `help:"A faulty unit that does not count, with the reason: SERIAL=REASON. May be repeated." sep:"none" placeholder:"SERIAL=REASON"`
}

func (w without) leftOut() ([]line.LeftOut, error) {
	var out []line.LeftOut
	for _, s := range w.Without {
		serial, reason, ok := strings.Cut(s, "=")
		if !ok || strings.TrimSpace(reason) == "" {
			return nil, fmt.Errorf("--without %s: give the serial and the reason, such as F3=\"its pad was torn\"", s)
		}
		out = append(out, line.LeftOut{Serial: strings.TrimSpace(serial), Reason: strings.TrimSpace(reason)})
	}
	return out, nil
}

type faultStatus struct {
	database
	without
	Code string `arg:"" help:"Code of the study."`
	Next int    `help:"How many of the next runs to name." default:"10"`
}

func (cmd *faultStatus) Run(c *console) error {
	leave, err := cmd.leftOut()
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.FaultStudy(c.ctx, cmd.Code, leave)
		if err != nil {
			return err
		}
		left := r.Left()
		fmt.Fprintf(c.out, "study %s of %s (%s, %s): %d of %d runs measured\n", cmd.Code, r.Plan.Key, r.Plan.Words, r.Plan.Side, len(r.Runs)-len(left), len(r.Runs))
		for i, run := range left {
			if i == cmd.Next {
				fmt.Fprintf(c.out, "… and %d more\n", len(left)-i)
				break
			}
			kind := "good unit"
			if slices.Contains(r.Plan.Faulty, run.Part) {
				kind = "faulty unit"
			}
			fmt.Fprintf(c.out, "next: %s %s, seating %d\n", kind, run.Part, run.Trial)
		}
		return c.taught(r)
	})
}

// taught prints what a study teaches.
func (c *console) taught(r line.FaultStudyResult) error {
	if r.Learnt == nil {
		fmt.Fprintln(c.out, r.Why)
		return nil
	}
	k := r.Learnt
	from := "good units of the study"
	if r.LimitSet > 0 {
		from = fmt.Sprintf("units of the baseline of limit set %d", r.LimitSet)
	}
	fmt.Fprintf(c.out, "%d faulty units against %d %s; %d of %d bands changed beyond chance\n", len(k.Units), k.Good, from, k.Clear, k.Bands)
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "BAND\tCHANGE, dB\tLOW\tHIGH\tP (HOLM)\t\t")
	for i, b := range r.Setup.Band {
		if math.IsNaN(k.Shape[i]) {
			fmt.Fprintf(t, "%s\t–\t\t\t\t\t\n", b.Label())
			continue
		}
		mark := ""
		if k.P[i] <= 0.05 {
			mark = "changed"
		}
		fmt.Fprintf(t, "%s\t%+.2f\t%+.2f\t%+.2f\t%.2g\t%s\t\n", b.Label(), k.Shape[i], k.Low[i], k.High[i], k.P[i], mark)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	t = tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "UNIT\tSIZE AGAINST THE OTHERS\tSHARED WITH THEM\tP OF BEING ALIKE\t")
	for _, u := range k.Units {
		fmt.Fprintf(t, "%s\t%.2f\t%.0f %%\t%.2g\t\n", u.Name, u.Size, 100*u.Shared, u.P)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, o := range r.LeftOut {
		fmt.Fprintf(c.out, "left out: %s: %s\n", o.Serial, o.Reason)
	}
	for _, text := range r.Warnings {
		fmt.Fprintln(c.out, "note:", text)
	}
	if len(r.Like) > 0 && !r.Like[0].Confusable() {
		fmt.Fprintln(c.out, "most like:", r.Like[0].Text())
	}
	return nil
}

type faultLearn struct {
	database
	without
	Code   string `arg:"" help:"Code of the study."`
	Reason string `required:"" help:"Why this is what the fault looks like."`
}

func (cmd *faultLearn) Run(c *console) error {
	leave, err := cmd.leftOut()
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		v, r, err := w.line.LearnFault(c.ctx, w.by, cmd.Code, leave, cmd.Reason)
		if err != nil {
			return err
		}
		if err := c.taught(r); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "fault %s of %s is known from now on, version %d; decided lots stay as they are\n", r.Plan.Key, r.Product, v)
		return nil
	})
}

type faultList struct {
	database
	Product string `help:"Code of the product. May be left out when there is only one."`
}

func (cmd *faultList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		k, err := w.line.KnownFaults(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "FAULT\tWHAT\tFROM")
		for _, f := range slices.Concat(k.Faults, k.Gone) {
			fmt.Fprintf(t, "%s\t%s\t%s\n", f.Key, f.Words, f.Origin())
		}
		if err := t.Flush(); err != nil {
			return err
		}
		for _, p := range k.Pairs {
			fmt.Fprintln(c.out, "confusable:", p.Text())
		}
		for _, s := range k.Studies {
			fmt.Fprintf(c.out, "study %s of %s: %d of %d runs measured\n", s.Study, s.Plan.Key, len(s.Done), len(s.Runs))
		}
		return nil
	})
}

type faultShow struct {
	database
	Key     string `arg:"" help:"Short name of the fault."`
	Product string `help:"Code of the product. May be left out when there is only one."`
}

func (cmd *faultShow) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		k, err := w.line.KnownFaults(c.ctx, cmd.Product)
		if err != nil {
			return err
		}
		f, err := k.Fault(cmd.Key)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s: %s\n%s\n%s\n", f.Key, f.Words, f.Check, f.Origin())
		if v := f.Learnt; v != nil {
			fmt.Fprintf(c.out, "version %d by %s: %s; units %s (%s), against %d good ones\n", v.Version, v.Author, v.Reason, strings.Join(v.Units, ", "), v.Side, v.Good)
			for _, o := range v.LeftOut {
				fmt.Fprintf(c.out, "left out: %s: %s\n", o.Serial, o.Reason)
			}
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(t, "BAND\tCHANGE, dB\tLOW\tHIGH\t")
		for i, b := range k.Setup.Band {
			low, high := "", ""
			if f.Low != nil {
				low, high = fmt.Sprintf("%+.2f", f.Low[i]), fmt.Sprintf("%+.2f", f.High[i])
			}
			fmt.Fprintf(t, "%s\t%+.2f\t%s\t%s\t\n", b.Label(), f.Shape[i], low, high)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		if f.Nearest != nil {
			fmt.Fprintln(c.out, "most like:", f.Nearest.Text())
		}
		return nil
	})
}

type faultWithdraw struct {
	database
	Key     string `arg:"" help:"Short name of the fault."`
	Product string `help:"Code of the product. May be left out when there is only one."`
	Reason  string `required:"" help:"Why it does not count any more."`
}

func (cmd *faultWithdraw) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		v, err := w.line.WithdrawFault(c.ctx, w.by, cmd.Product, cmd.Key, cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "learnt fault %s is withdrawn, version %d\n", cmd.Key, v)
		return nil
	})
}
