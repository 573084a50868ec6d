package line

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
)

// Bounds of a weekly report.
const (
	MostWeeks  = 53
	UsualWeeks = 6
	// overdue is how long after its last unit a lot may stay undecided.
	overdue = 14 * 24 * time.Hour
)

// Weeks gathers the weekly report over all workshops of the database, or this one alone:
// whole weeks, the last of which holds the day given, or the newest measurement
// for the zero time. Batches of single drivers are left out: they have reports of their
// own.
func (l *Line) Weeks(ctx context.Context, all bool, until time.Time, weeks int, program string) (reports.Weeks, error) {
	if weeks < 1 || weeks > MostWeeks {
		return reports.Weeks{}, refuse(Invalid, "weeks", fmt.Sprintf("use 1 to %d", MostWeeks), "%d weeks are no span of a report", weeks)
	}
	sites, err := l.db.Sites(ctx)
	if err != nil {
		return reports.Weeks{}, err
	}
	if !all {
		sites = slices.DeleteFunc(sites, func(r store.SiteRow) bool { return r.Site != l.site })
	}
	if until.IsZero() {
		if until, err = l.newestOf(ctx, sites); err != nil {
			return reports.Weeks{}, err
		}
	}
	monday := until.AddDate(0, 0, -(int(until.Weekday())+6)%7)
	first := time.Date(monday.Year(), monday.Month(), monday.Day()-7*(weeks-1), 0, 0, 0, 0, time.UTC)
	g := weeksGathering{line: l, program: program, first: first, weeks: weeks}
	g.out.From, g.out.Until, g.out.Program = first, first.AddDate(0, 0, 7*weeks-1), "alike "+program
	for i := range weeks {
		g.out.Names = append(g.out.Names, weekName(first.AddDate(0, 0, 7*i)))
	}
	for _, row := range sites {
		g.out.Sites = append(g.out.Sites, row.Name)
		if err := g.site(ctx, row); err != nil {
			return g.out, fmt.Errorf("site %s: %w", row.Site, err)
		}
	}
	slices.SortStableFunc(g.eyes, func(a, b eye) int { return cmp.Compare(a.rank, b.rank) })
	for _, e := range g.eyes {
		g.out.Eyes = append(g.out.Eyes, e.Eye)
	}
	return g.out, nil
}

// newestOf returns the newest measurement of all sites in its own time, now without any.
func (l *Line) newestOf(ctx context.Context, sites []store.SiteRow) (time.Time, error) {
	var newest time.Time
	for _, row := range sites {
		at, err := l.db.Site(row.Site).NewestUnit(ctx)
		if errors.Is(err, store.ErrNotFound) {
			continue
		} else if err != nil {
			return newest, err
		}
		zone, err := time.LoadLocation(row.Zone)
		if err != nil {
			return newest, err
		}
		if at.After(newest) {
			newest = at.In(zone)
		}
	}
	if newest.IsZero() {
		newest = l.now()
	}
	return newest, nil
}

// weekName names a week after ISO 8601.
func weekName(monday time.Time) string {
	year, week := monday.ISOWeek()
	return fmt.Sprintf("%d week %d", year, week)
}

type weeksGathering struct {
	line    *Line
	program string
	first   time.Time // Monday of the first week, as if it were UTC
	weeks   int
	out     reports.Weeks
	eyes    []eye
}

// An eye is ranked: what was signed and does not hold comes first.
type eye struct {
	reports.Eye
	rank int
}

const (
	eyeSigned = iota
	eyeLine
	eyeYield
	eyeDecision
	eyeUndecided
	eyeRig
)

// A siteWeeks is one workshop on its way through weeksGathering.
type siteWeeks struct {
	*weeksGathering
	row          store.SiteRow
	zone         *time.Location
	from, before time.Time
	setups       map[string]*Setup // products of finished units
	rows         map[string]*reports.WeekRow
	order        []string
}

func (g *weeksGathering) site(ctx context.Context, row store.SiteRow) error {
	zone, err := time.LoadLocation(row.Zone)
	if err != nil {
		return err
	}
	local := func(day time.Time) time.Time {
		return time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, zone)
	}
	w := &siteWeeks{weeksGathering: g, row: row, zone: zone, from: local(g.first), before: local(g.first.AddDate(0, 0, 7*g.weeks)),
		setups: map[string]*Setup{}, rows: map[string]*reports.WeekRow{}}
	l := New(g.line.db, row.Site, g.line.now)
	var decided []string
	err = g.line.db.Snapshot(ctx, row.Site, func(s store.Site) error {
		products, err := s.Products(ctx)
		if err != nil {
			return err
		}
		for _, p := range products {
			setup, err := l.setup(ctx, s, p.Product)
			if err != nil {
				return err
			}
			if setup.Stage != StageDriver {
				w.setups[p.Product] = setup
			}
		}
		now := func(ctx context.Context, s store.Site) error { return w.findings(ctx, l, s) }
		for _, do := range []func(context.Context, store.Site) error{w.units, w.rigDays, now} {
			if err := do(ctx, s); err != nil {
				return err
			}
		}
		decided, err = w.lots(ctx, s)
		return err
	})
	if err != nil {
		return err
	}
	slices.SortFunc(w.order, func(a, b string) int {
		p, q := w.rows[a], w.rows[b]
		return cmp.Or(cmp.Compare(p.Product, q.Product), slices.Index(g.out.Names, p.Week)-slices.Index(g.out.Names, q.Week))
	})
	for _, key := range w.order {
		r := w.rows[key]
		g.out.Rows = append(g.out.Rows, *r)
		if r.First.Of > 0 && r.First.High < r.Asked {
			w.look(eyeYield, r.Product, "%s: only %d of %d units passed at first; the product asks for %.0f %%.", r.Week, r.First.Good, r.First.Of, 100*r.Asked)
		}
	}
	return w.signatures(ctx, l, decided)
}

// look notes what the licensor should see.
func (w *siteWeeks) look(rank int, about, text string, args ...any) {
	w.eyes = append(w.eyes, eye{reports.Eye{Site: w.row.Name, About: about, Sentence: fmt.Sprintf(text, args...)}, rank})
}

// week returns the row of a product and a moment's week, nil outside the report.
func (w *siteWeeks) week(product string, at time.Time) *reports.WeekRow {
	setup := w.setups[product]
	if setup == nil || at.Before(w.from) || !at.Before(w.before) {
		return nil
	}
	at = at.In(w.zone)
	name := weekName(at)
	key := product + "\x00" + name
	if w.rows[key] == nil {
		w.rows[key] = &reports.WeekRow{Site: w.row.Name, Product: product, Week: name, Asked: setup.FirstPassYield, First: yield("first-pass yield", 0, 0), Final: yield("final yield", 0, 0)}
		w.order = append(w.order, key)
	}
	return w.rows[key]
}

// day returns a moment of a day that the store wrote as if it were UTC.
func (w *siteWeeks) day(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 12, 0, 0, 0, w.zone)
}

func (w *siteWeeks) units(ctx context.Context, s store.Site) error {
	counts, err := s.UnitWeeks(ctx, w.from, w.before, w.row.Zone)
	for _, c := range counts {
		if r := w.week(c.Product, w.day(c.Week)); r != nil {
			r.Units, r.Judged, r.Retests, r.Hold, r.Waiting = c.Units, c.Judged, c.Retests, c.Hold, c.Waiting
			r.First, r.Final = yield("first-pass yield", c.FirstPass, c.Judged), yield("final yield", min(c.Pass, c.Judged), c.Judged)
		}
	}
	return err
}

func (w *siteWeeks) rigDays(ctx context.Context, s store.Site) error {
	days, err := s.RigDays(ctx, w.from, w.before, w.row.Zone)
	without := map[string]int{}
	all := map[string]int{}
	for _, d := range days {
		r := w.week(d.Product, w.day(d.Day))
		if r == nil {
			continue
		}
		r.RigDays++
		all[d.Product]++
		if d.Checks > 0 {
			continue
		}
		r.Unchecked++
		without[d.Product]++
		w.out.RigDays = append(w.out.RigDays, reports.WeekRigDay{Site: w.row.Name, Product: d.Product, Rig: d.Rig, Day: d.Day.Format(time.DateOnly), Units: d.Units})
	}
	for _, product := range slices.Sorted(maps.Keys(all)) {
		n := all[product]
		if k := without[product]; k > 0 {
			w.look(eyeRig, product, "On %d of %d days with units no reference unit was measured.", k, n)
		}
	}
	return err
}

func (w *siteWeeks) findings(ctx context.Context, l *Line, s store.Site) error {
	rows, err := s.FindingTimes(ctx, w.from, w.before)
	if err != nil {
		return err
	}
	for _, f := range rows {
		if w.setups[f.Product] == nil {
			continue
		}
		if r := w.week(f.Product, f.Seen); r != nil {
			r.Found++
		}
		if f.Closed != nil {
			if r := w.week(f.Product, *f.Closed); r != nil {
				r.Closed++
			}
		}
		a, err := l.current(ctx, s, f.FindingRow)
		if err != nil {
			return err
		}
		kind := "the line"
		if f.Kind == OneUnit {
			kind = "one unit"
		}
		w.out.Findings = append(w.out.Findings, reports.WeekFinding{Site: w.row.Name, Product: f.Product, Number: f.Finding, Kind: kind, State: f.State,
			Seen: f.Seen.In(w.zone), Sentence: a.Sentence, Cause: f.Cause, Action: f.Action})
		if f.Kind == TheLine && f.State == Open {
			what, _, _ := strings.Cut(a.Sentence, " It coincides") // the sheet of findings has the rest
			w.look(eyeLine, fmt.Sprintf("finding %d", f.Finding), "Nobody has acted on it: %s", what)
		}
	}
	return nil
}

// lots lists the lots opened or decided in the weeks, and returns those decided.
func (w *siteWeeks) lots(ctx context.Context, s store.Site) ([]string, error) {
	rows, err := s.Lots(ctx)
	if err != nil {
		return nil, err
	}
	var decided []string
	for _, row := range rows {
		if w.setups[row.Product] == nil {
			continue
		}
		steps, err := s.LotSteps(ctx, row.Lot)
		if err != nil {
			return nil, err
		}
		lot := reports.WeekLot{Site: w.row.Name, Product: row.Product, Lot: row.Lot, Opened: row.OpenedAt.In(w.zone), Units: row.Units, State: LotOpen, First: yield("first-pass yield", row.FirstPass, row.Judged)}
		if n := len(steps); n > 0 {
			p := steps[n-1]
			lot.State, lot.Outcome, lot.Who, lot.Reason, lot.At = p.State, p.Outcome, p.Actor, p.Reason, p.At.In(w.zone)
		}
		r := w.week(row.Product, row.OpenedAt)
		if r != nil {
			r.Lots++
		} else if lot.State != LotDecided || w.week(row.Product, lot.At) == nil {
			continue
		}
		w.out.Lots = append(w.out.Lots, lot)
		switch {
		case lot.State == LotDecided:
			decided = append(decided, row.Lot)
			if lot.Outcome != OutcomeAccept {
				w.look(eyeDecision, "lot "+row.Lot, "Decided: %s, by %s: %s.", lot.Outcome, lot.Who, strings.TrimSuffix(lot.Reason, "."))
			}
		case w.line.now().Sub(row.OpenedAt) > overdue+7*24*time.Hour:
			w.look(eyeUndecided, "lot "+row.Lot, "It is not decided, though it was opened on %s.", lot.Opened.Format(time.DateOnly))
		}
	}
	return decided, nil
}

// signatures holds the decisions against the data as they are.
func (w *siteWeeks) signatures(ctx context.Context, l *Line, decided []string) error {
	for _, code := range decided {
		r, err := l.LotReport(ctx, code, w.program)
		if err != nil {
			return err
		}
		word := "fits"
		if sig := r.Life.Signature; sig == nil || !sig.Sound || !sig.Matches {
			word = "does not fit any more"
			w.look(eyeSigned, "lot "+code, "The signature does not fit the lot's data any more.")
		}
		for i := range w.out.Lots {
			if lot := &w.out.Lots[i]; lot.Site == w.row.Name && lot.Lot == code {
				lot.Signature = word
			}
		}
	}
	return nil
}

// ReadDay reads a day such as 2026-09-30; the zero time for no text.
func ReadDay(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil || day.Year() < 1900 || day.Year() > 9000 {
		return time.Time{}, fmt.Errorf("%q is no day; write it as 2026-09-30", text)
	}
	return day, nil
}
