package line

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
)

// mostRows is how many checks a plan holds, by far.
const mostRows = 200

// A PlanDetail is a product's action plan with its versions and with what its checks can
// be for.
type PlanDetail struct {
	Setup    *Setup
	Zone     *time.Location
	Rows     []PlanRow // in force, cheapest first; those of every product where it has none
	General  bool      // the product has no plan of its own
	Versions []PlanVersion
	Choices  []PlanChoice
}

// A PlanVersion is one version of the plan, newest first.
type PlanVersion struct {
	Version   int
	Rows      []PlanRow
	Reason    string
	Author    string
	CreatedAt time.Time
}

// A PlanChoice is what a check can be for: a known fault, a kind of part, or something of
// the record, with the check that is made for it when the plan has none.
type PlanChoice struct {
	Key, Words string
	Fault      bool
	Check      string
	Minutes    float64
}

// ParsePlan reads an action plan: a JSON list of rows.
func ParsePlan(data []byte) ([]PlanRow, error) {
	var rows []PlanRow
	if err := strict(data, &rows); err != nil {
		return nil, err
	}
	return rows, nil
}

// ActionPlan returns a product's action plan.
func (l *Line) ActionPlan(ctx context.Context, product string) (PlanDetail, error) {
	var d PlanDetail
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		if d.Setup, err = l.setup(ctx, s, product); err != nil {
			return err
		}
		if d.Zone, err = zoneOf(ctx, s); err != nil {
			return err
		}
		row, err := s.Product(ctx, d.Setup.Code)
		if err != nil {
			return err
		}
		file, err := made(row)
		if err != nil {
			return err
		}
		if len(file.Plan) > 0 {
			d.Versions = append(d.Versions, PlanVersion{Version: 1, Rows: byMinutes(file.Plan), Reason: "first version, with the product", CreatedAt: row.CreatedAt.In(d.Zone)})
		}
		rows, err := s.ActionPlans(ctx, d.Setup.Code)
		if err != nil {
			return err
		}
		for _, r := range rows {
			v := PlanVersion{Version: r.Version, Reason: r.Reason, Author: r.Author, CreatedAt: r.CreatedAt.In(d.Zone)}
			if err := json.Unmarshal(r.Definition, &v.Rows); err != nil {
				return fmt.Errorf("stored action plan %d of %s: %w", r.Version, r.Product, err)
			}
			d.Versions = append(d.Versions, v)
		}
		slices.Reverse(d.Versions)
		if d.Rows = byMinutes(d.Setup.Plan); len(d.Rows) == 0 {
			d.Rows, d.General = byMinutes(always()), true
		}
		d.Choices, err = d.Setup.planChoices(ctx, s)
		return err
	})
	return d, err
}

// planChoices lists what a check can be for.
func (s *Setup) planChoices(ctx context.Context, q store.Site) ([]PlanChoice, error) {
	var out []PlanChoice
	for _, g := range s.Signatures {
		out = append(out, PlanChoice{Key: g.Key, Words: g.Words, Fault: true, Check: g.Check, Minutes: atTheBench})
	}
	if s.pair() {
		out = append(out,
			PlanChoice{Key: Swapped, Words: "left and right are exchanged", Check: "Look at connectors, plug and the wires of both cups.", Minutes: atTheBench},
			PlanChoice{Key: Reversed, Words: "a channel is reversed", Check: "Look at the wiring of the driver, plus to plus.", Minutes: atTheBench})
	}
	kinds := s.partKinds()
	if len(kinds) == 0 {
		parts, err := q.PartsOfProduct(ctx, s.Code)
		if err != nil {
			return nil, err
		}
		for _, p := range parts {
			if !slices.Contains(kinds, p.Kind) {
				kinds = append(kinds, p.Kind)
			}
		}
		slices.Sort(kinds)
	}
	for _, k := range kinds {
		out = append(out, PlanChoice{Key: k, Words: "a part: " + k, Check: fmt.Sprintf("Build one unit with the %s batch before the change, and measure it.", k), Minutes: byBuilding})
	}
	for _, k := range []struct{ key, check string }{
		{"operator", "Have both operators each seat and measure the same unit."},
		{"station", "Measure the same unit on both stations."},
		{"day", "Ask what was set up, repaired or opened anew on that day."},
	} {
		out = append(out, PlanChoice{Key: k.key, Words: "another " + k.key, Check: k.check, Minutes: atTheRig})
	}
	return out, nil
}

func byMinutes(rows []PlanRow) []PlanRow {
	out := slices.Clone(rows)
	slices.SortStableFunc(out, func(x, y PlanRow) int { return cmp.Compare(x.Minutes, y.Minutes) })
	return out
}

// PutPlan puts an action plan in force, cheapest check first. An empty one gives way to
// the general plan. Findings that are closed and reports of decided lots keep the checks
// that they had.
func (l *Line) PutPlan(ctx context.Context, by By, product string, rows []PlanRow, reason string) (version int, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, err
	}
	if err := reasoned(by, reason, "say why the plan changes", "an action plan"); err != nil {
		return 0, err
	}
	rows = slices.Clone(rows)
	for i := range rows {
		rows[i].Check = strings.TrimSpace(rows[i].Check)
	}
	if err := checkPlan(rows); err != nil {
		return 0, refuse(Invalid, "plan", "give each row a sentence and its minutes", "%v", err)
	}
	if len(rows) > mostRows {
		return 0, refuse(Invalid, "plan", "keep the checks that are worth their time", "%d checks are more than anyone works through", len(rows))
	}
	rows = byMinutes(rows)
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		row, err := s.Product(ctx, setup.Code)
		if err != nil {
			return err
		}
		file, err := made(row)
		if err != nil {
			return err
		}
		if setup, err = l.setup(ctx, s, setup.Code); err != nil {
			return err
		}
		choices, err := setup.planChoices(ctx, s)
		if err != nil {
			return err
		}
		if err := chosen(rows, choices); err != nil {
			return err
		}
		definition, err := json.Marshal(append([]PlanRow{}, rows...))
		if err != nil {
			return err
		}
		version, err = s.AddActionPlan(ctx, store.ActionPlanRow{
			Product: setup.Code, Definition: definition, Reason: reason, Author: by.Actor, CreatedAt: l.now(),
		}, 1+min(1, len(file.Plan)))
		if err != nil {
			return err
		}
		return l.journal(ctx, s, by, "set action plan", setup.Code, reason, map[string]any{"version": version, "definition": json.RawMessage(definition)})
	})
	return version, err
}

// chosen refuses checks for what the product does not have.
func chosen(rows []PlanRow, choices []PlanChoice) error {
	var keys []string
	for _, c := range choices {
		keys = append(keys, c.Key)
	}
	for i, r := range rows {
		for _, k := range r.For {
			if !slices.Contains(keys, k) {
				return refuse(Invalid, "for", "use "+strings.Join(keys, ", ")+", or nothing for always", "check %d, %q, is for %q, which is no known fault and no kind of part", i+1, r.Check, k)
			}
		}
	}
	return nil
}

// PlanFor is what a finding that looks like one fault would list by a plan.
func (s *Setup) PlanFor(rows []PlanRow, fault string) []PlanRow {
	var likely []Cause
	for _, g := range s.Signatures {
		if g.Key == fault {
			likely = append(likely, Cause{Key: g.Key, Check: g.Check})
		}
	}
	return planFor(rows, likely, nil)
}
