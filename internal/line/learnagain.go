package line

import (
	"context"
	"fmt"
	"math"
	"slices"

	"alike/internal/store"
)

// learnAgain has charts that still learn read all units from a place on, since one of them
// counts no more, or again, or by another attempt: what was learnt, and so every score
// since, is then another. Signals that they no longer give are withdrawn, new ones are
// sorted into findings in the order of production, so that what stands is what would stand
// had the units come like this at first. It returns the new signals.
//
// Units after learning is over do not change what was learnt; they are read by themselves.
func (l *Line) learnAgain(ctx context.Context, s store.Site, by By, setup *Setup, place int64, why string) ([]store.SignalRow, error) {
	b, err := l.charts(ctx, s, setup)
	if err != nil || !b.learning() {
		return nil, err
	}
	standing, err := s.SignalsFrom(ctx, setup.Code, 0, place)
	if err != nil {
		return nil, err
	}
	last := place
	if n := len(b.learner.rows); n > 0 {
		last = max(last, b.learner.rows[n-1].Place)
	}
	if b, err = l.reach(ctx, s, b, place); err != nil {
		return nil, err
	}
	rows, err := s.LastReadings(ctx, setup.Code, place, last+1, math.MaxInt32)
	if err != nil {
		return nil, err
	}
	var fresh []store.SignalRow
	has := map[store.SignalRow]bool{}
	for _, g := range standing {
		has[g] = true
	}
	given := map[store.SignalRow]bool{}
	for _, r := range rows {
		for _, g := range b.learnSignals(r) {
			if given[g] = true; !has[g] {
				fresh = append(fresh, g)
			}
		}
	}
	gone := slices.DeleteFunc(standing, func(g store.SignalRow) bool { return given[g] || g.Place > last })
	if err := s.WithdrawSignals(ctx, gone); err != nil {
		return nil, err
	}
	if err := s.AddSignals(ctx, fresh); err != nil {
		return nil, err
	}
	linked, err := s.LinksFrom(ctx, setup.Code, 0, place)
	if err != nil {
		return nil, err
	}
	at := map[int64][]store.SignalRow{}
	for _, g := range fresh {
		if !slices.Contains(linked, store.SignalLink{Place: g.Place, Stream: g.Stream, Rule: g.Rule}) {
			at[g.Place] = append(at[g.Place], g)
		}
	}
	for _, r := range rows {
		if len(at[r.Place]) == 0 {
			continue
		}
		if err := l.find(ctx, s, by, b, r, at[r.Place]); err != nil {
			return nil, err
		}
	}
	return fresh, l.tellGone(ctx, s, by, b, gone, fresh, why)
}

// reach gives a learning board the units around a place after learning is over.
func (l *Line) reach(ctx context.Context, s store.Site, b *board, place int64) (*board, error) {
	if _, ok := b.saidOf(place); ok || !b.learner.full() {
		return b, nil
	}
	rows, err := s.LastLearnRows(ctx, b.setup.Code, place+1, learnWindow+lateBehind)
	if err == nil {
		b.readLast(rows)
	}
	return b, err
}

// tellGone writes into findings that signals of theirs are withdrawn for good.
func (l *Line) tellGone(ctx context.Context, s store.Site, by By, b *board, gone, fresh []store.SignalRow, why string) error {
	still := map[signalAt]bool{}
	for _, g := range fresh {
		still[signalAt{g.Place, g.Stream, g.Rule}] = true
	}
	var places []int64
	n := 0
	for _, g := range gone {
		if !still[signalAt{g.Place, g.Stream, g.Rule}] {
			places, n = append(places, g.Place), n+1
		}
	}
	if n == 0 {
		return nil
	}
	rows, err := s.FindingsAt(ctx, b.setup.Code, slices.Compact(places))
	if err != nil {
		return err
	}
	for _, row := range rows {
		_, _, signals, err := s.FindingSpan(ctx, row.Finding)
		if err != nil {
			return err
		}
		text := fmt.Sprintf("limits were learnt anew (%s): %s of this finding stand", why, number(signals, "signal"))
		if err := l.tellFinding(ctx, s, by, b, row, "withdrawn", text); err != nil {
			return err
		}
	}
	return nil
}
