package line

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/chart"
	"alike/spc/gauge"

	"github.com/google/uuid"
)

// A ReferenceHistory is what a reference unit read on a rig over time, against its
// newest baseline.
type ReferenceHistory struct {
	store.ReferenceRow
	Rig      string
	Baseline int
	Visits   []CheckView
	Judged   []bool       // the visit was a check
	Charts   []PlaceChart // per channel and band
	Drifts   []PlaceDrift // places that drift, the surest first
	setup    *Setup
	zone     *time.Location
}

// A PlaceChart is the control chart of one band of one channel of a reference unit:
// change against the baseline in dB, visit by visit.
type PlaceChart struct {
	Channel string
	Band    string
	Place   string // "left, 63 Hz band"
	reports.Chart
	Tolerance float64 // dB either way; NaN when it is not checked
}

// A PlaceDrift is a drift over time.
type PlaceDrift struct {
	Place     string
	PerWeek   float64 // dB
	Low, High float64 // 95 %
	P         float64 // of no drift, Holm-adjusted over the places
}

// History returns what a reference unit read on a rig: a chart per band with limits
// from the visits of the baseline, and the places that drift.
func (l *Line) History(ctx context.Context, serial, rig string, limit int) (ReferenceHistory, error) {
	out := ReferenceHistory{Rig: rig}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		row, err := s.Reference(ctx, serial)
		if err != nil {
			return refuse(Missing, "serial", "see the reference units with: alike rig status", "%s is no reference unit", serial)
		}
		out.ReferenceRow = row
		if out.setup, err = l.setup(ctx, s, row.Product); err != nil {
			return err
		}
		if out.zone, err = zoneOf(ctx, s); err != nil {
			return err
		}
		route, err := s.Route(ctx, row.Product, "", "")
		if err != nil {
			return err
		}
		policy, err := policyOf(route)
		if err != nil {
			return err
		}
		base, err := s.Baseline(ctx, serial, rig)
		if err != nil {
			return refuse(Missing, "rig", "set it with: alike rig baseline", "%s has no baseline on %s", serial, rigName(rig))
		}
		out.Baseline = base.Version
		return out.load(ctx, s, base, policy, limit)
	})
	return out, err
}

func (h *ReferenceHistory) load(ctx context.Context, s store.Site, base store.BaselineRow, policy *RigPolicy, limit int) error {
	rows, err := s.Visits(ctx, h.Serial, h.Rig, limit)
	if err != nil {
		return err
	}
	var changes [][]float64
	var inBase []bool
	for _, v := range complete(rows) {
		if v.Turned {
			continue
		}
		takes, err := s.RigTakes(ctx, []uuid.UUID{v.Visit})
		if err != nil {
			return err
		}
		view, err := checkView(v)
		if err != nil {
			return err
		}
		h.Visits, h.Judged = append(h.Visits, view), append(h.Judged, v.Passed != nil)
		changes = append(changes, changeOf(h.setup.levels(takes), base.Mean))
		inBase = append(inBase, slices.Contains(base.Visits, v.Visit))
	}
	tolerance := make([]float64, len(base.Mean))
	for p := range tolerance {
		tolerance[p] = math.NaN()
	}
	if policy != nil {
		tolerance = policy.places(h.setup)
	}
	for p := range base.Mean {
		h.Charts = append(h.Charts, h.chart(p, changes, inBase, base, tolerance[p]))
	}
	h.drifts(changes)
	return nil
}

// chart draws one place. Its limits come from what seating explains, since five visits
// of a baseline say too little about the spread from visit to visit.
func (h *ReferenceHistory) chart(p int, changes [][]float64, inBase []bool, base store.BaselineRow, tolerance float64) PlaceChart {
	n := len(h.setup.Band)
	sigma := base.SD[p] / math.Sqrt(float64(h.setup.Seatings))
	c := PlaceChart{Channel: h.setup.Channels[p/n], Band: h.setup.Band[p%n].Label(), Place: h.setup.place(p), Tolerance: tolerance}
	c.Stream = fmt.Sprintf("%s %s on %s, %s", h.Serial, h.setup.place(p), rigName(h.Rig), "change against its baseline")
	c.Filled, c.Hollow, c.Along = "since the baseline", "baseline", "visits of the reference unit"
	c.Unit, c.Center, c.Lower, c.Upper = "dB", 0, -3*sigma, 3*sigma
	c.RangeMean, c.RangeHigh = 2/math.SqrtPi*sigma, 3*math.Sqrt2*sigma
	rules := chart.Nelson()
	reader := chart.NewReader(rules)
	before := math.NaN()
	for i, x := range changes {
		c.Serials = append(c.Serials, h.Visits[i].At.In(h.zone).Format("01-02 15:04"))
		c.Values, c.Moving = append(c.Values, x[p]), append(c.Moving, math.Abs(x[p]-before))
		c.InLot = append(c.InLot, !inBase[i])
		before = x[p]
		if !(sigma > 0) {
			continue
		}
		for _, key := range chart.KeysOf(reader.Push(x[p]/sigma), rules) {
			for _, r := range rules {
				if r.Key == key {
					c.Marks = append(c.Marks, reports.Mark{Index: i, Rule: string(key), Text: r.Text()})
				}
			}
		}
	}
	return c
}

// drifts fits a straight drift over time to every place, and keeps those that are
// sure after Holm's adjustment.
func (h *ReferenceHistory) drifts(changes [][]float64) {
	var all []PlaceDrift
	for p := range h.Charts {
		var checks []gauge.Check
		for i, x := range changes {
			if !math.IsNaN(x[p]) {
				weeks := h.Visits[i].At.Sub(h.Visits[0].At).Hours() / (24 * 7)
				checks = append(checks, gauge.Check{Time: weeks, Values: []float64{x[p]}})
			}
		}
		st, err := gauge.StabilityOf(checks, 0, gauge.Options{})
		if err == nil && st.Fitted {
			all = append(all, PlaceDrift{h.setup.place(p), st.Slope, st.SlopeInterval.Low, st.SlopeInterval.High, st.SlopeP})
		}
	}
	sort.SliceStable(all, func(a, b int) bool { return all[a].P < all[b].P })
	most := 0.0
	for i := range all { // Holm (1979)
		most = math.Max(most, math.Min(1, all[i].P*float64(len(all)-i)))
		all[i].P = most
		if most > 0.05 {
			break
		}
		h.Drifts = append(h.Drifts, all[i])
	}
}
