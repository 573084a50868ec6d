package line

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
)

// rigDays says of every day on which a rig measured units of the lot how it was checked
// with a reference unit on that day.
func (g *gathering) rigDays(ctx context.Context, s store.Site) error {
	type key struct{ rig, day string }
	days := map[key]*reports.RigDay{}
	units, read := map[key]map[string]bool{}, map[key]map[string]bool{}
	var from, to time.Time
	for _, u := range g.units {
		for _, a := range g.attempts[u.Serial] {
			at := a.MeasuredAt.In(g.zone)
			k := key{a.Station, at.Format(time.DateOnly)}
			if days[k] == nil {
				days[k], units[k] = &reports.RigDay{Rig: a.Station, Day: k.day}, map[string]bool{}
				read[k] = map[string]bool{}
			}
			units[k][a.Serial] = true
			if v, err := storedVerdict(a); err == nil && v != nil && v.ReadAs != nil {
				read[k][v.ReadAs.Short()] = true
			}
			day := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, g.zone)
			if from.IsZero() || day.Before(from) {
				from = day
			}
			if end := day.AddDate(0, 0, 1); end.After(to) {
				to = end
			}
		}
	}
	if len(days) == 0 {
		return nil
	}
	checks, err := s.Checks(ctx, g.setup.Code, from, to, g.until())
	if err != nil {
		return err
	}
	first := map[key]time.Time{}
	for _, c := range checks {
		k := key{c.Rig, c.MeasuredAt.In(g.zone).Format(time.DateOnly)}
		d := days[k]
		if d == nil {
			continue
		}
		if d.Checks++; c.Passed {
			d.Passed++
		}
		if at := first[k]; at.IsZero() || c.MeasuredAt.Before(at) {
			first[k] = c.MeasuredAt
		}
	}
	for k, d := range days {
		d.Units = len(units[k])
		texts := []string{rigDayText(*d)}
		if n := g.before(k.rig, k.day, first[k]); n > 0 {
			texts = append(texts, fmt.Sprintf("%s measured before the first of them, at %s", number(n, "attempt"), first[k].In(g.zone).Format("15:04")))
		}
		d.Text = strings.Join(append(texts, slices.Sorted(maps.Keys(read[k]))...), "; ")
		g.out.RigDays = append(g.out.RigDays, *d)
	}
	slices.SortFunc(g.out.RigDays, func(a, b reports.RigDay) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Rig, b.Rig)) })
	return nil
}

// before counts the attempts of a day on a rig that were measured before a moment.
func (g *gathering) before(rig, day string, at time.Time) (n int) {
	for _, u := range g.units {
		for _, a := range g.attempts[u.Serial] {
			if a.Station == rig && a.MeasuredAt.In(g.zone).Format(time.DateOnly) == day && a.MeasuredAt.Before(at) {
				n++
			}
		}
	}
	return n
}

func rigDayText(d reports.RigDay) string {
	switch failed := d.Checks - d.Passed; {
	case d.Checks == 0:
		return "no reference unit was measured"
	case failed == 0:
		return number(d.Checks, "check") + " with a reference unit, passed"
	case failed == d.Checks:
		return number(d.Checks, "check") + " with a reference unit, failed"
	default:
		return fmt.Sprintf("%d checks with a reference unit, %d of them failed", d.Checks, failed)
	}
}

// questions are what a person has to answer before deciding, though nothing forbids to
// decide: findings that are open, and days on which nobody looked at the rig.
func (g *gathering) questions() []string {
	var out []string
	add := func(text string, args ...any) { out = append(out, fmt.Sprintf(text, args...)) }
	for _, t := range g.touching {
		switch {
		case t.state != Open:
		case t.kind == OneUnit:
			add("Finding %d is open: %s stands out alone. What was wrong with it?", t.number, t.first)
		case !t.shows():
			add("Finding %d is open: the line moved, first seen at %s, and the units of this lot do not show it. What ended it?", t.number, t.first)
		}
	}
	var unchecked, failed []string
	for _, d := range g.out.RigDays {
		name := d.Day
		if d.Rig != "" {
			name += " (" + d.Rig + ")"
		}
		if d.Checks == 0 {
			unchecked = append(unchecked, name)
		} else if d.Passed < d.Checks {
			failed = append(failed, name)
		}
	}
	if len(unchecked) > 0 && !g.checked {
		add("No reference unit was measured on %s: a drift of the rig would read as one of the product. How is it known that the rig was right?", strings.Join(firstFew(unchecked), ", "))
	}
	if len(failed) > 0 {
		add("A check of the rig failed on %s. What was done about it?", strings.Join(firstFew(failed), ", "))
	}
	return out
}

// openFindings says which findings of the line nobody has acted on though units of the
// lot show them.
func (g *gathering) openFindings() []string {
	var out []string
	for _, t := range g.touching {
		if t.state != Open || !t.shows() {
			continue
		}
		units := fmt.Sprintf("%d units of the lot show it", len(t.told))
		switch len(t.told) {
		case 0:
			units = "the lot as a whole shows it"
		case 1:
			units = t.told[0] + " shows it"
		}
		out = append(out, fmt.Sprintf("Finding %d is open and nobody has noted an action: the line moved, first seen at %s, and %s. What was done?", t.number, t.first, units))
	}
	return out
}
