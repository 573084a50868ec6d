package line

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"alike/internal/store"
)

// tell writes into the findings concerned that units went on hold, which withdraws their
// signals, or were judged again, which brings them back, and analyses them anew: a list of
// findings and a look at one then say the same.
func (k *settling) tell(ctx context.Context, s store.Site) error {
	if k.again != nil && *k.again < math.MaxInt64 {
		signals, err := k.line.learnAgain(ctx, s, k.by, k.setup, *k.again, k.why)
		if err != nil {
			return err
		}
		k.signals, k.again = append(k.signals, signals...), nil
	}
	board, err := k.line.charts(ctx, s, k.setup)
	if err != nil || board == nil {
		return err
	}
	for _, t := range []struct {
		places []int64
		kind   string
		text   string
	}{
		{k.withdrawn, "withdrawn", "%s on hold (%s): their signals are withdrawn, %s of this finding stand"},
		{k.standing, "standing", "%s judged again (%s): their signals count again, %s of this finding stand"},
	} {
		if len(t.places) == 0 {
			continue
		}
		rows, err := s.FindingsAt(ctx, k.setup.Code, t.places)
		if err != nil {
			return err
		}
		for _, row := range rows {
			_, _, signals, err := s.FindingSpan(ctx, row.Finding)
			if err != nil {
				return err
			}
			text := fmt.Sprintf(t.text, number(len(t.places), "unit"), k.why, number(signals, "signal"))
			if err := k.line.tellFinding(ctx, s, k.by, board, row, t.kind, text); err != nil {
				return err
			}
		}
	}
	k.withdrawn, k.standing = nil, nil
	return nil
}

// tellFinding adds an event to a finding and analyses it anew.
func (l *Line) tellFinding(ctx context.Context, s store.Site, by By, b *board, row store.FindingRow, kind, text string) error {
	last, err := s.LastReadings(ctx, row.Product, 1, math.MaxInt64, 1)
	if err != nil {
		return err
	}
	place := row.LastPlace
	if len(last) > 0 {
		place = last[0].Place
	}
	if err := s.AddFindingEvent(ctx, store.FindingEvent{
		Finding: row.Finding, At: l.now(), Actor: by.Actor, Origin: by.Origin, Kind: kind, Place: place, Text: text,
	}); err != nil {
		return err
	}
	a, err := analyse(ctx, s, b, row, place)
	if err != nil {
		return err
	}
	if row.Analysis, err = json.Marshal(a); err != nil {
		return err
	}
	row.AnalysedTo = place
	return s.SetFinding(ctx, row)
}
