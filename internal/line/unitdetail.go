package line

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/cause"
	"alike/spc/chart"
	"alike/spc/envelope"
)

// A UnitDetail is one unit with everything a person at the bench asks.
type UnitDetail struct {
	UnitView
	Zone     *time.Location
	Setup    *Setup
	Envelope *store.EnvelopeRow // that the last verdict was given by, else the one in force
	Limits   reports.Limits
	ReadAs   *ReadAs          // as which rig the last attempt's levels are read; nil for as they were measured
	Readings []AttemptReading // by attempt, those of which a whole channel is there
	Usual    []reports.Series // deviation of the usual unit per channel; empty without a limit set
	Fits     []ChannelFit     // what a unit that did not pass or gave signals looks like
	Missing  string           // takes that the last attempt still waits for
	NextStep string
	Before   []store.UnitState // neighbours in the order of production, nearest first
	After    []store.UnitState
	Marks    []UnitMark
	Findings []store.FindingRow // with signals of the unit, oldest first
	Learning *Learning          // nil under a limit set
}

// An AttemptReading holds what an attempt's takes are reduced to.
type AttemptReading struct {
	Number   int
	Channels []envelope.Channel
	Seatings [][][]float64 // per channel and seating the deviation in dB per band
}

// A ChannelFit holds the fault signatures nearest to one channel's change.
type ChannelFit struct {
	Channel string
	Usual   bool   // it lies as the usual unit does: nothing is to be explained
	Words   string // what moved together
	Fits    []cause.Fit
	Untold  []Untold // known faults that one unit does not tell the first one from
}

// A UnitMark is a signal at the unit, in words.
type UnitMark struct {
	store.SignalRow
	Title string
	Text  string
}

// unusual is the mean square of z from which a channel differs from the usual unit:
// a good one lies near 1.
const unusual = 3.0

// closeFits is how much less another fault explains of one unit's change when it is named
// beside the first, as in cause.Words.
const closeFits = 0.05

// neighbours and nearest are how many of each a unit's page shows.
const (
	neighbours = 4
	nearest    = 3
)

// UnitDetail returns one unit with its curves, its likeness to known faults and its
// neighbours.
func (l *Line) UnitDetail(ctx context.Context, serial string) (UnitDetail, error) {
	var d UnitDetail
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		var err error
		if d.UnitView, err = l.unit(ctx, s, serial); err != nil {
			return err
		}
		if d.Zone, err = zoneOf(ctx, s); err != nil {
			return err
		}
		if d.Setup, err = l.setup(ctx, s, d.Product); err != nil {
			return err
		}
		if err := d.limits(ctx, s); err != nil {
			return err
		}
		if err := d.read(ctx, s); err != nil {
			return err
		}
		if err := d.charted(ctx, l, s); err != nil {
			return err
		}
		if n := len(d.Attempts); n > 0 {
			last := d.Attempts[n-1]
			d.NextStep = d.Setup.nextStep(word(last.AttemptRow), last.Number)
			if last.Verdict == nil {
				d.Missing = d.Setup.missing(last.Takes, d.Setup.Seatings)
			}
		}
		if d.Place != nil {
			if d.Findings, err = s.FindingsAt(ctx, d.Product, []int64{*d.Place}); err != nil {
				return err
			}
			d.Before, d.After, err = s.UnitsAround(ctx, d.Product, *d.Place, neighbours)
		}
		return err
	})
	return d, err
}

func zoneOf(ctx context.Context, s store.Site) (*time.Location, error) {
	row, err := s.Row(ctx)
	if err != nil {
		return nil, err
	}
	return time.LoadLocation(row.Zone)
}

// limits finds the envelope that the last verdict was given by.
func (d *UnitDetail) limits(ctx context.Context, s store.Site) error {
	version := 0
	for _, a := range d.Attempts {
		if a.Envelope != nil {
			version = *a.Envelope
		}
	}
	row, err := s.Envelope(ctx, d.Product, version)
	if errors.Is(err, store.ErrNotFound) {
		return nil
	} else if err != nil {
		return err
	}
	lim, err := onBands(row, d.Setup)
	if err != nil {
		return err
	}
	d.Envelope = &row
	if n := len(d.Attempts); n > 0 {
		t, err := transferAt(ctx, s, d.Setup, d.Attempts[n-1].Station, d.Attempts[n-1].MeasuredAt)
		if err != nil {
			return err
		}
		if lim, d.ReadAs, err = judgedBy(lim, t); err != nil {
			return err
		}
	}
	d.Limits = reportLimits(lim)
	return nil
}

func reportLimits(l envelope.Limits) reports.Limits {
	lower, upper := l.Working()
	return reports.Limits{Lower: l.Lower, Upper: l.Upper, WorkingLower: lower, WorkingUpper: upper}
}

// read reduces the stored takes of each attempt. A channel without takes, or without
// an anchor band, is left out. What a transfer corrects is read corrected.
func (d *UnitDetail) read(ctx context.Context, s store.Site) error {
	for _, a := range d.Attempts {
		t, err := transferAt(ctx, s, d.Setup, a.Station, a.MeasuredAt)
		if err != nil {
			return err
		}
		takes := corrected(d.Setup, a.Takes, t)
		r := AttemptReading{Number: a.Number}
		for _, name := range d.Setup.Channels {
			seats := seatingsOf(takes, name)
			if len(seats) == 0 {
				continue
			}
			c, err := d.Setup.read(name, seats)
			if err != nil {
				continue
			}
			var each [][]float64
			for _, levels := range seats {
				if one, err := d.Setup.read(name, [][]float64{levels}); err == nil {
					each = append(each, one.Deviation)
				}
			}
			r.Channels, r.Seatings = append(r.Channels, c), append(r.Seatings, each)
		}
		if len(r.Channels) > 0 {
			d.Readings = append(d.Readings, r)
		}
	}
	return nil
}

// charted adds what the charts know: the usual unit, signals in words, and for a unit
// that did not pass or gave signals the faults it looks like.
func (d *UnitDetail) charted(ctx context.Context, l *Line, s store.Site) error {
	b, err := d.charts(ctx, l, s)
	if err != nil || b == nil {
		return err
	}
	title := map[string]string{}
	for _, st := range d.Setup.StreamList {
		title[st.Key] = st.Title
	}
	for _, g := range ofVersion(d.Signals, newestOf(d.Signals)) {
		text := b.ruleText(chart.Key(g.Rule))
		if g.LimitSet == 0 {
			text = learnText(chart.Key(g.Rule))
		}
		d.Marks = append(d.Marks, UnitMark{g, title[g.Stream], text})
	}
	for _, c := range d.Setup.Channels {
		at := d.Setup.position(envelope.Deviation, c, 0)
		d.Usual = append(d.Usual, reports.Series{Name: c, Values: b.set.Center[at : at+len(d.Setup.Band)]})
	}
	slices.SortStableFunc(d.Marks, func(a, b UnitMark) int {
		return -cmpFloat(math.Abs(float64(a.Z)), math.Abs(float64(b.Z)))
	})
	d.likeness(b)
	return nil
}

// charts returns the charts to hold the unit against: of the limit set that was in force at
// the unit, else of the newest, else those that still learn, once they know enough.
func (d *UnitDetail) charts(ctx context.Context, l *Line, s store.Site) (*board, error) {
	set, err := d.set(ctx, s)
	if err == nil {
		return newBoard(d.Setup, set)
	}
	if !errors.Is(err, store.ErrNotFound) {
		return nil, err
	}
	b, err := l.learningBoard(ctx, s, d.Setup, math.MaxInt64)
	if err != nil || b == nil {
		return nil, err
	}
	state := b.learningState()
	if d.Learning = &state; state.Units < LeastOwn {
		return nil, d.fewLearnt(b)
	}
	return b, nil
}

// fewLearnt names the signals of a unit while too little is learnt to say what is usual.
func (d *UnitDetail) fewLearnt(b *board) error {
	for _, g := range d.Signals {
		d.Marks = append(d.Marks, UnitMark{g, b.title(g.Stream), learnText(chart.Key(g.Rule))})
	}
	return nil
}

// set returns the limit set that was in force at the unit, else the newest.
func (d *UnitDetail) set(ctx context.Context, s store.Site) (store.LimitSetRow, error) {
	if d.Place != nil {
		row, err := s.LimitSetAt(ctx, d.Product, *d.Place)
		if !errors.Is(err, store.ErrNotFound) {
			return row, err
		}
	}
	return s.LimitSet(ctx, d.Product, 0)
}

func newestOf(rows []store.SignalRow) int {
	v := 0
	for _, r := range rows {
		v = max(v, r.LimitSet)
	}
	return v
}

// likeness fits the signatures to the first attempt that did not pass, or gave the
// signals.
func (d *UnitDetail) likeness(b *board) {
	for _, r := range d.Readings {
		v := d.Attempts[r.Number-1].Verdict
		if v == nil || v.Word == envelope.Pass && len(d.Marks) == 0 {
			continue
		}
		for _, c := range r.Channels {
			change, sd := b.change(c)
			f := ChannelFit{Channel: c.Name, Usual: b.meanSquare(c, c.Name) < unusual && math.Abs(b.z(d.Setup.position(envelope.Sensitivity, c.Name, -1), c.Sensitivity)) < 3}
			if at := farthest(change, sd); at >= 0 && !math.IsNaN(change[at]) {
				f.Words = cause.ShapeAt(d.Setup.Band, change, at).Words()
			}
			all := cause.Fits(change, sd, d.Setup.Shapes)
			f.Fits = all[:min(nearest, len(all))]
			if len(all) > 0 && all[0].Explained >= enoughExplained && !f.Usual {
				for _, other := range all[1:] {
					close := other.Explained >= enoughExplained && all[0].Explained-other.Explained < closeFits
					if u, ok := d.Setup.untold(all[0].Key, other.Key, sd, all[0].Amount, 1, close); ok {
						f.Untold = append(f.Untold, u)
					}
				}
			}
			d.Fits = append(d.Fits, f)
		}
		return
	}
}
