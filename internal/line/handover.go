package line

import (
	"context"
	"fmt"
	"math"

	"alike/internal/store"
)

// handedOver returns, by place, what the charts that learnt say of units to which the first
// limit set has been handed: all of them in the baseline, where one is read late, and behind
// it the sums that were under way at its end, until they are back at zero or have gone
// out. No new sum begins there, so that the frozen charts' budget stays theirs: a sum that
// began earlier is inside the budget of the time in which it began. The frozen charts
// begin with empty memories, as they are calibrated.
func (b *board) handedOver(ctx context.Context, s store.Site, place int64) (map[int64][]store.SignalRow, error) {
	if b.set.Version != 1 || place >= b.set.FromPlace+learnWindow {
		return nil, nil
	}
	k, err := learned(ctx, s, b.setup, b.set.FromPlace, nil)
	if err != nil {
		return nil, err
	}
	over := newLearningBoard(b.setup, k)
	k = k.clone()
	k.handOver()
	rows, err := s.LastLearnRows(ctx, b.setup.Code, b.set.FromPlace+learnWindow, 2*learnWindow)
	if err != nil {
		return nil, err
	}
	over.said = map[int64]learnStep{}
	for _, r := range rows {
		if r.Place >= b.set.FromPlace {
			over.said[r.Place] = *k.read(r)
			over.note(r.Place, over.said[r.Place])
		}
	}
	readings, err := s.LastReadings(ctx, b.setup.Code, min(place, b.set.FromPlace), b.set.FromPlace+learnWindow, math.MaxInt32)
	if err != nil {
		return nil, err
	}
	out := map[int64][]store.SignalRow{}
	for _, r := range readings {
		out[r.Place] = over.learnSignals(r)
	}
	b.runs = over.runs
	return out, nil
}

// handOver ends learning: only the sums under way are read on.
func (l *learner) handOver() {
	l.over, l.ending = true, true
	for s := range l.up {
		l.up[s].ended, l.dn[s].ended = l.up[s].sum == 0, l.dn[s].sum == 0
	}
}

// carriedOver stores what sums under way at the end of the baseline say of the units since,
// and returns what was not known.
func (b *board) carriedOver(ctx context.Context, s store.Site, later []store.ReadingRow) ([]store.SignalRow, error) {
	if len(later) == 0 {
		return nil, nil
	}
	said, err := b.handedOver(ctx, s, b.set.FromPlace)
	if err != nil {
		return nil, err
	}
	standing, err := s.SignalsFrom(ctx, b.setup.Code, 0, b.set.FromPlace)
	if err != nil {
		return nil, err
	}
	known := map[signalAt]bool{}
	for _, g := range standing {
		known[signalAt{g.Place, g.Stream, g.Rule}] = true
	}
	var fresh []store.SignalRow
	for _, r := range later {
		for _, g := range said[r.Place] {
			if !known[signalAt{g.Place, g.Stream, g.Rule}] {
				fresh = append(fresh, g)
			}
		}
	}
	return fresh, s.AddSignals(ctx, fresh)
}

// tellAnew writes into the open findings of the line that their level is the learnt one now.
func (l *Line) tellAnew(ctx context.Context, s store.Site, by By, b *board, place int64) error {
	k := b.learner
	if n := len(k.anew); n == 0 || k.rows[k.anew[n-1]].Place != place {
		return nil
	}
	rows, err := s.Findings(ctx, b.setup.Code, Open, mostWaiting)
	if err != nil {
		return err
	}
	text := fmt.Sprintf("%d units in a row were not learnt, since charts were out at them or had not come back yet: the charts, whose limits are still being learnt, take their level for the usual one from now on. If it is not, act on this finding; if it is, freeze limits from these units",
		learnAnew)
	for _, row := range rows {
		if row.Kind != TheLine {
			continue
		}
		if err := l.tellFinding(ctx, s, by, b, row, "learnt", text); err != nil {
			return err
		}
	}
	return nil
}
