package line

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"
	"alike/spc/sampling"
)

// A SamplingWish says what a product's sampling plans must do, or gives a plan out of a
// published table.
type SamplingWish struct {
	Good         float64 `json:"good"`          // fraction defective that is to be accepted …
	ProducerRisk float64 `json:"producer_risk"` // … but with this chance
	Bad          float64 `json:"bad"`           // fraction defective that is to be refused …
	ConsumerRisk float64 `json:"consumer_risk"` // … but with this chance
	// Sample and Accept, when given, are the plan for normal inspection, of whatever
	// origin; the risks at Good and Bad are then computed, not kept.
	Sample int `json:"sample,omitempty"`
	Accept int `json:"accept,omitempty"`
	// Reduced lets the plan become smaller after a long good history.
	Reduced bool `json:"reduced,omitempty"`
}

func (w SamplingWish) wish() sampling.Wish {
	return sampling.Wish{Good: w.Good, ProducerRisk: w.ProducerRisk, Bad: w.Bad, ConsumerRisk: w.ConsumerRisk}
}

func (w SamplingWish) check() error {
	switch {
	case !(w.Good >= 0 && w.Good < w.Bad && w.Bad <= 1):
		return fmt.Errorf("good %v and bad %v: give fractions from 0 to 1, good below bad", w.Good, w.Bad)
	case !(w.ProducerRisk > 0 && w.ProducerRisk < 1 && w.ConsumerRisk > 0 && w.ConsumerRisk < 1):
		return fmt.Errorf("producer_risk %v and consumer_risk %v: give chances between 0 and 1, such as 0.05 and 0.1", w.ProducerRisk, w.ConsumerRisk)
	case w.Sample < 0 || w.Accept < 0 || w.Sample == 0 && w.Accept > 0 || w.Sample > 0 && w.Accept >= w.Sample:
		return fmt.Errorf("sample %d and accept %d: give a sample from 1 and an acceptance number below it, or neither", w.Sample, w.Accept)
	}
	return nil
}

// A plan is what a draw was made by, as it is stored.
type plan struct {
	Severity     sampling.Severity `json:"severity"`
	Why          string            `json:"why"` // the severity
	Lot          int               `json:"lot"`
	Sample       int               `json:"sample"`
	Accept       int               `json:"accept"`
	Good         float64           `json:"good"`
	Bad          float64           `json:"bad"`
	ProducerRisk float64           `json:"producer_risk"` // achieved
	ConsumerRisk float64           `json:"consumer_risk"`
	WishProducer float64           `json:"wish_producer_risk"`
	WishConsumer float64           `json:"wish_consumer_risk"`
	Notes        []string          `json:"notes"`
}

// A Pull asks for units to inspect.
type Pull struct {
	Product string   // of a lot that is not there yet; may be empty with a single product
	Units   []string // serials of the whole lot
	Reason  string
	seed    *[32]byte // given by tests only
}

// A Drawn is what PullUnits drew.
type Drawn struct {
	Draw   int
	Plan   reports.Sampling
	Why    string // the severity
	Pulled []string
}

// PullUnits finds the plan for a lot of the given units by the product's wish and its
// history, and draws which of them are to be inspected: the program chooses, by a seed
// from the system's random source that the journal keeps. A lot has one draw; another
// one needs a reason and counts as a lot submitted again.
func (l *Line) PullUnits(ctx context.Context, by By, lot string, p Pull) (Drawn, error) {
	var out Drawn
	units, err := distinct(lot, p.Units)
	if err != nil {
		return out, err
	}
	var seed [32]byte
	if _, err := rand.Read(seed[:]); err != nil {
		return out, err
	}
	if p.seed != nil {
		seed = *p.seed
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		setup, err := l.lotSetup(ctx, s, by, lot, p.Product)
		if err != nil {
			return err
		}
		if setup.Sampling == nil {
			return refuse(Conflict, "lot", `inspect all of it, or give the product a "sampling" of its own`, "product %s has no sampling plan: every unit of lot %s is inspected", setup.Code, lot)
		}
		if err := mayDraw(ctx, s, lot, units, p.Reason); err != nil {
			return err
		}
		standing, err := l.standing(ctx, s, setup, lot)
		if err != nil {
			return err
		}
		if standing.Stopped {
			return refuse(Conflict, "lot", "mend the process, and inspect all units of this lot", "inspection of product %s has stopped: %s", setup.Code, standing.Why)
		}
		pl, err := setup.Sampling.plan(len(units), standing)
		if err != nil {
			return refuse(Invalid, "sampling", "change the product's sampling or the lot's size", "lot %s: %v", lot, err)
		}
		out, err = l.draw(ctx, s, by, lot, pl, units, seed, p.Reason)
		return err
	})
	return out, err
}

// SampledProducts lists the codes of the products that have a sampling plan.
func (l *Line) SampledProducts(ctx context.Context) ([]string, error) {
	rows, err := l.db.Site(l.site).Products(ctx)
	var out []string
	for _, r := range rows {
		var p Product
		if err := json.Unmarshal(r.Definition, &p); err != nil {
			return nil, fmt.Errorf("stored definition of product %s: %w", r.Product, err)
		}
		if p.Sampling != nil {
			out = append(out, r.Product)
		}
	}
	return out, err
}

// distinct sorts the serials and refuses an empty or doubled one.
func distinct(lot string, units []string) ([]string, error) {
	units = slices.Sorted(slices.Values(units))
	if len(units) == 0 {
		return nil, refuse(Invalid, "units", "give the serials of the whole lot, one in each line", "no unit of lot %s is named", lot)
	}
	for i, u := range units {
		if strings.TrimSpace(u) == "" {
			return nil, refuse(Invalid, "units", "give a serial in each line", "a unit of lot %s has an empty serial", lot)
		}
		if i > 0 && u == units[i-1] {
			return nil, refuse(Invalid, "units", "name every unit once", "unit %s is named twice", u)
		}
	}
	return units, nil
}

// lotSetup returns the product of a lot, which is opened when it is not there yet.
func (l *Line) lotSetup(ctx context.Context, s store.Site, by By, lot, product string) (*Setup, error) {
	row, err := s.Lot(ctx, lot)
	switch {
	case err == nil && product != "" && product != row.Product:
		return nil, refuse(Conflict, "product", "correct the lot or the product", "lot %s belongs to product %s, not %s", lot, row.Product, product)
	case err == nil:
		product = row.Product
	case !errors.Is(err, store.ErrNotFound):
		return nil, err
	}
	setup, err := l.setup(ctx, s, product)
	if err != nil {
		return nil, err
	}
	if _, err := s.LockProduct(ctx, setup.Code); err != nil {
		return nil, err
	}
	if _, err := s.AddLot(ctx, lot, setup.Code, l.now()); err != nil {
		return nil, err
	}
	return setup, nil
}

// mayDraw refuses a draw of a lot that is not open, that leaves out units known of the
// lot, that takes units of other lots, or that comes after the measuring.
func mayDraw(ctx context.Context, s store.Site, lot string, units []string, reason string) error {
	st, err := s.LotState(ctx, lot)
	if err != nil {
		return err
	}
	if st.State != LotOpen {
		return refuse(Conflict, "lot", "re-open it with its reason: alike lot reopen "+lot, "lot %s is %s", lot, st.State)
	}
	before, err := s.Draws(ctx, lot)
	if err != nil {
		return err
	}
	if len(before) > 0 && strings.TrimSpace(reason) == "" {
		return refuse(Conflict, "reason", "inspect the units drawn, or say why the lot is submitted again", "units of lot %s were drawn already: a new draw until one pleases is none", lot)
	}
	known, err := s.UnitsOfLot(ctx, lot)
	if err != nil {
		return err
	}
	measured := 0
	for _, u := range known {
		if !slices.Contains(units, u.Serial) {
			return refuse(Conflict, "units", "name all units of the lot: who leaves some out chooses", "unit %s belongs to lot %s and is not named", u.Serial, lot)
		}
		if u.Place != nil {
			measured++
		}
	}
	if len(before) == 0 && measured > 0 {
		return refuse(Conflict, "lot", "draw before measuring, or inspect all", "%d units of lot %s are measured already: a draw after the fact proves nothing", measured, lot)
	}
	for _, serial := range units {
		u, err := s.Unit(ctx, serial)
		if err == nil && u.Lot != lot {
			return refuse(Conflict, "units", "correct the list", "unit %s belongs to lot %s, not %s", serial, u.Lot, lot)
		} else if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
	}
	return nil
}

// plan finds the plan for a lot under the severity that its history gives.
func (w SamplingWish) plan(lot int, st sampling.Regime) (plan, error) {
	p := plan{Severity: st.Severity, Why: st.Why, Lot: lot, Good: w.Good, Bad: w.Bad, WishProducer: w.ProducerRisk, WishConsumer: w.ConsumerRisk, Notes: []string{}}
	normal := sampling.Plan{Sample: min(w.Sample, lot), Accept: w.Accept}
	if w.Sample == 0 {
		f, err := sampling.FindLot(lot, w.wish())
		if err != nil {
			return p, err
		}
		normal, p.Notes = f.Plan, append(p.Notes, f.Warnings...)
	} else if w.Sample > lot {
		p.Notes = append(p.Notes, fmt.Sprintf("The plan asks for %d units, the lot has %d: all are inspected.", w.Sample, lot))
	}
	chosen := normal.Under(st.Severity, lot, w.wish())
	if st.Severity != sampling.Normal {
		p.Notes = append(p.Notes, fmt.Sprintf("Inspection is %s: %s. Under normal inspection the plan would be %d of %d, accept at most %d.", st.Severity, st.Why, normal.Sample, lot, normal.Accept))
	}
	var err error
	p.Sample, p.Accept = chosen.Sample, chosen.Accept
	p.ProducerRisk, p.ConsumerRisk, err = chosen.RisksLot(lot, w.wish())
	return p, err
}

// draw draws the units and stores that.
func (l *Line) draw(ctx context.Context, s store.Site, by By, lot string, p plan, units []string, seed [32]byte, reason string) (Drawn, error) {
	out := Drawn{Why: p.Why}
	at, err := sampling.Pull(seed, len(units), p.Sample)
	if err != nil {
		return out, err
	}
	for _, i := range at {
		out.Pulled = append(out.Pulled, units[i])
	}
	raw, err := json.Marshal(p)
	if err != nil {
		return out, err
	}
	row := store.DrawRow{Lot: lot, Plan: raw, Seed: hex.EncodeToString(seed[:]), Units: units, Pulled: out.Pulled, Reason: reason, Actor: by.Actor, At: l.now()}
	if out.Draw, err = s.AddDraw(ctx, row); err != nil {
		return out, err
	}
	if out.Plan, err = samplingOf(row, nil); err != nil {
		return out, err
	}
	return out, l.journal(ctx, s, by, "draw units", lot, reason, map[string]any{
		"draw": out.Draw, "plan": p, "seed": row.Seed, "from": len(units), "pulled": out.Pulled,
	})
}

// standing goes through the product's lots that were inspected by a plan, other than
// the one given. A lot that was not inspected to its end does not count yet.
func (l *Line) standing(ctx context.Context, s store.Site, setup *Setup, but string) (sampling.Regime, error) {
	draws, err := s.DrawsOfProduct(ctx, setup.Code)
	if err != nil {
		return sampling.Regime{}, err
	}
	var history []sampling.Inspection
	for _, d := range draws {
		if d.Lot == but {
			continue
		}
		verdicts, err := s.DecisiveVerdicts(ctx, d.Pulled)
		if err != nil {
			return sampling.Regime{}, err
		}
		r, err := samplingOf(d, verdicts)
		if err != nil {
			return sampling.Regime{}, err
		}
		if r.Result != NotComplete {
			history = append(history, sampling.Inspection{
				Severity: sampling.Severity(r.Severity), Accept: r.Accept, Accepted: r.Result == Accept, Tighter: r.Defective < r.Accept,
			})
		}
	}
	return sampling.Next(history, sampling.Line{Steady: true, WantReduced: setup.Sampling.Reduced}), nil
}

// samplingOf turns a draw and the verdicts of the units drawn into what a report says.
// A lot is refused as soon as there are more defectives than allowed, and accepted once
// all units drawn are judged.
func samplingOf(d store.DrawRow, verdicts map[string]string) (reports.Sampling, error) {
	var p plan
	if err := json.Unmarshal(d.Plan, &p); err != nil {
		return reports.Sampling{}, fmt.Errorf("stored draw %d of lot %s: %w", d.Draw, d.Lot, err)
	}
	out := reports.Sampling{
		Method: "plan", Severity: string(p.Severity), LotSize: p.Lot, Sample: p.Sample, Accept: p.Accept, Good: p.Good, Bad: p.Bad,
		ProducerRisk: p.ProducerRisk, ConsumerRisk: p.ConsumerRisk, WishProducer: p.WishProducer, WishConsumer: p.WishConsumer,
		Seed: d.Seed, DrawnAt: d.At, Notes: p.Notes,
	}
	for _, serial := range d.Pulled {
		v := verdicts[serial]
		if v == "" || v == string(envelope.Hold) || v == string(envelope.Reseat) {
			if v == "" {
				v = Waiting
			}
		} else {
			out.Inspected++
			if v != string(envelope.Pass) {
				out.Defective++
			}
		}
		out.Pulled = append(out.Pulled, reports.Pulled{Serial: serial, Verdict: v})
	}
	switch {
	case out.Defective > p.Accept:
		out.Result = Refuse
	case out.Inspected < p.Sample:
		out.Result = NotComplete
	default:
		out.Result = Accept
	}
	c, err := sampling.Plan{Sample: p.Sample, Accept: p.Accept}.LotCurve(p.Lot)
	if err != nil {
		return out, fmt.Errorf("stored draw %d of lot %s: %w", d.Draw, d.Lot, err)
	}
	for _, pt := range c.Points {
		out.Curve = append(out.Curve, reports.OCPoint{Defective: pt.Defective, Fraction: pt.Fraction, Accept: pt.Accept})
	}
	out.CurveName = fmt.Sprintf("%d of %d, accept at most %d", p.Sample, p.Lot, p.Accept)
	return out, nil
}

// sampling fills the report's part on sampling: the newest draw, or all units. A verdict
// of reseat or hold at the first attempt is none yet; then the first one that is counts.
func (g *gathering) sampling(ctx context.Context, s store.Site) error {
	draws, err := s.Draws(ctx, g.lot.Lot)
	if err != nil {
		return err
	}
	nan := math.NaN()
	if len(draws) == 0 {
		c := g.out.Counts
		o := reports.Sampling{Method: "inspect all", LotSize: c.Units, Sample: c.Units, Good: nan, Bad: nan, ProducerRisk: nan, ConsumerRisk: nan, WishProducer: nan, WishConsumer: nan,
			Inspected: c.Pass + c.Fail + c.Doubtful, Defective: c.Fail + c.Doubtful, Result: Accept,
			Notes: []string{"Every unit of the lot is inspected: none goes out that was not measured, and no sampling risk is left. Units that do not pass stay behind."}}
		if o.Inspected < o.Sample || c.Units == 0 {
			o.Result = NotComplete
		}
		g.out.Sampling = o
		return nil
	}
	d := draws[len(draws)-1]
	g.out.Sampling, err = samplingOf(d, g.decisive())
	g.out.Sampling.DrawnAt = d.At.In(g.zone)
	if len(draws) > 1 {
		g.out.Sampling.Notes = append(g.out.Sampling.Notes, fmt.Sprintf("This is draw %d: the lot was submitted again: %s", len(draws), d.Reason))
	}
	return err
}

// decisive returns each unit's first verdict that judges it.
func (g *gathering) decisive() map[string]string {
	out := map[string]string{}
	for serial, attempts := range g.attempts {
		for _, a := range attempts {
			if w := word(a); w != Waiting && w != string(envelope.Hold) && w != string(envelope.Reseat) {
				out[serial] = w
				break
			}
		}
	}
	return out
}

// SamplingText says in a sentence how the inspection of the lot ended.
func SamplingText(s reports.Sampling) string {
	switch {
	case s.Method != "plan" && s.Result == NotComplete:
		return fmt.Sprintf("%d of %d units are inspected.", s.Inspected, s.Sample)
	case s.Method != "plan":
		not := fmt.Sprintf("%d do not pass", s.Defective)
		switch s.Defective {
		case 0:
			not = "all of them pass"
		case 1:
			not = "1 does not pass"
		}
		return fmt.Sprintf("All %d units were inspected, %s.", s.Sample, not)
	case s.Result == Refuse:
		return fmt.Sprintf("The sampling plan refuses the lot: %d of %d units inspected are defective, %d are allowed.", s.Defective, s.Inspected, s.Accept)
	case s.Result == NotComplete:
		return fmt.Sprintf("%d of the %d units drawn are not inspected yet: %s.", s.Sample-s.Inspected, s.Sample, strings.Join(uninspected(s), ", "))
	}
	return fmt.Sprintf("The sampling plan accepts the lot: %d of %d units inspected are defective, %d are allowed.", s.Defective, s.Inspected, s.Accept)
}

func uninspected(s reports.Sampling) []string {
	var out []string
	for _, p := range s.Pulled {
		if v := p.Verdict; v == Waiting || v == string(envelope.Hold) || v == string(envelope.Reseat) {
			out = append(out, p.Serial)
		}
	}
	if len(out) > mostNamed {
		out = append(out[:mostNamed], fmt.Sprintf("and %d more", len(out)-mostNamed))
	}
	return out
}

// mostNamed is how many units a sentence names.
const mostNamed = 12
