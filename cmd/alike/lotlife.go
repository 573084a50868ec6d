package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"strings"

	"alike/internal/line"
	"alike/reports"
)

type lotShow struct {
	database
	Lot string `arg:"" help:"Code of the lot."`
}

func (cmd *lotShow) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.LotReport(c.ctx, cmd.Lot, version)
		if err != nil {
			return err
		}
		printStanding(c, r)
		return nil
	})
}

// printStanding says what a decision on the lot rests on.
func printStanding(c *console, r reports.Lot) {
	say := func(name, text string, args ...any) {
		fmt.Fprintf(c.out, "%-22s%s\n", name, fmt.Sprintf(text, args...))
	}
	say("lot", "%s, %s", r.Code, r.Product)
	say("state", "%s", stateText(r.Life))
	say("proposal", "%s", r.Proposal.Word)
	for _, reason := range r.Proposal.Reasons {
		say("", "%s", reason)
	}
	n := r.Counts
	say("units", "%d: %d pass, %d fail, %d doubtful, %d reseat, %d hold, %d waiting", n.Units, n.Pass, n.Fail, n.Doubtful, n.Reseat, n.Hold, n.Waiting)
	say("attempts", "%d judged, %d units more than once", n.Attempts, n.Retested)
	for _, y := range r.Yield {
		say(y.Name, "%d of %d", y.Good, y.Of)
	}
	say("sampling", "%s", line.SamplingText(r.Sampling))
	for i, row := range r.Capability {
		if i == 3 {
			break
		}
		say(map[bool]string{true: "capability, lowest", false: ""}[i == 0], "%s: Ppk %.2f, with %.0f %% confidence at least %.2f", row.Stream, row.Ppk, 100*row.Confidence, row.AtLeast)
	}
	signals := 0
	for _, g := range r.Signals {
		signals += g.Count
	}
	say("signals", "%d", signals)
	say("judged by", "envelope %s, limit set %s", versions(r.Envelopes), versions(r.LimitSets))
	for i, text := range r.Life.NotReady {
		say(map[bool]string{true: "not ready", false: ""}[i == 0], "%s", text)
	}
	for i, text := range r.Life.Questions {
		say(map[bool]string{true: "to be answered", false: ""}[i == 0], "%s", text)
	}
	for i, d := range r.RigDays {
		say(map[bool]string{true: "rig", false: ""}[i == 0], "%s %s: %s", d.Day, d.Rig, d.Text)
	}
	if s := r.Life.Signature; s != nil {
		for i, text := range line.SignatureText(*s) {
			say(map[bool]string{true: "signed", false: ""}[i == 0], "%s", text)
		}
	}
}

func stateText(l reports.Life) string {
	if n := len(l.Steps); n > 0 {
		p := l.Steps[n-1]
		text := l.State
		if p.Outcome != "" {
			text += ": " + p.Outcome
		}
		text += ", by " + p.Who + " on " + p.At.Format("2006-01-02 15:04 -07:00")
		if p.Reason != "" {
			text += ": " + p.Reason
		}
		return text
	}
	return l.State
}

func versions(v []int) string {
	if len(v) == 0 {
		return "none"
	}
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(v), " ", ", "), "[]")
}

type lotClose struct {
	database
	Lot    string `arg:"" help:"Code of the lot."`
	Reason string `help:"Why now, if that is worth a word."`
}

func (cmd *lotClose) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if err := w.line.CloseLot(c.ctx, w.by, cmd.Lot, cmd.Reason); err != nil {
			return err
		}
		r, err := w.line.LotReport(c.ctx, cmd.Lot, version)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "lot %s is closed for measuring\n", cmd.Lot)
		for _, text := range r.Life.NotReady {
			fmt.Fprintln(c.out, "  not ready: "+text)
		}
		return nil
	})
}

type lotReopen struct {
	database
	Lot    string `arg:"" help:"Code of the lot."`
	Reason string `required:"" help:"Why the lot is opened again."`
}

func (cmd *lotReopen) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if err := w.line.ReopenLot(c.ctx, w.by, cmd.Lot, cmd.Reason); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "lot %s is open again\n", cmd.Lot)
		return nil
	})
}

type lotDecide struct {
	database
	Lot     string `arg:"" help:"Code of the lot."`
	Outcome string `arg:"" help:"accept, concession (accepted although something speaks against it), sort, rework or reject."`
	Reason  string `required:"" help:"Why, in your words. Your name, this reason and the hash of the report's data are the signature."`
	Read    string `help:"Hash of the data of the report that you read; the decision is refused when they have changed." placeholder:"HASH"`
}

func (cmd *lotDecide) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.DecideLot(c.ctx, w.by, cmd.Lot, version, line.Decision{Outcome: cmd.Outcome, Reason: cmd.Reason, DataHash: cmd.Read})
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "lot %s is decided: %s\n", cmd.Lot, cmd.Outcome)
		for _, text := range line.SignatureText(*r.Life.Signature) {
			fmt.Fprintln(c.out, "  "+text)
		}
		return nil
	})
}

type lotPull struct {
	database
	Lot     string `arg:"" help:"Code of the lot."`
	Units   string `required:"" help:"File with the serials of the whole lot, one in each line; - for the input." placeholder:"FILE"`
	Product string `help:"Product of a lot that is not there yet."`
	Reason  string `help:"Why a lot is drawn from once more."`
}

func (cmd *lotPull) Run(c *console) error {
	units, err := readSerials(c, cmd.Units)
	if err != nil {
		return err
	}
	return cmd.with(c, func(w *workplace) error {
		d, err := w.line.PullUnits(c.ctx, w.by, cmd.Lot, line.Pull{Product: cmd.Product, Units: units, Reason: cmd.Reason})
		if err != nil {
			return err
		}
		p := d.Plan
		fmt.Fprintf(c.out, "inspect %d of %d units, accept at most %d defective; inspection is %s: %s\n", p.Sample, p.LotSize, p.Accept, p.Severity, d.Why)
		fmt.Fprintf(c.out, "risk to refuse a lot with %.3g %% defective: %.2g %%; to accept one with %.3g %%: %.2g %%\n", 100*p.Good, 100*p.ProducerRisk, 100*p.Bad, 100*p.ConsumerRisk)
		for _, note := range p.Notes {
			fmt.Fprintln(c.out, note)
		}
		fmt.Fprintf(c.out, "drawn with seed %s:\n", p.Seed)
		for _, serial := range d.Pulled {
			fmt.Fprintln(c.out, serial)
		}
		return nil
	})
}

// readSerials reads one serial from each line; empty lines and those that begin with #
// are passed over.
func readSerials(c *console, name string) ([]string, error) {
	in := c.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	var out []string
	seen := map[string]int{}
	s := bufio.NewScanner(io.LimitReader(in, 64<<20))
	for n := 1; s.Scan(); n++ {
		serial := strings.TrimSpace(strings.TrimPrefix(s.Text(), "\ufeff"))
		if serial == "" || strings.HasPrefix(serial, "#") {
			continue
		}
		if strings.ContainsAny(serial, ",;\t") {
			return nil, fmt.Errorf("%s:%d: serial: %q holds a separator; give one serial in each line and nothing else", name, n, serial)
		}
		if at := seen[serial]; at > 0 {
			return nil, fmt.Errorf("%s:%d: serial: %s stands in line %d already; name every unit once", name, n, serial, at)
		}
		seen[serial] = n
		out = append(out, serial)
	}
	if err := s.Err(); err != nil {
		return nil, fmt.Errorf("%s: cannot be read as lines of text: %w; give one serial in each line", name, err)
	}
	return out, nil
}
