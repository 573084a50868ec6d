package line

import (
	"context"
	"errors"
	"fmt"

	"alike/internal/curve"
	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/envelope"
)

// A Trial is a judgement that nothing was stored of.
type Trial struct {
	Setup    *Setup
	Channels []envelope.Channel
	Limits   envelope.Limits
	Envelope store.EnvelopeRow
	LimitSet int
	Verdict  Verdict
}

// Try judges curves as one attempt of a unit would be, under the envelope and the
// limit set in force, and stores nothing. A channel that is not there is not checked;
// what its seatings would average is the curves given for it.
func (l *Line) Try(ctx context.Context, product string, takes []curve.Take) (Trial, error) {
	var t Trial
	if len(takes) == 0 {
		return t, refuse(Invalid, "curve", "choose a curve file", "there is no curve to try")
	}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		var err error
		if t.Setup, err = l.setup(ctx, s, product); err != nil {
			return err
		}
		if t.Envelope, t.Limits, err = l.limits(ctx, s, t.Setup); err != nil {
			return err
		}
		b, err := l.board(ctx, s, t.Setup)
		if err != nil {
			return err
		}
		first := takes[0]
		at := first.MeasuredAt
		if at.IsZero() {
			at = l.now()
		}
		transfer, err := transferAt(ctx, s, t.Setup, first.Station, at)
		if err != nil {
			return err
		}
		return t.judge(b, takes, transfer)
	})
	return t, err
}

func (t *Trial) judge(b *board, takes []curve.Take, transfer *store.TransferRow) error {
	var rows []store.TakeRow
	for _, k := range takes {
		row := store.TakeRow{Channel: k.Channel, Seating: k.Seating}
		for _, lv := range band.Levels(k.Curve, t.Setup.Band) {
			row.Bands = append(row.Bands, float32(lv.DB))
		}
		rows = append(rows, row)
	}
	rows = corrected(t.Setup, rows, transfer)
	var as *ReadAs
	var err error
	if t.Limits, as, err = judgedBy(t.Limits, transfer); err != nil {
		return err
	}
	for _, name := range t.Setup.Channels {
		seats := seatingsOf(rows, name)
		if len(seats) == 0 {
			continue
		}
		c, err := t.Setup.read(name, seats)
		if errors.Is(err, band.ErrNoAnchor) {
			return refuse(Invalid, "frequency", "measure from below the anchor range to above it", "the curve covers no band of the anchor range %v to %v Hz", t.Setup.Anchor.From, t.Setup.Anchor.To)
		} else if err != nil {
			return err
		}
		t.Channels = append(t.Channels, c)
	}
	if len(t.Channels) == 0 {
		return refuse(Invalid, "channel", "say which channel the curve is of", "no curve is of a channel of product %s", t.Setup.Code)
	}
	// A pair is judged as such; the swap test and the balance need both.
	whole := len(t.Channels) == len(t.Setup.Channels)
	with := b
	if !whole {
		with = nil
	}
	t.Verdict = t.Setup.verdict(t.Channels, rows, t.Limits, with, t.Setup.polarityOf(takes), "")
	if !whole && b != nil {
		t.explainOne(b, rows)
	}
	t.Verdict.Envelope, t.LimitSet, t.Verdict.ReadAs = t.Envelope.Version, b.version(), as
	if !whole {
		for _, name := range t.Setup.Channels {
			if len(seatingsOf(rows, name)) == 0 {
				t.Verdict.NotChecked = append(t.Verdict.NotChecked, fmt.Sprintf("the %s channel, and with it the balance: no curve of it was given", name))
			}
		}
	}
	return nil
}

// explainOne puts the likeness to known faults beside the verdict of a single channel.
func (t *Trial) explainOne(b *board, rows []store.TakeRow) {
	j := envelope.Judge(t.Setup.Band, t.Channels, t.Limits)
	if len(j.Results) == 0 || len(envelope.Plausible(t.Channels, t.Setup.nominal())) > 0 || t.Setup.disagreement(rows, t.Limits) != "" {
		return
	}
	t.Verdict.Sentence = j.Results[0].Text(t.Setup.Band) + t.Setup.explain(t.Channels, j.Results[0], b)
}

// polarityOf compares the phases of left and right, as judging stored takes does.
func (s *Setup) polarityOf(takes []curve.Take) string {
	if !s.pair() {
		return ""
	}
	var two [2]band.Curve
	for _, t := range takes {
		for i, name := range s.Channels {
			if t.Channel == name && len(two[i].Hz) == 0 {
				two[i] = t.Curve
			}
		}
	}
	return s.polarity(two[0], two[1])
}
