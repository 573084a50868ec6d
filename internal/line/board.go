package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/envelope"
	"alike/spc/multi"
)

// A board is all charts of a product under one frozen limit set, or those whose limits
// are still being learnt. A nil board is one that has no charts.
type board struct {
	setup    *Setup
	set      store.LimitSetRow
	rules    []chart.Rule
	together *together // nil in limit sets from before it was charted

	learner *learner            // nil under a frozen limit set
	said    map[int64]learnStep // of the last units, once learning is over
	runs    map[signalAt]int64  // place of the first unit of each signal while learning
}

// board returns the product's charts under the newest limit set, nil without one.
func (l *Line) board(ctx context.Context, s store.Site, setup *Setup) (*board, error) {
	row, err := s.LimitSet(ctx, setup.Code, 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	b, err := newBoard(setup, row)
	if err != nil {
		return nil, err
	}
	return b, b.join(ctx, s)
}

func newBoard(setup *Setup, row store.LimitSetRow) (*board, error) {
	b := &board{setup: setup, set: row}
	if err := json.Unmarshal(row.Rules, &b.rules); err != nil {
		return nil, fmt.Errorf("stored limit set %d of %s: %w", row.Version, row.Product, err)
	}
	if len(row.Center) != len(setup.StreamList) || len(row.Sigma) != len(setup.StreamList) {
		return nil, fmt.Errorf("stored limit set %d of %s is for %d streams, the product has %d", row.Version, row.Product, len(row.Center), len(setup.StreamList))
	}
	return b, nil
}

func (b *board) version() int {
	if b == nil {
		return 0
	}
	return b.set.Version
}

// z standardises a value of one stream; NaN when it is missing or not charted.
func (b *board) z(stream int, value float64) float64 {
	return (value - b.set.Center[stream]) / b.set.Sigma[stream]
}

// window returns how many points the longest rule looks at.
func (b *board) window() int {
	w := 1
	if b.learning() {
		w = learnWindow
	}
	for _, r := range b.rules {
		w = max(w, r.Of)
	}
	if b.together != nil {
		w = max(w, multi.TogetherMemory(b.together.Lambda))
	}
	return w
}

// read has every chart read one unit after its forerunners since the limit set came
// into force, and stores and returns the signals.
func (b *board) read(ctx context.Context, s store.Site, r store.ReadingRow) ([]store.SignalRow, error) {
	if b.learning() {
		signals := b.learnSignals(r)
		return signals, s.AddSignals(ctx, signals)
	}
	carried, err := b.handedOver(ctx, s, r.Place)
	if err != nil {
		return nil, err
	}
	if r.Place < b.set.FromPlace {
		return carried[r.Place], s.AddSignals(ctx, carried[r.Place])
	}
	before, err := s.LastReadings(ctx, b.setup.Code, b.set.FromPlace, r.Place, b.window()-1)
	if err != nil {
		return nil, err
	}
	signals := b.signals(append(before, r), len(before))
	if err := s.AddSignals(ctx, signals); err != nil {
		return nil, err
	}
	return append(signals, carried[r.Place]...), s.AddSignals(ctx, carried[r.Place])
}

// signals has every chart read the readings in order and returns what fires at
// those from an index on.
func (b *board) signals(readings []store.ReadingRow, from int) []store.SignalRow {
	var out []store.SignalRow
	for stream, st := range b.setup.StreamList {
		if math.IsNaN(b.set.Sigma[stream]) {
			continue
		}
		d := chart.NewReader(b.rules)
		for i, r := range readings {
			fired := d.Push(b.z(stream, float64(r.Streams[stream])))
			if i < from {
				continue
			}
			for _, key := range chart.KeysOf(fired, b.rules) {
				out = append(out, b.signal(r, stream, st.Key, string(key)))
			}
		}
	}
	return append(out, b.signalsTogether(readings, from)...)
}

// signal is a rule that fired on a stream at a unit.
func (b *board) signal(r store.ReadingRow, stream int, key, rule string) store.SignalRow {
	value := float64(r.Streams[stream])
	return store.SignalRow{
		Product: b.setup.Code, LimitSet: b.set.Version, Place: r.Place, Stream: key, Rule: rule,
		Serial: r.Serial, Value: float32(value), Z: float32(b.z(stream, value)),
	}
}

// change returns how one channel differs from the usual unit of the baseline, in dB
// per band with the anchor taken back out, and the sigma of its deviation.
func (b *board) change(c envelope.Channel) (change, sd []float64) {
	sens := b.setup.position(envelope.Sensitivity, c.Name, -1)
	shift := c.Sensitivity - b.set.Center[sens]
	first := b.setup.position(envelope.Deviation, c.Name, 0)
	change, sd = make([]float64, len(c.Deviation)), make([]float64, len(c.Deviation))
	for i, d := range c.Deviation {
		change[i], sd[i] = d-b.set.Center[first+i]+shift, b.set.Sigma[first+i]
	}
	return change, sd
}

// Thresholds of the swap test: mean squares of z over all bands of both channels. A
// good unit lies near 1 either way when left and right are alike; a swapped one of
// an unlike pair lies far off as it stands and near 1 turned round.
const (
	swapFar  = 4.0
	swapNear = 0.4 // of what it is as it stands
)

// swapped reports whether the unit's left looks like the usual right and its right
// like the usual left, while neither looks like itself. Where the design has no
// difference between left and right curves cannot tell, and it reports false.
func (b *board) swapped(channels []envelope.Channel) bool {
	if b == nil || !b.setup.pair() {
		return false
	}
	asIs := b.meanSquare(channels[0], channels[0].Name) + b.meanSquare(channels[1], channels[1].Name)
	turned := b.meanSquare(channels[0], channels[1].Name) + b.meanSquare(channels[1], channels[0].Name)
	return asIs > 2*swapFar && turned < swapNear*asIs
}

// meanSquare returns the mean of z² over the bands of a channel held against the
// baseline of the channel named.
func (b *board) meanSquare(c envelope.Channel, as string) float64 {
	first := b.setup.position(envelope.Deviation, as, 0)
	sum, n := 0.0, 0.0
	for i, d := range c.Deviation {
		if z := b.z(first+i, d); !math.IsNaN(z) {
			sum, n = sum+z*z, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / n
}
