package line

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/pairing"
)

// A PairRequest says which drivers are paired and how.
type PairRequest struct {
	Product string   `json:"product"`
	Batches []string `json:"batches,omitempty"` // all there are for none
	// Left and Right are batches of cups that are built already: each left one goes
	// with a right one. Both or neither.
	Left      []string    `json:"left,omitempty"`
	Right     []string    `json:"right,omitempty"`
	Tolerance float64     `json:"tolerance,omitempty"` // dB; 0 for the product's
	Weights   []Weight    `json:"weights,omitempty"`   // none for the product's
	Fixed     [][2]string `json:"fixed,omitempty"`
	Excluded  []string    `json:"excluded,omitempty"`
	// Drivers that break a limit, or that lack a measurement which has one, take part
	// only when these say so.
	BadToo       bool `json:"bad_too,omitempty"`
	UncheckedToo bool `json:"unchecked_too,omitempty"`
}

// A PairPlan is the best pairing for a request, not stored yet.
type PairPlan struct {
	List    reports.PickList
	request PairRequest
	product string
}

// leftOut is why a driver takes no part, before any mismatch.
type leftOut struct {
	serial, batch, why string
}

// PlanPairs finds the best pairing: as many pairs within the tolerance as there can
// be, and of those choices one with the least total mismatch. Drivers that are built
// in, that a pairing in force speaks for, or that are not good take no part.
func (l *Line) PlanPairs(ctx context.Context, r PairRequest) (PairPlan, error) {
	p := &pairs{line: l, request: r}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error { return p.load(ctx, s) })
	if err != nil {
		return PairPlan{}, err
	}
	return p.plan()
}

// pairs is one pairing on its way.
type pairs struct {
	line    *Line
	request PairRequest
	setup   *Setup
	in      Incoming
	site    store.SiteRow
	zone    *time.Location
	free    []Driver
	good    int // of the drivers asked for, free or not
	bad     int
	at      map[string]*Driver
	out     []leftOut
	bands   []int
	list    reports.PickList
}

func (p *pairs) load(ctx context.Context, s store.Site) (err error) {
	if p.setup, err = p.line.driverSetup(ctx, s, p.request.Product); err != nil {
		return err
	}
	p.in = p.setup.incoming()
	if p.request.Tolerance != 0 {
		p.in.PairTolerance = p.request.Tolerance
	}
	if len(p.request.Weights) > 0 {
		p.in.Weights = p.request.Weights
	}
	if err := p.in.check(); err != nil {
		return refuse(Invalid, "pairing", "correct the request", "%v", err)
	}
	if p.site, err = s.Row(ctx); err != nil {
		return err
	}
	if p.zone, err = time.LoadLocation(p.site.Zone); err != nil {
		return err
	}
	batches, err := p.batches()
	if err != nil {
		return err
	}
	drivers, err := p.line.drivers(ctx, s, p.setup, batches)
	if err != nil {
		return err
	}
	p.choose(drivers)
	return nil
}

func (p *pairs) batches() ([]string, error) {
	r := p.request
	if (len(r.Left) > 0) != (len(r.Right) > 0) {
		return nil, refuse(Invalid, "left", "name the batches of both sides", "left cups go with right cups, and one side is not named")
	}
	if len(r.Left) == 0 {
		return r.Batches, nil
	}
	if len(r.Batches) > 0 {
		return nil, refuse(Invalid, "batches", "leave them out, or leave out left and right", "batches stand beside left and right")
	}
	for _, b := range r.Left {
		if slices.Contains(r.Right, b) {
			return nil, refuse(Invalid, "left", "name each batch on one side", "batch %s is named left and right", b)
		}
	}
	return append(slices.Clone(r.Left), r.Right...), nil
}

// choose sorts out who takes part.
func (p *pairs) choose(drivers []Driver) {
	fixed := map[string]bool{}
	for _, f := range p.request.Fixed {
		fixed[f[0]], fixed[f[1]] = true, true
	}
	p.at = map[string]*Driver{}
	for _, d := range drivers {
		if d.Good {
			p.good++
		}
		if d.Bad {
			p.bad++
		}
		why := ""
		switch {
		case d.Unit != "":
			why = "is built into unit " + d.Unit
		case d.Pairing > 0:
			why = fmt.Sprintf("belongs to pairing %d", d.Pairing)
		case slices.Contains(p.request.Excluded, d.Serial):
			why = "excluded by hand"
		case d.Levels == nil:
			why = "was not measured"
		case d.Bad && !p.request.BadToo && !fixed[d.Serial]:
			why = strings.Join(d.Faults, "; ")
		case !d.Good && !d.Bad && !p.request.UncheckedToo && !fixed[d.Serial]:
			why = "not checked: " + strings.Join(d.NotChecked, ", ")
		}
		if why != "" {
			p.out = append(p.out, leftOut{d.Serial, d.Batch, why})
			continue
		}
		p.free = append(p.free, d)
	}
	for i := range p.free {
		p.at[p.free[i].Serial] = &p.free[i]
	}
}

func (p *pairs) plan() (PairPlan, error) {
	for _, list := range [][]string{p.request.Excluded, flatten(p.request.Fixed)} {
		for _, id := range list {
			if err := p.known(id); err != nil {
				return PairPlan{}, err
			}
		}
	}
	if len(p.free) < 2 {
		return PairPlan{}, refuse(Invalid, "drivers", "take in more of them: "+p.reasons(), "only %d drivers are free to be paired", len(p.free))
	}
	var missing string
	if p.bands, missing = p.setup.covered(p.free); len(p.bands) == 0 {
		return PairPlan{}, refuse(Invalid, "bands", "measure all over the same range", "there is no band that every driver covers")
	}
	r, curve, err := p.match()
	if err != nil {
		return PairPlan{}, refuse(Invalid, "pairing", "correct the request", "%v", err)
	}
	p.fill(r, curve)
	if missing != "" {
		p.warn("Not every driver covers %s: these bands were left out.", missing)
	}
	p.cautions()
	plan := PairPlan{List: p.list, request: p.request, product: p.setup.Code}
	plan.request.Product, plan.request.Tolerance, plan.request.Weights = p.setup.Code, p.in.PairTolerance, p.in.Weights
	return plan, nil
}

func flatten(fixed [][2]string) []string {
	var out []string
	for _, f := range fixed {
		out = append(out, f[0], f[1])
	}
	return out
}

// known refuses an id that takes no part, with the reason; one excluded by hand does
// so on purpose.
func (p *pairs) known(id string) error {
	if p.at[id] != nil {
		return nil
	}
	for _, o := range p.out {
		if o.serial != id {
			continue
		}
		if slices.Contains(p.request.Excluded, id) && !slices.Contains(flatten(p.request.Fixed), id) {
			return nil
		}
		return refuse(Conflict, "fixed", "leave it out of the fixed pairs", "driver %s %s", id, o.why)
	}
	return refuse(Missing, "drivers", "check its spelling, or name its batch", "there is no driver %q among those to be paired", id)
}

func (p *pairs) reasons() string {
	count := map[string]int{}
	for _, o := range p.out {
		count[o.why]++
	}
	var parts []string
	for why, n := range count {
		parts = append(parts, fmt.Sprintf("%d: %s", n, why))
	}
	slices.Sort(parts)
	if len(parts) > 5 {
		parts = append(parts[:5], "…")
	}
	return strings.Join(parts, "; ")
}

func (p *pairs) warn(format string, args ...any) {
	p.list.Warnings = append(p.list.Warnings, fmt.Sprintf(format, args...))
}

func (p *pairs) unitsOf(drivers []Driver) []pairing.Unit {
	var out []pairing.Unit
	for _, d := range drivers {
		u := pairing.Unit{ID: d.Serial, Sensitivity: d.Sensitivity, Polarity: d.Polarity}
		for _, b := range p.bands {
			u.Levels = append(u.Levels, d.Levels[b])
		}
		out = append(out, u)
	}
	return out
}

func (p *pairs) measure() pairing.Measure {
	w := p.setup.weights(p.in)
	m := pairing.Measure{Sensitivity: p.in.SensitivityWeight}
	for _, b := range p.bands {
		m.Weights = append(m.Weights, w[b])
	}
	return m
}

// match solves for the tolerance asked for, and for others around it.
func (p *pairs) match() (pairing.Result, []pairing.Point, error) {
	table, err := pairing.Mismatches(p.unitsOf(p.free), p.measure())
	if err != nil {
		return pairing.Result{}, nil, err
	}
	o := pairing.Options{Tolerance: p.in.PairTolerance, Fixed: p.request.Fixed}
	solve := func(o pairing.Options) (pairing.Result, error) { return pairing.Match(table, o) }
	p.list.Form = "any with any"
	if len(p.request.Left) > 0 {
		p.list.Form = "left cups with right cups"
		left, right, cells := p.sides(table)
		solve = func(o pairing.Options) (pairing.Result, error) { return pairing.Assign(left, right, cells, o) }
	}
	r, err := solve(o)
	if err != nil {
		return r, nil, err
	}
	var points []pairing.Point
	for _, f := range []float64{0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.25, 1.5, 2} {
		if o.Tolerance = p.in.PairTolerance; f != 1 {
			o.Tolerance = math.Round(1e4*f*o.Tolerance) / 1e4
		}
		at, err := solve(o)
		if err != nil {
			return r, nil, err
		}
		points = append(points, pairing.Point{Tolerance: o.Tolerance, Pairs: len(at.Pairs), Total: at.Total, Worst: at.Worst})
	}
	return r, points, nil
}

// sides splits the table into rows of left and columns of right cups.
func (p *pairs) sides(t pairing.Table) (left, right []string, cells [][]float64) {
	var columns []int
	for i, d := range p.free {
		if slices.Contains(p.request.Right, d.Batch) {
			right, columns = append(right, t.IDs[i]), append(columns, i)
		}
	}
	for i, d := range p.free {
		if !slices.Contains(p.request.Left, d.Batch) {
			continue
		}
		var row []float64
		for _, j := range columns {
			row = append(row, t.Mismatch[i][j])
		}
		left, cells = append(left, t.IDs[i]), append(cells, row)
	}
	return left, right, cells
}

// fill writes the pick list, best pairs first.
func (p *pairs) fill(r pairing.Result, points []pairing.Point) {
	l := &p.list
	l.Site, l.Product, l.Zone, l.Tolerance = p.site.Name, title(p.setup.Product), p.zone, p.in.PairTolerance
	l.Total, l.Worst, l.Warnings = r.Total, r.Worst, r.Warnings
	slices.SortStableFunc(r.Pairs, func(a, b pairing.Pair) int { return cmp.Compare(a.Mismatch, b.Mismatch) })
	for i, x := range r.Pairs {
		// A fixed pair keeps the sides it was given with.
		if slices.Contains(p.request.Fixed, [2]string{x.B, x.A}) && len(p.request.Left) == 0 {
			x.A, x.B = x.B, x.A
		}
		a, b := p.at[x.A], p.at[x.B]
		l.Pairs = append(l.Pairs, reports.PickPair{
			Rank: i + 1, Left: x.A, Right: x.B, LeftBatch: a.Batch, RightBatch: b.Batch, Mismatch: x.Mismatch,
			Predicted: a.Sensitivity - b.Sensitivity, Built: math.NaN(),
			Fixed: slices.ContainsFunc(p.request.Fixed, func(f [2]string) bool { return f[0] == x.A || f[1] == x.A }),
		})
	}
	for _, id := range r.Unpaired {
		why := "no partner is left within the tolerance"
		if slices.Contains(r.Alone, id) {
			why = "nobody is within the tolerance"
		}
		l.Unpaired = append(l.Unpaired, reports.PickLone{Serial: id, Batch: p.at[id].Batch, Why: why})
	}
	for _, o := range p.out {
		l.Unpaired = append(l.Unpaired, reports.PickLone{Serial: o.serial, Batch: o.batch, Why: o.why, Apart: true})
	}
	for _, t := range points {
		l.TradeOff = append(l.TradeOff, reports.TradePoint(t))
	}
	l.Facts = append(l.Facts,
		reports.Fact{Name: "drivers free to be paired", Value: fmt.Sprint(len(p.free))},
		reports.Fact{Name: "mismatch", Value: "root of the weighted mean square difference of the band levels, not anchored, so that sensitivity is in it; two of opposite polarity are not paired unless fixed"},
		reports.Fact{Name: "rule", Value: "most pairs within the tolerance, and of those choices the least total mismatch, exactly"})
}

// cautions are what a reader of the list has to know.
func (p *pairs) cautions() {
	unknown, turned := 0, 0
	for _, d := range p.free {
		if d.Polarity == 0 {
			unknown++
		}
		if d.Polarity < 0 {
			turned++
		}
	}
	if unknown > 0 {
		p.warn("Polarity was not checked for %d of %d drivers: their takes hold no phase that could tell.", unknown, len(p.free))
	}
	if turned > 0 {
		p.warn("%d drivers are of opposite polarity; they were paired among themselves only.", turned)
	}
}
