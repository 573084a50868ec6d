package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/chart"
)

// A Now is the line at one moment: what a maker has to know before anything else.
type Now struct {
	At       time.Time
	Products []ProductNow
	Newest   time.Time // last measurement, zero when there is none
	Week     time.Time // Monday of the week shown: the present one, or the last with units
	ThisWeek bool
	Days     []DayNow          // of that week, newest first, without days of rest
	Drivers  []store.WordCount // single drivers measured in that week, by the first attempt's verdict
	Yield    reports.Yield
	Today    reports.Yield
	Waiting  []UnitNow         // units that need a person, newest first, at most mostWaiting
	Counts   []store.WordCount // of all units that need a person, at most MostCounted
	Findings []Finding         // that are open, newest first, at most mostWaiting
	Refused  int               // in quarantine
	Fresh    int               // of them since the beginning of the week shown
}

// A DayNow is one day's units in the order of measurement.
type DayNow struct {
	Day    time.Time
	Counts []store.WordCount // by the first attempt's verdict
	Units  []store.UnitState // empty when there are too many to show one by one
	Total  int
}

// A UnitNow is a unit that somebody has to take in hand.
type UnitNow struct {
	store.UnitState
	NextStep string // what to do, a clause
}

// A State is the answer to: is the line all right?
type State string

const (
	AllRight    State = "all right"
	LookAtIt    State = "look at it"
	NotAllRight State = "not all right"
	NotKnown    State = "not known"
)

// A ProductNow is one product's part of the answer.
type ProductNow struct {
	Code, Name string
	State      State
	Reasons    []string // whole sentences, most serious first
	Envelope   *store.EnvelopeRow
	LimitSet   *store.LimitSetRow // nil while limits are learnt
	Learning   *Learning          // nil under a limit set
	Recent     int                // number of units that State speaks of
	Signals    []SignalNow
	Rigs       []RigNow // that measured the recent units; empty when rigs are not checked
}

// A RigNow says whether a rig is trusted now.
type RigNow struct {
	Name     string
	Trusted  bool
	Sentence string
}

// A SignalNow is one rule on one stream over the recent units.
type SignalNow struct {
	store.SignalCount
	Title string
	Text  string // what the rule means
}

// Sizes of the line page. recentUnits is the stretch that the answer is about: about a
// day's work of a small workshop, and long enough for the longest usual rule.
const (
	recentUnits = 25
	mostWaiting = 25
	mostMarks   = 400
)

// MostCounted is how many units that did not pass are counted: beyond it a number is no
// longer something to act on.
const MostCounted = 1000

// Now returns the state of the line.
func (l *Line) Now(ctx context.Context) (Now, error) {
	var n Now
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		row, err := s.Row(ctx)
		if err != nil {
			return err
		}
		zone, err := time.LoadLocation(row.Zone)
		if err != nil {
			return err
		}
		n.At = l.now().In(zone)
		if err := n.week(ctx, s, zone); err != nil {
			return err
		}
		if err := l.waiting(ctx, s, &n, zone); err != nil {
			return err
		}
		if err := n.findings(ctx, l, s, zone); err != nil {
			return err
		}
		if n.Refused, n.Fresh, err = s.CountQuarantine(ctx, n.Week); err != nil {
			return err
		}
		products, err := l.finished(ctx, s)
		if err != nil {
			return err
		}
		for _, code := range products {
			state, err := l.productNow(ctx, s, code, n.Findings)
			if err != nil {
				return err
			}
			n.Products = append(n.Products, state)
		}
		return nil
	})
	return n, err
}

// week fills the units of the present week, or of the last one that has any.
func (n *Now) week(ctx context.Context, s store.Site, zone *time.Location) error {
	newest, err := s.NewestUnit(ctx)
	n.Week, n.ThisWeek = monday(n.At), true
	n.Yield, n.Today = yield("first-pass yield", 0, 0), yield("first-pass yield", 0, 0)
	if errors.Is(err, store.ErrNotFound) {
		n.Drivers, err = s.DriversBetween(ctx, n.Week, n.Week.AddDate(0, 0, 7))
		return err
	} else if err != nil {
		return err
	}
	n.Newest = newest.In(zone)
	if w := monday(n.Newest); !w.Equal(n.Week) {
		n.Week, n.ThisWeek = w, false
	}
	end := n.Week.AddDate(0, 0, 7)
	if n.Drivers, err = s.DriversBetween(ctx, n.Week, end); err != nil {
		return err
	}
	counts, err := s.DaysBetween(ctx, n.Week, end, zone.String())
	if err != nil {
		return err
	}
	units, err := s.UnitsBetween(ctx, n.Week, end, mostMarks)
	if err != nil {
		return err
	}
	n.fill(counts, units, zone)
	return nil
}

func (n *Now) fill(counts []store.DayCount, units []store.UnitState, zone *time.Location) {
	byDay := map[string][]store.UnitState{}
	for i := len(units) - 1; i >= 0; i-- { // they come newest first
		u := units[i]
		u.FirstAt, u.MeasuredAt = u.FirstAt.In(zone), u.MeasuredAt.In(zone)
		key := u.FirstAt.Format(time.DateOnly)
		byDay[key] = append(byDay[key], u)
	}
	good, judged := 0, 0
	today, passed, tested := n.At.Format(time.DateOnly), 0, 0
	for _, c := range counts {
		key := c.Day.Format(time.DateOnly)
		if len(n.Days) == 0 || n.Days[0].Day.Format(time.DateOnly) != key {
			day := time.Date(c.Day.Year(), c.Day.Month(), c.Day.Day(), 0, 0, 0, 0, zone)
			n.Days = append([]DayNow{{Day: day}}, n.Days...)
		}
		d := &n.Days[0]
		d.Total += c.Units
		d.Counts = append(d.Counts, store.WordCount{Word: c.Verdict, Units: c.Units})
		if c.Verdict == Waiting || c.Verdict == "hold" { // a sick rig neither passes nor fails
			continue
		}
		judged += c.Units
		if key == today {
			tested += c.Units
		}
		if c.Verdict == "pass" {
			good += c.Units
			if key == today {
				passed += c.Units
			}
		}
	}
	for i := range n.Days {
		if u := byDay[n.Days[i].Day.Format(time.DateOnly)]; len(units) < mostMarks || len(u) == n.Days[i].Total {
			n.Days[i].Units = u
		}
	}
	n.Yield, n.Today = yield("first-pass yield", good, judged), yield("first-pass yield", passed, tested)
}

func monday(t time.Time) time.Time {
	back := (int(t.Weekday()) + 6) % 7
	return time.Date(t.Year(), t.Month(), t.Day()-back, 0, 0, 0, 0, t.Location())
}

// waiting lists the units that need a person, and says what for.
func (l *Line) waiting(ctx context.Context, s store.Site, n *Now, zone *time.Location) error {
	var err error
	if n.Counts, err = s.CountNotPassed(ctx, MostCounted); err != nil {
		return err
	}
	rows, err := s.UnitsNotPassed(ctx, mostWaiting)
	if err != nil {
		return err
	}
	setups := map[string]*Setup{}
	for _, r := range rows {
		setup := setups[r.Product]
		if setup == nil {
			if setup, err = l.setup(ctx, s, r.Product); err != nil {
				return err
			}
			setups[r.Product] = setup
		}
		r.MeasuredAt = r.MeasuredAt.In(zone)
		u := UnitNow{UnitState: r, NextStep: setup.nextStep(r.Last, r.Number)}
		if r.Last == Waiting {
			takes, err := s.Takes(ctx, r.Attempt)
			if err != nil {
				return err
			}
			u.Sentence = "missing: " + setup.missing(takes, setup.Seatings)
		}
		n.Waiting = append(n.Waiting, u)
	}
	return nil
}

// nextStep says what a person does with a unit after an attempt, a clause.
func (s *Setup) nextStep(word string, attempt int) string {
	last := attempt >= s.MaxAttempts
	switch {
	case word == "pass":
		return ""
	case word == Waiting:
		return "measure what is missing"
	case word == "hold":
		return "leave the unit as it is and check its rig: the rig's page says how, and what becomes of units that wait"
	case last:
		return fmt.Sprintf("set it aside: %d attempts are all that the product allows", s.MaxAttempts)
	case word == "reseat":
		return "seat it again and measure"
	}
	return "find the cause, then measure again with what was done; it does not ship as it is"
}

// findings lists what the charts found and nobody has acted on.
func (n *Now) findings(ctx context.Context, l *Line, s store.Site, zone *time.Location) error {
	rows, err := s.Findings(ctx, "", Open, mostWaiting)
	if err != nil {
		return err
	}
	for _, r := range rows {
		f, err := findingOf(r)
		if err != nil {
			return err
		}
		if f.FirstSerial, f.LastSerial, f.Signals, err = s.FindingSpan(ctx, r.Finding); err != nil {
			return err
		}
		if f.Analysis, err = l.current(ctx, s, r); err != nil {
			return err
		}
		f.OpenedAt = f.OpenedAt.In(zone)
		n.Findings = append(n.Findings, f)
	}
	return nil
}

// productNow judges the last units of a product. A change of the line that nobody has
// acted on counts however long it has been quiet.
func (l *Line) productNow(ctx context.Context, s store.Site, code string, open []Finding) (ProductNow, error) {
	setup, err := l.setup(ctx, s, code)
	if err != nil {
		return ProductNow{}, err
	}
	p := ProductNow{Code: code, Name: setup.Name}
	if env, err := s.Envelope(ctx, code, 0); err == nil {
		p.Envelope = &env
	} else if !errors.Is(err, store.ErrNotFound) {
		return p, err
	}
	b, err := l.charts(ctx, s, setup)
	if err != nil {
		return p, err
	}
	last, err := s.LastWatched(ctx, code, b.version(), recentUnits)
	if err != nil {
		return p, err
	}
	p.Recent = len(last)
	if len(last) > 0 {
		if p.Rigs, err = l.rigsNow(ctx, s, setup, last[0].Place); err != nil {
			return p, err
		}
	}
	if b != nil {
		if b.learning() {
			state := b.learningState()
			p.Learning = &state
		} else {
			p.LimitSet = &b.set
		}
		if len(last) > 0 {
			if err := p.signals(ctx, s, b, last[0].Place); err != nil {
				return p, err
			}
		}
	}
	var moved []Finding
	for _, f := range open {
		if f.Product == code && f.Kind == TheLine {
			moved = append(moved, f)
		}
	}
	p.judge(setup, last, moved)
	return p, nil
}

func (p *ProductNow) signals(ctx context.Context, s store.Site, b *board, from int64) error {
	counts, err := s.CountSignals(ctx, p.Code, b.set.Version, from)
	if err != nil {
		return err
	}
	title := map[string]string{}
	for _, st := range b.setup.StreamList {
		title[st.Key] = st.Title
	}
	for _, c := range counts {
		p.Signals = append(p.Signals, SignalNow{c, title[c.Stream], b.ruleText(chart.Key(c.Rule))})
	}
	return nil
}

// judge answers for the last units: a moved line is worse than a poor yield, for it
// spoils units that still pass.
func (p *ProductNow) judge(setup *Setup, last []store.Watched, moved []Finding) {
	if p.Envelope == nil {
		p.State, p.Reasons = NotKnown, []string{"There is no envelope to judge by."}
		return
	}
	if len(last) == 0 {
		p.State, p.Reasons = NotKnown, []string{"No unit has been judged yet."}
		return
	}
	var signalled []string
	good, judged := 0, 0
	for _, w := range last {
		if w.Signals > 0 {
			signalled = append(signalled, w.Serial)
		}
		if w.Verdict != "hold" {
			judged++
		}
		if w.Verdict == "pass" {
			good++
		}
	}
	p.State = AllRight
	against := func(s State, text string, args ...any) {
		if p.State == AllRight || s == NotAllRight {
			p.State = s
		}
		p.Reasons = append(p.Reasons, fmt.Sprintf(text, args...))
	}
	if len(signalled) >= movedUnits {
		against(NotAllRight, "The line moved: %d of the last %d units carry chart signals, first %s.", len(signalled), len(last), signalled[0])
	} else if len(signalled) > 0 {
		against(LookAtIt, "Chart signals at %s, of the last %d units: look at what was different.", joinAnd(signalled), len(last))
	}
	if len(moved) > 0 {
		f := moved[max(0, slices.IndexFunc(moved, func(f Finding) bool { return !f.Perhaps() }))]
		what := "the line moved, first seen at"
		if f.Perhaps() {
			what = "perhaps nothing, perhaps a change that begins, with signals first at"
		}
		against(LookAtIt, "Nobody has acted on finding %d yet: %s %s.", f.Number, what, f.FirstSerial)
	}
	// Of a few units the share says nothing: speak up when even its upper bound is low.
	if y := yield("", good, judged); judged > 0 && y.High < setup.FirstPassYield {
		against(NotAllRight, "Only %d of the last %d units passed at first; the product asks for %.0f %%.", good, judged, 100*setup.FirstPassYield)
	} else if judged > 0 && y.Share < setup.FirstPassYield {
		against(LookAtIt, "%d of the last %d units passed at first, fewer than the %.0f %% that the product asks for.", good, judged, 100*setup.FirstPassYield)
	}
	if held := len(last) - judged; held > 0 {
		against(LookAtIt, "On hold: %d of the last %d units, for the rig is not trusted.", held, len(last))
	}
	switch g := p.Learning; {
	case p.LimitSet != nil:
	case g != nil && g.enough():
		against(LookAtIt, "%s", g.Sentence())
	case g != nil:
		against(NotKnown, "%s", g.Sentence())
	default:
		against(NotKnown, "No chart limits are frozen: drift is not watched.")
	}
	if p.State == AllRight {
		p.Reasons = append(p.Reasons, fmt.Sprintf("Nothing speaks against it in the last %d units: %d passed at first, no chart signals.", len(last), good))
	}
}

func joinAnd(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}
