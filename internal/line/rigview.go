package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
)

// rig says how the rigs of a lot were checked, for its report.
func (g *gathering) rig(ctx context.Context, s store.Site) error {
	by, as := map[string]int{}, map[string]int{}
	unchecked := 0
	for _, u := range g.units {
		for _, a := range g.attempts[u.Serial] {
			v, err := storedVerdict(a)
			if err != nil {
				return err
			}
			if v != nil && v.ReadAs != nil && v.Word != envelope.Hold {
				as[v.ReadAs.Text()]++
			}
			switch {
			case v == nil || v.Word == envelope.Hold:
			case v.Rig == "":
				unchecked++
			default:
				by[v.Rig]++
			}
		}
	}
	if unchecked > 0 {
		g.rigs = append(g.rigs, fmt.Sprintf("rig not checked for %d attempts: no rig policy was in force, so that a drift of the rig reads as one of the product", unchecked))
	}
	for _, text := range slices.Sorted(maps.Keys(by)) {
		g.rigs = append(g.rigs, fmt.Sprintf("%d attempts on %s", by[text], text))
	}
	for _, text := range slices.Sorted(maps.Keys(as)) {
		g.rigs = append(g.rigs, fmt.Sprintf("%s %s; takes are kept as measured", number(as[text], "attempt"), text))
	}
	if n := g.out.Counts.Hold; n > 0 {
		g.rigs = append(g.rigs, fmt.Sprintf("%d units on hold: nothing was passed or failed while the rig was not trusted", n))
	}
	seating, err := s.SeatingLimitAt(ctx, g.setup.Code, g.until())
	switch {
	case err == nil:
		g.seating = fmt.Sprintf("; how far they may differ comes from gauge study %s (version %d of %s by %s: %s)", seating.Study, seating.Version, seating.CreatedAt.In(g.zone).Format("2006-01-02 15:04 -07:00"), seating.Author, seating.Reason)
	case !errors.Is(err, store.ErrNotFound):
		return err
	case len(g.setup.SeatingSpread) > 0:
		g.seating = "; how far they may differ stands in the product's definition"
	}
	return g.policy(ctx, s)
}

// policy names the rig policy in force.
func (g *gathering) policy(ctx context.Context, s store.Site) error {
	rows, err := s.Policies(ctx, g.setup.Code)
	if err != nil {
		return err
	}
	rows = slices.DeleteFunc(rows, func(r store.PolicyRow) bool { return r.CreatedAt.After(g.until()) })
	if len(rows) == 0 {
		return nil
	}
	last := rows[len(rows)-1]
	p, err := policyOf(store.Route{Version: last.Version, Policy: last.Definition})
	if err != nil || p == nil {
		return err
	}
	g.checked = true
	when := "now"
	if g.pin != nil {
		when = "when the lot was decided"
	}
	g.rigs = append(g.rigs, fmt.Sprintf("policy version %d in force %s: a check of a reference unit counts for %s", last.Version, when, hoursText(p.valid())))
	return nil
}

// A RigState says whether a rig is trusted now, and everything a person needs to make
// it so.
type RigState struct {
	Rig      string
	Trusted  bool
	Checked  bool   // a policy is in force
	Sentence string // why, and until when or what to do
	Until    time.Time
	Last     *CheckView
	Held     []HeldUnit // on hold on this rig, in the order of measurement
	Notes    []string   // whole sentences: calibration due, surroundings out of bounds, drift of the reference unit
}

// A HeldUnit is a unit on hold.
type HeldUnit struct {
	Serial     string
	Attempt    int
	MeasuredAt time.Time
	Sentence   string // why, as things stand now
}

// A CheckView is a judged visit of a reference unit.
type CheckView struct {
	Serial   string
	Number   int
	At       time.Time
	Operator string
	Passed   bool
	Sentence string
}

// Trust is the state of all rigs of a product.
type Trust struct {
	Product    string
	Policy     *RigPolicy // nil when rigs are not checked
	Version    int
	Rigs       []RigState
	References []store.ReferenceRow
	Zone       *time.Location
}

// RigTrust returns whether the rigs of a product are trusted now.
func (l *Line) RigTrust(ctx context.Context, product string) (Trust, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return Trust{}, err
	}
	out := Trust{Product: setup.Code}
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		route, err := s.Route(ctx, setup.Code, "", "")
		if err != nil {
			return err
		}
		out.Version = route.Version
		if out.Policy, err = policyOf(route); err != nil {
			return err
		}
		row, err := s.Row(ctx)
		if err != nil {
			return err
		}
		if out.Zone, err = time.LoadLocation(row.Zone); err != nil {
			return err
		}
		if out.References, err = s.References(ctx, setup.Code); err != nil {
			return err
		}
		held, err := s.OnHold(ctx, setup.Code)
		if err != nil {
			return err
		}
		rigs, err := s.Rigs(ctx, setup.Code)
		if err != nil {
			return err
		}
		for _, rig := range rigs {
			state, err := l.rigState(ctx, s, setup, &out, rig, held)
			if err != nil {
				return err
			}
			out.Rigs = append(out.Rigs, state)
		}
		return nil
	})
	return out, err
}

func (l *Line) rigState(ctx context.Context, s store.Site, setup *Setup, t *Trust, rig string, held []store.RigAttempt) (RigState, error) {
	out := RigState{Rig: rig}
	now := l.now()
	if t.Policy == nil {
		out.Sentence = "not checked: no rig policy is in force for " + setup.Code
	} else {
		j, err := l.trustIn(ctx, s, setup, *t.Policy, t.Version, rig, now)
		if err != nil {
			return out, err
		}
		out.Checked, out.Trusted = true, j.trust.good
		if j.trust.good {
			out.Until = j.trust.about.At.Add(t.Policy.valid())
		}
		out.Sentence = j.state()
	}
	for _, a := range held {
		if a.Station != rig {
			continue
		}
		h := HeldUnit{Serial: a.Serial, Attempt: a.Number, MeasuredAt: a.MeasuredAt}
		if t.Policy != nil {
			j, err := l.trustIn(ctx, s, setup, *t.Policy, t.Version, rig, a.MeasuredAt)
			if err != nil {
				return out, err
			}
			h.Sentence = j.why() + "; " + j.remedy()
		}
		out.Held = append(out.Held, h)
	}
	if err := l.lastCheck(ctx, s, t, rig, &out); err != nil {
		return out, err
	}
	return out, l.rigNotes(ctx, s, t, rig, now, &out)
}

// rigsNow says of the rigs that measured the units from a place on whether they are
// trusted now.
func (l *Line) rigsNow(ctx context.Context, s store.Site, setup *Setup, from int64) ([]RigNow, error) {
	route, err := s.Route(ctx, setup.Code, "", "")
	if err != nil {
		return nil, err
	}
	policy, err := policyOf(route)
	if err != nil || policy == nil {
		return nil, err
	}
	units, err := s.FirstAttempts(ctx, setup.Code, from, math.MaxInt64)
	if err != nil {
		return nil, err
	}
	var out []RigNow
	seen := map[string]bool{}
	for _, u := range units {
		if seen[u.Station] {
			continue
		}
		seen[u.Station] = true
		j, err := l.trustIn(ctx, s, setup, *policy, route.Version, u.Station, l.now())
		if err != nil {
			return nil, err
		}
		out = append(out, RigNow{rigName(u.Station), j.trust.good, j.state()})
	}
	return out, nil
}

// state says whether the rig is trusted now, and until when, or why not and what to do.
func (j *judgeRig) state() string {
	switch {
	case j.trust.good:
		return fmt.Sprintf("trusted: reference unit %s passed at %s, which counts until %s", j.trust.about.Serial, j.when(j.trust.about.At), j.when(j.trust.about.At.Add(j.policy.valid())))
	case j.reference() == "":
		return "not trusted: " + j.why() + "; " + j.remedy()
	}
	return "not trusted: " + strings.Replace(j.why(), "before this unit ", "ago ", 1) + "; measure reference unit " + j.reference()
}

// lastCheck finds the last judged check on a rig by any reference unit.
func (l *Line) lastCheck(ctx context.Context, s store.Site, t *Trust, rig string, out *RigState) error {
	for _, u := range t.References {
		rows, err := s.Visits(ctx, u.Serial, rig, 20)
		if err != nil {
			return err
		}
		for _, v := range rows {
			if v.Passed == nil || out.Last != nil && v.MeasuredAt.Before(out.Last.At) {
				continue
			}
			view, err := checkView(v)
			if err != nil {
				return err
			}
			out.Last = &view
		}
	}
	return nil
}

func checkView(v store.VisitRow) (CheckView, error) {
	c := CheckView{Serial: v.Serial, Number: v.Number, At: v.MeasuredAt, Operator: v.Operator, Passed: v.Passed != nil && *v.Passed}
	if v.Judgement == nil {
		return c, nil
	}
	var d checkDetail
	if err := json.Unmarshal(v.Judgement, &d); err != nil {
		return c, fmt.Errorf("stored check %d of %s: %w", v.Number, v.Serial, err)
	}
	c.Sentence = d.Sentence
	return c, nil
}

// rigNotes warns of a calibration that is due, surroundings out of bounds, and a
// missing spare.
func (l *Line) rigNotes(ctx context.Context, s store.Site, t *Trust, rig string, now time.Time, out *RigState) error {
	rows, err := s.EntriesOf(ctx, rig, 500)
	if err != nil {
		return err
	}
	due := map[string]time.Time{}
	var ambient *store.EntryRow
	for i, e := range rows {
		switch {
		case e.Kind == "calibration" && e.Due != nil:
			due[e.Subject] = *e.Due
		case e.Kind == "calibration":
			delete(due, e.Subject)
		case e.Kind == "ambient":
			ambient = &rows[i]
		}
	}
	for _, what := range slices.Sorted(maps.Keys(due)) {
		if now.After(due[what].AddDate(0, 0, 1)) {
			out.Notes = append(out.Notes, fmt.Sprintf("Calibration of %s was due on %s.", what, due[what].Format(time.DateOnly)))
		}
	}
	if err := transferNotes(ctx, s, t, rig, out); err != nil {
		return err
	}
	if t.Policy == nil {
		return nil
	}
	if a := t.Policy.Ambient; a != nil && ambient != nil {
		out.Notes = append(out.Notes, a.notes(*ambient)...)
	}
	if len(t.References) > 0 && !slices.ContainsFunc(t.References, func(r store.ReferenceRow) bool { return r.State == Spare }) {
		out.Notes = append(out.Notes, "There is no spare reference unit: when the one in use changes, nothing tells it from the rig.")
	}
	return nil
}

// notes holds what was read around a rig against its bounds.
func (a Ambient) notes(e store.EntryRow) []string {
	var out []string
	add := func(v *float64, low, high float64, name, unit string) {
		if v != nil && (low != 0 || high != 0) && !(*v >= low && *v <= high) {
			out = append(out, fmt.Sprintf("%s was %g %s at %s, outside %g to %g %s.", name, *v, unit, e.At.UTC().Format("2006-01-02 15:04 UTC"), low, high, unit))
		}
	}
	add(e.Temperature, a.Temperature[0], a.Temperature[1], "Temperature", "°C")
	add(e.Humidity, a.Humidity[0], a.Humidity[1], "Humidity", "%")
	if a.Noise > 0 {
		add(e.Noise, math.Inf(-1), a.Noise, "Noise", "dB(A)")
	}
	return out
}
