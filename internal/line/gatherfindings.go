package line

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/cause"
)

// findings fills what the charts found in the lot, analysed up to its last unit, so that
// the same lot reads the same whatever came later; what people did about it is as it
// stands now.
func (g *gathering) findings(ctx context.Context, s store.Site) error {
	if len(g.first) == 0 {
		return nil
	}
	rows, err := s.FindingsOfLot(ctx, g.lot.Lot)
	if err != nil || len(rows) == 0 {
		return err
	}
	links, err := s.LinksOfLot(ctx, g.lot.Lot)
	if err != nil {
		return err
	}
	g.links = map[store.SignalLink]int64{}
	for _, k := range links {
		n := k.Finding
		k.Finding = 0
		g.links[k] = n
	}
	b := g.board // of a decided lot: limits frozen later do not analyse it anew
	if g.pin == nil || b == nil {
		if b, err = g.line.charts(ctx, s, g.setup); err != nil {
			return err
		}
	}
	for _, row := range rows {
		a, err := analyse(ctx, s, b, row, g.first[len(g.first)-1].Place)
		if err != nil {
			return err
		}
		events, err := s.FindingEvents(ctx, row.Finding)
		if err != nil {
			return err
		}
		g.out.Findings = append(g.out.Findings, findingRow(row, a, events))
		if err := g.touch(ctx, s, row, events); err != nil {
			return err
		}
	}
	return nil
}

// finding returns the number of the finding that a signal belongs to, 0 for none.
func (g *gathering) finding(sig store.SignalRow) int64 {
	return g.links[store.SignalLink{LimitSet: sig.LimitSet, Place: sig.Place, Stream: sig.Stream, Rule: sig.Rule}]
}

func findingRow(f store.FindingRow, a Analysis, events []store.FindingEvent) reports.FindingRow {
	out := reports.FindingRow{
		Number: f.Finding, Kind: "the line", State: f.State, Sentence: a.Sentence, P: math.NaN(), AtRisk: a.AtRisk.Units, Cause: f.Cause, Action: f.Action,
	}
	if f.Kind == OneUnit {
		out.Kind = "one unit"
	}
	if c := a.Change; c != nil {
		out.Since, out.P, out.Set = c.Serial, c.P, c.First
		if c.Last != c.First {
			out.Set += " to " + c.Last
		}
	}
	var looks, coincides, checks []string
	for _, c := range a.Causes {
		if c.Likely && c.Behind < cause.Apart {
			looks = append(looks, fmt.Sprintf("%s (%.0f %%)", c.Words, 100*c.Explained))
		}
	}
	for _, m := range a.Channels {
		if m.Moved && m.Left != "" {
			looks = append(looks, m.Channel+": "+m.Left)
		}
	}
	for _, c := range a.Coincidences {
		if c.Within {
			coincides = append(coincides, fmt.Sprintf("%s from %s to %s at %s (p = %s, %s for %s)", c.Factor, c.From, c.To, c.Serial,
				probability(c.P), probability(c.Adjusted), number(len(a.Coincidences), "candidate")))
		}
	}
	for i, k := range a.Checks {
		checks = append(checks, fmt.Sprintf("%d. %s", i+1, k.Check))
	}
	out.LooksLike, out.Coincides, out.Check = strings.Join(looks, "; "), strings.Join(coincides, "; "), strings.Join(checks, "\n")
	if i := slices.IndexFunc(events, func(e store.FindingEvent) bool { return e.Kind == Close }); f.State == Closed && i >= 0 {
		last := events[i]
		for _, e := range events[i:] {
			if e.Kind == Close {
				last = e
			}
		}
		out.ClosedBy = fmt.Sprintf("%s: %s", last.Actor, last.Text)
	}
	return out
}
