package main

import (
	"fmt"
	"os"
	"strings"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/spc/envelope"
)

type ingestCommand struct {
	database
	Paths    []string `arg:"" help:"Files or folders. A folder with a manifest.csv is read by it, other files by the pattern; a CSV with a serial column holds one take per row." type:"path"`
	Pattern  string   `help:"How file names tell what they hold, by default {serial}_{channel}_{seating}.txt." placeholder:"PATTERN"`
	Product  string   `help:"Product of takes that do not say. May be left out when there is only one."`
	Lot      string   `help:"Lot of takes that do not say."`
	Attempt  int      `help:"Attempt of takes that do not say; a retest is attempt 2 or later."`
	Reason   string   `help:"Cause found or action taken before a retest, for takes that do not say."`
	Station  string   `help:"Station of takes that do not say."`
	Operator string   `help:"Operator of takes that do not say."`
}

// usualPattern is the file-name pattern of the command line's default.
const usualPattern = "{serial}_{channel}_{seating}.txt"

func (ingestCommand) Help() string {
	return `Examples:
  alike ingest week37                                a folder with a manifest.csv
  alike ingest export --lot 2026-W37 --pattern '{serial}_{channel}_{seating}.txt'
  alike ingest rows.csv --lot 2026-W37               one take per row

The same files again change nothing. What is refused is kept in quarantine with
file, line, field, reason and remedy; the other takes go in.`
}

func (cmd *ingestCommand) Run(c *console) error {
	if cmd.Pattern == "" {
		cmd.Pattern = usualPattern
	}
	pattern, err := curve.ParsePattern(cmd.Pattern)
	if err != nil {
		return err
	}
	for _, p := range cmd.Paths {
		if _, err := os.Stat(p); err != nil {
			return fmt.Errorf("%w; nothing was read", err)
		}
	}
	return cmd.with(c, func(w *workplace) error {
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		entries, refused, err := curve.Plan(cmd.Paths, curve.Options{Pattern: pattern, Zone: zone, Defaults: curve.Identity{
			Product: cmd.Product, Lot: cmd.Lot, Attempt: cmd.Attempt, Reason: cmd.Reason, Station: cmd.Station, Operator: cmd.Operator,
		}})
		if err != nil {
			return err
		}
		out, err := ingest(c, w, "files", entries, refused)
		c.tell(out)
		if err != nil {
			return err
		}
		if len(out.Refused) > 0 {
			return exitCode(1)
		}
		return nil
	})
}

// ingest takes in planned files under a meter.
func ingest(c *console, w *workplace, what string, entries []curve.Entry, refused []*curve.Refusal) (line.Outcome, error) {
	m := newMeter(c, what)
	defer m.end()
	return w.line.Ingest(c.ctx, w.by, entries, refused, func(p line.Progress) {
		more := fmt.Sprintf(", %d units", p.Outcome.Units)
		if n := len(p.Outcome.Refused); n > 0 {
			more += fmt.Sprintf(", %d refused", n)
		}
		m.show(p.Done, p.Of, more)
	})
}

// tell prints what an ingest did; refusals go to the error stream.
func (c *console) tell(o line.Outcome) {
	c.tellRefused(o.Refused)
	fmt.Fprintf(c.out, "%d takes stored, %d known already, %d refused (%d new in quarantine)\n", o.Stored, o.Known, len(o.Refused), o.Fresh)
	if judged := verdicts(o); judged != "" {
		fmt.Fprintf(c.out, "units judged: %s\n", judged)
	}
	for _, k := range o.Checks {
		c.check(k)
	}
	if s := o.Study; s != nil {
		fmt.Fprintf(c.out, "study %s: %d of %d runs measured\n", s.Study, s.Done, s.Of)
	}
	if o.Verdicts[envelope.Hold] > 0 {
		fmt.Fprintln(c.out, "on hold because the rig is not trusted; why and what to do: alike rig status")
	}
	for _, text := range o.Waiting {
		fmt.Fprintf(c.out, "waiting for takes: %s\n", text)
	}
	for i, text := range o.Late {
		if i == 3 {
			fmt.Fprintf(c.out, "note: and %d more that come in late\n", len(o.Late)-i)
			break
		}
		fmt.Fprintf(c.out, "note: %s\n", text)
	}
	if n := len(o.Signals); n > 0 {
		fmt.Fprintf(c.out, "chart signals: %d, the first at unit %s\n", n, o.Signals[0].Serial)
	}
}

// alikeRefused is how many refusals for one reason are told one by one: a wrong product
// name refuses a whole folder.
const alikeRefused = 20

func (c *console) tellRefused(refused []curve.Refusal) {
	type cause struct{ field, reason, remedy string }
	seen := map[cause]int{}
	var order []cause
	for _, r := range refused {
		k := cause{r.Field, r.Reason, r.Remedy}
		if seen[k]++; seen[k] <= alikeRefused {
			fmt.Fprintln(c.err, "refused:", r.Error())
		} else if seen[k] == alikeRefused+1 {
			order = append(order, k)
		}
	}
	for _, k := range order {
		fmt.Fprintf(c.err, "refused: %d more for the same reason, all kept in quarantine: %s; %s\n", seen[k]-alikeRefused, k.reason, k.remedy)
	}
}

func verdicts(o line.Outcome) string {
	var parts []string
	for _, w := range []envelope.Word{envelope.Pass, envelope.Fail, envelope.Doubtful, envelope.Reseat, envelope.Hold} {
		if n := o.Verdicts[w]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, w))
		}
	}
	return strings.Join(parts, ", ")
}
