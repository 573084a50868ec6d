package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"alike/internal/store"
	"alike/spc/chart"
)

// LeastBaseline is the smallest number of units that limits may rest on: below it
// the limits of a board of a hundred charts would be too wide to see anything.
const LeastBaseline = 20

// A Baseline chooses the units that limits rest on: a lot's, or the serials named.
type Baseline struct {
	Lot     string
	Serials []string
}

// A Frozen says what Freeze did.
type Frozen struct {
	Version   int
	FromPlace int64
	Used      []string
	LeftOut   []LeftOut
	Streams   int      // charted
	Uncharted []string // streams without values or spread in the baseline
	Rules     []chart.Rule
	Reread    int // units after the baseline that the charts have now read
	Signals   []store.SignalRow
	Warnings  []string
}

// LeftOut is a unit that was asked for and not used, with the reason.
type LeftOut struct {
	Serial string `json:"serial"`
	Reason string `json:"reason"`
}

// Freeze sets the limits of a product's charts from the first attempts of baseline
// units and puts them in force from the unit after the last of them on. Units that
// did not pass are left out and listed. Limits in force are superseded, never
// edited. Units measured since are read under the new limits at once.
//
// Centre and sigma of each stream are those of its individuals chart; the rules are
// stretched so that all rules on all charts together fire falsely at most once in
// as many units as the product says, even if every stream were independent.
func (l *Line) Freeze(ctx context.Context, by By, product string, base Baseline, reason string) (Frozen, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return Frozen{}, err
	}
	if reason == "" {
		return Frozen{}, refuse(Invalid, "reason", "say why these units are a good baseline", "limits need a reason")
	}
	var out Frozen
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		next, err := s.LockProduct(ctx, setup.Code)
		if err != nil {
			return err
		}
		out = Frozen{}
		readings, err := l.pick(ctx, s, setup, base, &out)
		if err != nil {
			return err
		}
		row, err := freeze(setup, readings, &out)
		if err != nil {
			return err
		}
		row.Reason, row.Author, row.CreatedAt = reason, by.Actor, l.now()
		if out.Version, err = s.AddLimitSet(ctx, row); err != nil {
			return err
		}
		row.Version = out.Version
		b, err := newBoard(setup, row)
		if err != nil {
			return err
		}
		if err := b.reread(ctx, s, next, &out); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "freeze limits", setup.Code, reason, map[string]any{
			"version": out.Version, "baseline": len(out.Used), "left_out": out.LeftOut, "from_place": out.FromPlace,
		})
	})
	return out, err
}

// pick gathers the readings of the baseline units that passed.
func (l *Line) pick(ctx context.Context, s store.Site, setup *Setup, base Baseline, out *Frozen) ([]store.ReadingRow, error) {
	serials := base.Serials
	if base.Lot != "" {
		units, err := s.UnitsOfLot(ctx, base.Lot)
		if err != nil {
			return nil, err
		}
		for _, u := range units {
			serials = append(serials, u.Serial)
		}
		if len(units) == 0 {
			return nil, refuse(Missing, "baseline", "see the lots with: alike lot list", "there is no lot %q with units", base.Lot)
		}
	}
	var good []string
	for _, serial := range serials {
		why, err := unfit(ctx, s, setup.Code, serial)
		if err != nil {
			return nil, err
		}
		switch {
		case why != "":
			out.LeftOut = append(out.LeftOut, LeftOut{serial, why})
		case !slices.Contains(good, serial):
			good = append(good, serial)
		}
	}
	if len(good) < LeastBaseline {
		return nil, refuse(Invalid, "baseline", fmt.Sprintf("choose at least %d units that passed at their first attempt", LeastBaseline),
			"%d of the %d units can serve", len(good), len(serials))
	}
	out.Used = good
	return s.ReadingsOf(ctx, setup.Code, good)
}

// unfit says why a unit cannot serve in a baseline, or nothing.
func unfit(ctx context.Context, s store.Site, product, serial string) (string, error) {
	unit, err := s.Unit(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		return "there is no such unit", nil
	} else if err != nil {
		return "", err
	}
	if unit.Product != product {
		return "it is of product " + unit.Product, nil
	}
	attempts, err := s.Attempts(ctx, serial)
	if err != nil {
		return "", err
	}
	switch {
	case len(attempts) == 0 || attempts[0].Verdict == nil:
		return "its first attempt is not judged", nil
	case *attempts[0].Verdict != "pass":
		return "its first attempt was judged " + *attempts[0].Verdict, nil
	}
	return "", nil
}

// freeze computes the limit set from the baseline's readings.
func freeze(setup *Setup, readings []store.ReadingRow, out *Frozen) (store.LimitSetRow, error) {
	row := store.LimitSetRow{
		Product: setup.Code, Baseline: out.Used, Every: setup.FalseAlarms, FromPlace: readings[len(readings)-1].Place + 1,
	}
	var err error
	if row.LeftOut, err = json.Marshal(slices.Concat([]LeftOut{}, out.LeftOut)); err != nil {
		return row, err
	}
	xs := make([]float64, len(readings))
	for i, st := range setup.StreamList {
		for k, r := range readings {
			xs[k] = float64(r.Streams[i])
		}
		e, err := chart.EstimateFrom(xs)
		if err != nil { // a value is missing, or nothing varies
			out.Uncharted = append(out.Uncharted, st.Title)
			e.Center, e.Sigma = math.NaN(), math.NaN()
		} else {
			out.Streams++
			row.Freedom = e.Freedom
		}
		row.Streams, row.Center, row.Sigma = append(row.Streams, st.Key), append(row.Center, e.Center), append(row.Sigma, e.Sigma)
	}
	if out.Streams == 0 {
		return row, refuse(Invalid, "baseline", "check the takes of these units", "no stream has values that vary in all baseline units")
	}
	alpha := 1 / float64(setup.FalseAlarms*out.Streams*len(chart.Keys))
	if out.Rules, err = chart.Stretched(alpha, float64(len(readings)), row.Freedom); err != nil {
		return row, err
	}
	if row.Rules, err = json.Marshal(out.Rules); err != nil {
		return row, err
	}
	out.FromPlace = row.FromPlace
	if len(readings) < 30 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("The limits rest on %d units and are wide for it; freeze again once more good units are measured.", len(readings)))
	}
	return row, nil
}

// reread has the charts read the units that were measured since the baseline.
func (b *board) reread(ctx context.Context, s store.Site, next int64, out *Frozen) error {
	later, err := s.LastReadings(ctx, b.setup.Code, b.set.FromPlace, next, math.MaxInt32)
	if err != nil {
		return err
	}
	out.Reread = len(later)
	out.Signals = b.signals(later, 0)
	return s.AddSignals(ctx, out.Signals)
}
