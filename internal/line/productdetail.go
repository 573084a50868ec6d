package line

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/band"
	"alike/spc/chart"
	"alike/spc/envelope"
)

// A ProductDetail is a product with all its versions of limits, newest first.
type ProductDetail struct {
	Setup     *Setup
	Zone      *time.Location
	Created   time.Time
	Envelopes []EnvelopeVersion
	LimitSets []LimitSetVersion
	Learning  *Learning // nil with a limit set, and for drivers
}

// An EnvelopeVersion is one version of the tolerance limits, in bands too.
type EnvelopeVersion struct {
	store.EnvelopeRow
	Envelope envelope.Envelope
	Limits   reports.Limits
	All      envelope.Limits
}

// A LimitSetVersion is one version of the chart limits with what its row holds packed.
type LimitSetVersion struct {
	store.LimitSetRow
	Out    []LeftOut
	Found  Budget
	Rules  []chart.Rule
	Charts int // streams that are charted
}

// ProductDetail returns a product with its versions.
func (l *Line) ProductDetail(ctx context.Context, code string) (ProductDetail, error) {
	var d ProductDetail
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		var err error
		if d.Setup, err = l.setup(ctx, s, code); err != nil {
			return err
		}
		if d.Zone, err = zoneOf(ctx, s); err != nil {
			return err
		}
		row, err := s.Product(ctx, code)
		if err != nil {
			return err
		}
		d.Created = row.CreatedAt.In(d.Zone)
		if err := d.envelopes(ctx, s); err != nil {
			return err
		}
		if err := d.limitSets(ctx, s); err != nil || len(d.LimitSets) > 0 {
			return err
		}
		b, err := l.charts(ctx, s, d.Setup)
		if err == nil && b.learning() {
			state := b.learningState()
			d.Learning = &state
		}
		return err
	})
	return d, err
}

func (d *ProductDetail) envelopes(ctx context.Context, s store.Site) error {
	rows, err := s.Envelopes(ctx, d.Setup.Code)
	if err != nil {
		return err
	}
	for i := len(rows) - 1; i >= 0; i-- {
		v := EnvelopeVersion{EnvelopeRow: rows[i]}
		v.CreatedAt = v.CreatedAt.In(d.Zone)
		if v.Envelope, err = ParseEnvelope(v.Definition); err != nil {
			return err
		}
		if v.All, err = v.Envelope.On(d.Setup.Band); err != nil {
			return err
		}
		v.Limits = reportLimits(v.All)
		d.Envelopes = append(d.Envelopes, v)
	}
	return nil
}

func (d *ProductDetail) limitSets(ctx context.Context, s store.Site) error {
	rows, err := s.LimitSets(ctx, d.Setup.Code)
	if err != nil {
		return err
	}
	for i := len(rows) - 1; i >= 0; i-- {
		v := LimitSetVersion{LimitSetRow: rows[i]}
		v.CreatedAt = v.CreatedAt.In(d.Zone)
		if err := errors.Join(json.Unmarshal(v.LeftOut, &v.Out), json.Unmarshal(v.Budget, &v.Found), json.Unmarshal(v.LimitSetRow.Rules, &v.Rules)); err != nil {
			return err
		}
		for _, sigma := range v.Sigma {
			if sigma > 0 {
				v.Charts++
			}
		}
		d.LimitSets = append(d.LimitSets, v)
	}
	return nil
}

// A Rehearsal says how the last units would lie to limits that are not in force.
type Rehearsal struct {
	Limits  envelope.Limits
	Units   int
	Words   map[envelope.Word]int  // by these limits
	Today   map[envelope.Word]int  // by the limits in force; empty without any
	Changed []string               // serials whose word would be another, newest first
	Curves  map[string][][]float64 // per channel, deviations of the last units
	Balance [][]float64            // left minus right of the last units in dB, not anchored; empty for one channel
}

// rehearsed is how many units a Rehearsal judges, drawn how many of them it draws.
const (
	rehearsed = 200
	drawn     = 60
)

// Rehearse holds the last units' first attempts against an envelope that is not in
// force. Nothing is stored, and no verdict changes.
func (l *Line) Rehearse(ctx context.Context, product string, e envelope.Envelope) (Rehearsal, error) {
	r := Rehearsal{Words: map[envelope.Word]int{}, Today: map[envelope.Word]int{}, Curves: map[string][][]float64{}}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		setup, err := l.setup(ctx, s, product)
		if err != nil {
			return err
		}
		if r.Limits, err = e.On(setup.Band); err != nil {
			return refuse(Invalid, "envelope", "correct the numbers", "%v", err)
		}
		_, force, err := l.limits(ctx, s, setup)
		var none *Refusal
		judged := err == nil
		if err != nil && !errors.As(err, &none) {
			return err
		}
		rows, err := s.LastReadings(ctx, setup.Code, 0, 1<<62, rehearsed)
		if err != nil {
			return err
		}
		r.Units = len(rows)
		for i := len(rows) - 1; i >= 0; i-- {
			channels := setup.unpack(rows[i])
			w := envelope.Judge(setup.Band, channels, r.Limits).Word
			r.Words[w]++
			if judged {
				was := envelope.Judge(setup.Band, channels, force).Word
				r.Today[was]++
				if was != w {
					r.Changed = append(r.Changed, rows[i].Serial)
				}
			}
			if setup.pair() && len(r.Balance) < drawn {
				first := setup.position(envelope.Balance, "", 0)
				r.Balance = append(r.Balance, wide(rows[i].Streams[first:first+len(setup.Band)]))
			}
			for _, c := range channels {
				if len(r.Curves[c.Name]) < drawn {
					r.Curves[c.Name] = append(r.Curves[c.Name], c.Deviation)
				}
			}
		}
		return nil
	})
	return r, err
}

// unpack returns the channels of a stored reading as far as limits ask for them. The
// offsets are good for the difference of two channels only.
func (s *Setup) unpack(r store.ReadingRow) []envelope.Channel {
	var out []envelope.Channel
	for _, name := range s.Channels {
		at := s.position(envelope.Deviation, name, 0)
		c := envelope.Channel{Name: name, Reading: band.Reading{
			Deviation:   wide(r.Streams[at : at+len(s.Band)]),
			Sensitivity: float64(r.Streams[s.position(envelope.Sensitivity, name, -1)]),
			Roughness:   float64(r.Streams[s.position(envelope.Roughness, name, -1)]),
		}}
		out = append(out, c)
	}
	if s.pair() {
		first := s.position(envelope.Balance, "", 0)
		for i := range s.Band {
			if d := float64(r.Streams[first+i]) - (out[0].Deviation[i] - out[1].Deviation[i]); d == d {
				out[0].Offset = d
				break
			}
		}
	}
	return out
}

// Screen says which units a baseline would rest on and which are left out, with the
// reason. Freeze uses the same.
func (l *Line) Screen(ctx context.Context, product string, base Baseline) (used []string, out []LeftOut, err error) {
	var f Frozen
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		setup, err := l.setup(ctx, s, product)
		if err != nil {
			return err
		}
		_, err = l.screen(ctx, s, setup, base, &f)
		return err
	})
	return f.Used, f.LeftOut, err
}
