package line

import (
	"context"
	"errors"
	"math"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/chart"
)

// A StreamPoint is one unit on the chart of a stream.
type StreamPoint struct {
	Place  int64
	Serial string
	Value  float64 // NaN when it was not measured
	InLot  bool
}

// chart draws one stream's points with the limits in force and the signals that
// fired on it.
func (b *board) chart(stream int, points []StreamPoint, signals []store.SignalRow) reports.Chart {
	st := b.setup.StreamList[stream]
	center, sigma, width := b.set.Center[stream], b.set.Sigma[stream], b.drawnWidth(stream)
	c := reports.Chart{
		Stream: st.Title, Unit: st.Unit, Center: center, Lower: center - width*sigma, Upper: center + width*sigma,
		// The difference of two values has √2 the spread of one: its limit has the
		// same chance to be crossed as the value's own.
		RangeMean: 2 / math.SqrtPi * sigma, RangeHigh: math.Sqrt2 * width * sigma,
	}
	at := map[int64]int{}
	before := math.NaN()
	for i, p := range points {
		at[p.Place] = i
		c.Serials, c.Values, c.InLot = append(c.Serials, p.Serial), append(c.Values, p.Value), append(c.InLot, p.InLot)
		c.Moving = append(c.Moving, math.Abs(p.Value-before))
		before = p.Value
	}
	for _, sig := range signals {
		if i, ok := at[sig.Place]; ok {
			text := b.ruleText(chart.Key(sig.Rule))
			if sig.LimitSet == 0 {
				text = learnText(chart.Key(sig.Rule))
			}
			c.Marks = append(c.Marks, reports.Mark{Index: i, Rule: sig.Rule, Text: text})
		}
	}
	return c
}

// width returns the distance of the drawn limits from the centre in sigmas.
func (b *board) width() float64 {
	for _, r := range b.rules {
		if r.Key == chart.Beyond {
			return r.Width
		}
	}
	return math.NaN()
}

// drawnWidth is the width to draw: none while a few units would put the limits off the
// paper.
func (b *board) drawnWidth(stream int) float64 {
	if !b.learning() {
		return b.width()
	}
	return b.learner.drawn(stream, len(b.learner.learnt))
}

func (b *board) ruleText(key chart.Key) string {
	if b.learning() {
		return learnText(key)
	}
	return ruleText(b.rules, key)
}

// A StreamChart is the control chart of one stream as the API gives it.
type StreamChart struct {
	reports.Chart
	Key      string
	Product  string
	LimitSet int // 0: limits are still being learnt, or there are no charts; Center, Lower and Upper may be NaN
	Places   []int64
	Lots     []string
}

// Chart returns the chart of one stream of a product over its last units.
func (l *Line) Chart(ctx context.Context, product, key string, limit int) (StreamChart, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return StreamChart{}, err
	}
	stream := -1
	for i, st := range setup.StreamList {
		if st.Key == key {
			stream = i
		}
	}
	if stream < 0 {
		return StreamChart{}, refuse(Missing, "stream", "use a key such as "+setup.StreamList[0].Key, "product %s has no stream %q", setup.Code, key)
	}
	out := StreamChart{Key: key, Product: setup.Code}
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		rows, err := s.Stream(ctx, setup.Code, stream, math.MaxInt64, limit)
		if err != nil {
			return err
		}
		var points []StreamPoint
		for _, r := range rows {
			points = append(points, StreamPoint{Place: r.Place, Serial: r.Serial, Value: float64(r.Value), InLot: true})
			out.Places, out.Lots = append(out.Places, r.Place), append(out.Lots, r.Lot)
		}
		b, err := l.charts(ctx, s, setup)
		if err != nil {
			return err
		}
		if b == nil {
			b = unlimited(setup)
		}
		var signals []store.SignalRow
		if len(points) > 0 {
			if signals, err = s.SignalsOfStream(ctx, setup.Code, key, points[0].Place, points[len(points)-1].Place); err != nil {
				return err
			}
		}
		out.LimitSet = b.set.Version
		out.Chart = b.chart(stream, points, ofVersion(signals, out.LimitSet))
		return nil
	})
	return out, err
}

// unlimited is a board that draws values without limits.
func unlimited(setup *Setup) *board {
	b := &board{setup: setup}
	for range setup.StreamList {
		b.set.Center, b.set.Sigma = append(b.set.Center, math.NaN()), append(b.set.Sigma, math.NaN())
	}
	return b
}

func ofVersion(signals []store.SignalRow, version int) []store.SignalRow {
	var out []store.SignalRow
	for _, s := range signals {
		if s.LimitSet == version {
			out = append(out, s)
		}
	}
	return out
}

// A UnitView is one unit as the API gives it.
type UnitView struct {
	store.UnitRow
	Attempts  []AttemptView
	Overrides []store.OverrideRow
	Signals   []store.SignalRow
	Parts     []store.PartUse
	Changes   []store.VerdictChange // to hold and from it, oldest first
}

// An AttemptView is one attempt with its verdict, nil while takes are missing, and
// its takes.
type AttemptView struct {
	store.AttemptRow
	Verdict *Verdict
	Takes   []store.TakeRow
}

// Unit returns one unit with all that is known of it.
func (l *Line) Unit(ctx context.Context, serial string) (UnitView, error) {
	var out UnitView
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		out, err = l.unit(ctx, s, serial)
		return err
	})
	return out, err
}

func (l *Line) unit(ctx context.Context, s store.Site, serial string) (UnitView, error) {
	row, err := s.Unit(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		return UnitView{}, refuse(Missing, "serial", "check the serial", "there is no unit %q", serial)
	} else if err != nil {
		return UnitView{}, err
	}
	out := UnitView{UnitRow: row}
	attempts, err := s.Attempts(ctx, serial)
	if err != nil {
		return out, err
	}
	for _, a := range attempts {
		view := AttemptView{AttemptRow: a}
		if view.Verdict, err = storedVerdict(a); err != nil {
			return out, err
		}
		if view.Takes, err = s.Takes(ctx, a.Attempt); err != nil {
			return out, err
		}
		out.Attempts = append(out.Attempts, view)
	}
	if out.Changes, err = s.VerdictChanges(ctx, serial); err != nil {
		return out, err
	}
	if out.Overrides, err = s.Overrides(ctx, serial); err != nil {
		return out, err
	}
	if out.Signals, err = s.SignalsOfUnit(ctx, serial); err != nil {
		return out, err
	}
	out.Parts, err = s.PartsOfUnit(ctx, row.Product, serial)
	return out, err
}
