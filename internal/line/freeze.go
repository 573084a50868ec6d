package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/budget"
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

// A Freezing says what to freeze limits from.
type Freezing struct {
	Baseline
	Reason string
	// Boards is the number of boards simulated to calibrate the rules; 0 for as many
	// as budget.Calibrate takes by itself.
	Boards   int
	Progress func(share float64) // of the calibration; may be nil
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
	Budget    Budget
	Reread    int // units after the baseline that the charts have now read
	Signals   []store.SignalRow
	Warnings  []string
}

// A Budget is what the calibration of a board found: run lengths in units to the first
// false alarm of any rule on any chart, while nothing changes.
type Budget struct {
	Mean   float64 `json:"mean"`
	SE     float64 `json:"se"` // standard error of the simulated mean
	Median float64 `json:"median"`
	Tenth  float64 `json:"tenth"` // one board in ten has its first by then
	// TogetherFirst is the share of boards whose first false alarm is that of all streams
	// together; Together is what that chart fires above, 0 without one.
	TogetherFirst float64 `json:"together_first,omitempty"`
	Together      float64 `json:"together,omitempty"`
	Width         float64 `json:"width"`  // chance per point, chart and rule that goes by width
	Length        float64 `json:"length"` // likewise by length of a run
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
// stretched so that all rules on all charts together have their first false alarm after
// as many units as the product says, on average. The calibration takes some seconds,
// during which the line goes on.
func (l *Line) Freeze(ctx context.Context, by By, product string, f Freezing) (Frozen, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return Frozen{}, err
	}
	if f.Reason == "" {
		return Frozen{}, refuse(Invalid, "reason", "say why these units are a good baseline", "limits need a reason")
	}
	var out Frozen
	var readings []store.ReadingRow
	var said string
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		if readings, err = l.pick(ctx, s, setup, f.Baseline, &out); err != nil {
			return err
		}
		said, err = saidBefore(ctx, s, setup, out.Used)
		return err
	})
	if err != nil {
		return out, err
	}
	row, whole, err := freeze(ctx, setup, readings, f, &out)
	if err != nil {
		return out, err
	}
	if said != "" {
		out.Warnings = append(out.Warnings, said)
	}
	row.Reason, row.Author, row.CreatedAt = f.Reason, by.Actor, l.now()
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		next, err := s.LockProduct(ctx, setup.Code)
		if err != nil {
			return err
		}
		if out.Version, err = s.AddLimitSet(ctx, row); err != nil {
			return err
		}
		row.Version, whole.Version = out.Version, out.Version
		if err := s.AddTogether(ctx, whole); err != nil {
			return err
		}
		b, err := newBoard(setup, row)
		if err != nil {
			return err
		}
		if err := b.joined(whole); err != nil {
			return err
		}
		if err := l.reread(ctx, s, by, b, next, &out); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "freeze limits", setup.Code, f.Reason, map[string]any{
			"version": out.Version, "baseline": len(out.Used), "left_out": out.LeftOut, "from_place": out.FromPlace,
			"budget": out.Budget,
		})
	})
	return out, err
}

// saidBefore says which units of a baseline the charts spoke up about while limits were
// learnt, or nothing.
func saidBefore(ctx context.Context, s store.Site, setup *Setup, used []string) (string, error) {
	rows, err := s.SignalsFrom(ctx, setup.Code, 0, 1)
	if err != nil {
		return "", err
	}
	var units []string
	for _, g := range rows {
		if slices.Contains(used, g.Serial) && !slices.Contains(units, g.Serial) {
			units = append(units, g.Serial)
		}
	}
	if len(units) == 0 {
		return "", nil
	}
	return fmt.Sprintf("%s of the baseline gave signals while limits were learnt: %s. Freeze again without what is not usual.", number(len(units), "unit"), strings.Join(firstFew(units), ", ")), nil
}

// pick gathers the readings of the baseline units that passed.
func (l *Line) pick(ctx context.Context, s store.Site, setup *Setup, base Baseline, out *Frozen) ([]store.ReadingRow, error) {
	asked, err := l.screen(ctx, s, setup, base, out)
	if err != nil {
		return nil, err
	}
	if len(out.Used) < LeastBaseline {
		return nil, refuse(Invalid, "baseline", fmt.Sprintf("choose at least %d units that passed at their first attempt", LeastBaseline),
			"%d of the %d units can serve", len(out.Used), asked)
	}
	return s.ReadingsOf(ctx, setup.Code, out.Used)
}

// screen sorts the units asked for into those that can serve and those left out, and
// returns how many were asked for.
func (l *Line) screen(ctx context.Context, s store.Site, setup *Setup, base Baseline, out *Frozen) (asked int, err error) {
	serials := base.Serials
	why := func(serial string) (string, error) { return unfitUnit(ctx, s, setup.Code, serial) }
	if base.Lot != "" {
		units, err := s.UnitsOfLot(ctx, base.Lot)
		if err != nil {
			return 0, err
		}
		if len(units) == 0 {
			return 0, refuse(Missing, "baseline", "see the lots with: alike lot list", "there is no lot %q with units", base.Lot)
		}
		attempts, err := s.AttemptsOfLot(ctx, base.Lot)
		if err != nil {
			return 0, err
		}
		reasons := map[string]string{} // asked at once: a lot may hold thousands
		byUnit := map[string][]store.AttemptRow{}
		for _, a := range attempts {
			byUnit[a.Serial] = append(byUnit[a.Serial], a)
		}
		for _, u := range units {
			serials = append(serials, u.Serial)
			reasons[u.Serial] = unfit(setup.Code, u, byUnit[u.Serial])
		}
		alone := why
		why = func(serial string) (string, error) {
			if r, ok := reasons[serial]; ok {
				return r, nil
			}
			return alone(serial)
		}
	}
	seen := map[string]bool{}
	for _, serial := range serials {
		r, err := why(serial)
		if err != nil {
			return 0, err
		}
		switch {
		case r != "":
			out.LeftOut = append(out.LeftOut, LeftOut{serial, r})
		case !seen[serial]:
			seen[serial] = true
			out.Used = append(out.Used, serial)
		}
	}
	return len(serials), nil
}

// unfitUnit says why a unit cannot serve in a baseline, or nothing.
func unfitUnit(ctx context.Context, s store.Site, product, serial string) (string, error) {
	unit, err := s.Unit(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		return "there is no such unit", nil
	} else if err != nil {
		return "", err
	}
	attempts, err := s.Attempts(ctx, serial)
	return unfit(product, unit, attempts), err
}

func unfit(product string, unit store.UnitRow, attempts []store.AttemptRow) string {
	switch first := firstWord(attempts); {
	case unit.Product != product:
		return "it is of product " + unit.Product
	case len(attempts) == 0 || first == Waiting:
		return "its first attempt is not judged"
	case first != "pass":
		return "its first attempt was judged " + first
	}
	return ""
}

// freeze computes the limit set from the baseline's readings.
func freeze(ctx context.Context, setup *Setup, readings []store.ReadingRow, f Freezing, out *Frozen) (store.LimitSetRow, store.TogetherRow, error) {
	row := store.LimitSetRow{
		Product: setup.Code, Baseline: out.Used, Every: setup.FalseAlarms, FromPlace: readings[len(readings)-1].Place + 1,
	}
	whole := store.TogetherRow{Product: setup.Code}
	var err error
	if row.LeftOut, err = json.Marshal(slices.Concat([]LeftOut{}, out.LeftOut)); err != nil {
		return row, whole, err
	}
	charted := make([][]float64, len(readings)) // by unit, the streams that vary
	xs := make([]float64, len(readings))
	o := budget.Options{Every: float64(setup.FalseAlarms), Histories: f.Boards, Progress: f.Progress, Together: true}
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
			o.Alike, o.Lean = append(o.Alike, st.alike()), append(o.Lean, st.leans())
			whole.Streams = append(whole.Streams, st.Key)
			row.Freedom = e.Freedom
			for k, x := range xs {
				charted[k] = append(charted[k], x)
			}
		}
		row.Streams, row.Center, row.Sigma = append(row.Streams, st.Key), append(row.Center, e.Center), append(row.Sigma, e.Sigma)
	}
	if out.Streams == 0 {
		return row, whole, refuse(Invalid, "baseline", "check the takes of these units", "no stream has values that vary in all baseline units")
	}
	c, err := budget.Calibrate(ctx, charted, o)
	if err != nil {
		return row, whole, err
	}
	out.FromPlace, out.Rules, out.Warnings = row.FromPlace, c.Rules, c.Warnings
	out.Budget = Budget{Mean: c.Mean, SE: c.SE, Median: c.Median, Tenth: c.Tenth, Width: c.Width, Length: c.Length, TogetherFirst: c.TogetherFirst, Together: c.Limit}
	whole.Lambda, whole.FiresAbove, whole.FirstShare = c.Together.Lambda, c.Limit, c.TogetherFirst
	whole.Shrinkage, whole.Whiten = c.Together.Shrinkage, packDoubles(c.Together.Whiten)
	if row.Rules, err = json.Marshal(c.Rules); err != nil {
		return row, whole, err
	}
	row.Budget, err = json.Marshal(out.Budget)
	return row, whole, err
}

// reread has the charts read the units that were measured since the baseline, and sorts
// what they say into findings.
func (l *Line) reread(ctx context.Context, s store.Site, by By, b *board, next int64, out *Frozen) error {
	later, err := s.LastReadings(ctx, b.setup.Code, b.set.FromPlace, next, math.MaxInt32)
	if err != nil {
		return err
	}
	out.Reread = len(later)
	out.Signals = b.signals(later, 0)
	if err := s.AddSignals(ctx, out.Signals); err != nil {
		return err
	}
	carried, err := b.carriedOver(ctx, s, later)
	if err != nil {
		return err
	}
	at := map[int64][]store.SignalRow{}
	for _, g := range append(carried, out.Signals...) {
		at[g.Place] = append(at[g.Place], g)
	}
	for _, r := range later {
		if err := l.find(ctx, s, by, b, r, at[r.Place]); err != nil {
			return err
		}
	}
	return nil
}
