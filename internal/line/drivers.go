package line

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/envelope"
)

// A Driver is a single driver as its takes and numbers tell.
type Driver struct {
	Serial, Batch, Supplier string
	Verdict                 envelope.Word // empty while it was not judged
	Sentence                string
	// Levels in dB per band, not anchored, the mean over its seatings; nil while it
	// was not measured. Sensitivity is their mean over the anchor range.
	Levels      []float64
	Deviation   []float64 // anchored, against the product's target
	Sensitivity float64
	// Polarity is +1 as most drivers asked for have it, -1 reversed against them, 0
	// when the takes hold no phase that could tell.
	Polarity int
	Values   map[string]float64 // by the product's keys
	// Good: it keeps every limit there is. Bad: it breaks one. Neither: something that
	// has a limit was not measured.
	Good, Bad  bool
	Faults     []string
	NotChecked []string
	Unit       string // the unit it was built into, empty for none
	Channel    string // and its side there
	Pairing    int    // the pairing in force that speaks for it, 0 for none

	hz, phase []float64
}

// Drivers lists the drivers of some batches, or all for none, batch by batch in
// order of arrival.
func (l *Line) Drivers(ctx context.Context, product string, batches []string) ([]Driver, *Setup, error) {
	var out []Driver
	var setup *Setup
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		if setup, err = l.driverSetup(ctx, s, product); err != nil {
			return err
		}
		out, err = l.drivers(ctx, s, setup, batches)
		return err
	})
	return out, setup, err
}

func (l *Line) drivers(ctx context.Context, s store.Site, setup *Setup, batches []string) ([]Driver, error) {
	rows, err := s.Measured(ctx, setup.Code, batches)
	if err != nil {
		return nil, err
	}
	if err := allThere(setup, rows, batches); err != nil {
		return nil, err
	}
	var out []Driver
	for len(rows) > 0 {
		n := 1
		for n < len(rows) && rows[n].Serial == rows[0].Serial {
			n++
		}
		d, err := setup.driver(rows[:n])
		if err != nil {
			return nil, err
		}
		out, rows = append(out, d), rows[n:]
	}
	if err := l.complete(ctx, s, setup, out); err != nil {
		return nil, err
	}
	setup.polarities(out)
	for i := range out {
		out[i].judge(setup)
	}
	return out, nil
}

// allThere refuses a batch of which no driver is known.
func allThere(setup *Setup, rows []store.MeasuredRow, batches []string) error {
	for _, b := range batches {
		if !slices.ContainsFunc(rows, func(r store.MeasuredRow) bool { return r.Lot == b }) {
			return refuse(Missing, "batch", "see them with: alike drivers list", "no driver of batch %q was taken in for product %s", b, setup.Code)
		}
	}
	return nil
}

// driver reduces the takes of one driver.
func (s *Setup) driver(rows []store.MeasuredRow) (Driver, error) {
	d := Driver{Serial: rows[0].Serial, Batch: rows[0].Lot, Sensitivity: math.NaN(), Values: map[string]float64{}}
	if rows[0].Verdict == nil {
		return d, nil
	}
	d.Verdict = envelope.Word(*rows[0].Verdict)
	var v Verdict
	if err := json.Unmarshal(rows[0].Judgement, &v); err != nil {
		return d, fmt.Errorf("stored verdict of %s: %w", d.Serial, err)
	}
	d.Sentence = v.Sentence
	var seatings [][]float64
	for _, r := range rows {
		seatings = append(seatings, wide(r.Bands))
	}
	d.Levels = band.Average(seatings)
	reading, err := band.Read(s.Band, d.Levels, s.Target, s.InAnchor)
	if err != nil {
		return d, fmt.Errorf("stored takes of %s: %w", d.Serial, err)
	}
	d.Deviation, d.Sensitivity = reading.Deviation, reading.Sensitivity
	if rows[0].Phases != nil {
		c, err := unpack(store.CurveRow{Frequencies: rows[0].Frequencies, Levels: rows[0].Phases, Phases: rows[0].Phases})
		if err != nil {
			return d, err
		}
		d.hz, d.phase = c.Hz, c.Phase
	}
	return d, nil
}

// complete adds what is known of the drivers beside their takes.
func (l *Line) complete(ctx context.Context, s store.Site, setup *Setup, drivers []Driver) error {
	at := map[string]*Driver{}
	var serials []string
	for i := range drivers {
		at[drivers[i].Serial] = &drivers[i]
		serials = append(serials, drivers[i].Serial)
	}
	values, err := s.Values(ctx, serials)
	if err != nil {
		return err
	}
	for _, v := range values {
		at[v.Serial].Values[v.Name] = v.Value
	}
	uses, err := s.Pieces(ctx, KindDriver, serials)
	if err != nil {
		return err
	}
	for _, u := range uses {
		at[u.Piece].Unit, at[u.Piece].Channel = u.FirstSerial, u.Channel
	}
	promised, err := s.Promised(ctx, setup.Code)
	if err != nil {
		return err
	}
	for _, p := range promised {
		if d := at[p.Piece]; d != nil {
			d.Pairing = p.Pairing
		}
	}
	batches, err := s.Batches(ctx, KindDriver)
	if err != nil {
		return err
	}
	supplier := map[string]string{}
	for _, b := range batches {
		supplier[b.Batch] = b.Supplier
	}
	for i := range drivers {
		drivers[i].Supplier = supplier[drivers[i].Batch]
	}
	return nil
}

// polarities compares every driver's phase with that of the first that has one, and
// calls what most have +1.
func (s *Setup) polarities(drivers []Driver) {
	first := slices.IndexFunc(drivers, func(d Driver) bool { return d.phase != nil })
	if first < 0 {
		return
	}
	ref, sum := drivers[first], 0
	for i := range drivers {
		d := &drivers[i]
		if !slices.Equal(d.hz, ref.hz) {
			continue
		}
		if opposed, ok := envelope.Opposed(ref.hz, ref.phase, d.phase, s.Anchor.From/2, s.Anchor.To); ok {
			d.Polarity = 1
			if opposed {
				d.Polarity = -1
			}
		}
		sum += d.Polarity
	}
	if sum < 0 {
		for i := range drivers {
			drivers[i].Polarity *= -1
		}
	}
}

// judge says whether the driver keeps its limits. What was not measured is never
// counted as kept.
func (d *Driver) judge(s *Setup) {
	switch d.Verdict {
	case envelope.Pass:
	case envelope.Fail, envelope.Doubtful:
		d.Faults = append(d.Faults, d.Sentence)
	default:
		d.NotChecked = append(d.NotChecked, "the curve: it has no verdict yet")
	}
	if d.Polarity < 0 {
		d.Faults = append(d.Faults, "its polarity is opposite to that of most drivers: check its terminals' marking")
	}
	for _, m := range s.Metrics {
		v, ok := d.Values[m.Key]
		switch {
		case m.Lower == nil && m.Upper == nil:
		case !ok:
			d.NotChecked = append(d.NotChecked, m.Name)
		case !m.within(v):
			d.Faults = append(d.Faults, fmt.Sprintf("%s of %.4g %s is outside %s", m.Name, v, m.Unit, m.limits()))
		}
	}
	d.Bad = len(d.Faults) > 0
	d.Good = !d.Bad && len(d.NotChecked) == 0
}

// limits writes the limits of one piece.
func (m Metric) limits() string {
	switch {
	case m.Lower == nil:
		return fmt.Sprintf("up to %.4g %s", *m.Upper, m.Unit)
	case m.Upper == nil:
		return fmt.Sprintf("from %.4g %s", *m.Lower, m.Unit)
	}
	return fmt.Sprintf("%.4g to %.4g %s", *m.Lower, *m.Upper, m.Unit)
}

// A DriverBatch is a batch of drivers with its counts.
type DriverBatch struct {
	Batch, Supplier string
	Received        *time.Time
	Pieces          int // 0 when not counted
	Certificate     []BatchValue
	Drivers         int // taken in
	Measured        int // with a verdict on the curve
	Good, Bad       int
	Built, Paired   int
}

// DriverBatches sums up batches of drivers, or all for none; a batch that is in the
// ledger and of which none was taken in is there too.
func (l *Line) DriverBatches(ctx context.Context, product string) ([]DriverBatch, error) {
	var out []DriverBatch
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		setup, err := l.driverSetup(ctx, s, product)
		if err != nil {
			return err
		}
		drivers, err := l.drivers(ctx, s, setup, []string{})
		if err != nil {
			return err
		}
		out, err = batchesOf(ctx, s, drivers)
		return err
	})
	return out, err
}

func batchesOf(ctx context.Context, s store.Site, drivers []Driver) ([]DriverBatch, error) {
	rows, err := s.Batches(ctx, KindDriver)
	if err != nil {
		return nil, err
	}
	values, err := s.BatchValues(ctx, KindDriver)
	if err != nil {
		return nil, err
	}
	var out []DriverBatch
	at := map[string]int{}
	for _, r := range rows {
		b := DriverBatch{Batch: r.Batch, Supplier: r.Supplier, Received: r.ReceivedOn}
		if r.Pieces != nil {
			b.Pieces = *r.Pieces
		}
		for _, v := range values {
			if v.Batch == r.Batch && v.Version == r.Version {
				b.Certificate = append(b.Certificate, BatchValue{v.Name, v.Value, v.Unit})
			}
		}
		at[r.Batch] = len(out)
		out = append(out, b)
	}
	for _, d := range drivers {
		i, ok := at[d.Batch]
		if !ok {
			i = len(out)
			at[d.Batch] = i
			out = append(out, DriverBatch{Batch: d.Batch})
		}
		out[i].count(d)
	}
	return out, nil
}

func (b *DriverBatch) count(d Driver) {
	b.Drivers++
	for _, c := range []struct {
		n  *int
		is bool
	}{{&b.Measured, d.Verdict != ""}, {&b.Good, d.Good}, {&b.Bad, d.Bad}, {&b.Built, d.Unit != ""}, {&b.Paired, d.Pairing > 0}} {
		if c.is {
			*c.n++
		}
	}
}

// pick returns the drivers of some batches and suppliers.
func pick(drivers []Driver, keep func(Driver) bool) []Driver {
	var out []Driver
	for _, d := range drivers {
		if keep(d) {
			out = append(out, d)
		}
	}
	return out
}

// covered returns the bands that every driver has, and the names of the others.
func (s *Setup) covered(drivers []Driver) (bands []int, missing string) {
	var names []string
	for i, b := range s.Band {
		if slices.ContainsFunc(drivers, func(d Driver) bool { return math.IsNaN(d.Levels[i]) }) {
			names = append(names, b.Name())
			continue
		}
		bands = append(bands, i)
	}
	return bands, strings.Join(names, ", ")
}
