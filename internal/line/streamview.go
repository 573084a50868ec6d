package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/change"
	"alike/spc/chart"
)

// A StreamView is one stream over many units, each under the limits in force for it.
type StreamView struct {
	reports.Stream
	Of       Stream
	Product  string
	Places   []int64
	Sections []DriftSection
	Parts    []PartChange
	Earlier  bool // there are units before the first
	position int
}

// StreamView returns a stream of a product over its last units up to a place, at most
// limit.
func (l *Line) StreamView(ctx context.Context, product, key string, upTo int64, limit int) (StreamView, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return StreamView{}, err
	}
	at, err := setup.find(key)
	if err != nil {
		return StreamView{}, err
	}
	st := setup.StreamList[at]
	out := StreamView{Stream: reports.Stream{Title: st.Title, Unit: st.Unit, Product: setup.Name}, Of: st, Product: setup.Code, position: at}
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		rows, err := s.Stream(ctx, setup.Code, at, upTo, limit)
		if err != nil || len(rows) == 0 {
			return err
		}
		units := make([]DriftUnit, len(rows))
		before := math.NaN()
		for i, r := range rows {
			v := float64(r.Value)
			units[i] = DriftUnit{Place: r.Place, Serial: r.Serial}
			out.Places, out.Serials, out.Lots = append(out.Places, r.Place), append(out.Serials, r.Serial), append(out.Lots, r.Lot)
			out.Values, out.Moving = append(out.Values, v), append(out.Moving, math.Abs(v-before))
			before = v
		}
		out.Earlier = rows[0].Place > 1
		if err := out.limits(ctx, s, setup); err != nil {
			return err
		}
		uses, err := s.DriftParts(ctx, setup.Code)
		out.Parts = partChanges(units, uses)
		return err
	})
	return out, err
}

// find returns where a stream stands in the readings.
func (s *Setup) find(key string) (int, error) {
	for i, st := range s.StreamList {
		if st.Key == key {
			return i, nil
		}
	}
	return 0, refuse(Missing, "stream", "use a key such as "+s.StreamList[0].Key, "product %s has no stream %q", s.Code, key)
}

// limits fills in what was in force, and the rules that fired under it.
func (v *StreamView) limits(ctx context.Context, s store.Site, setup *Setup) error {
	sets, err := s.LimitSets(ctx, setup.Code)
	if err != nil {
		return err
	}
	if v.Sections, err = sections(setup, sets, v.Places); err != nil {
		return err
	}
	learnt, err := v.learnt(ctx, s, setup, sets)
	if err != nil {
		return err
	}
	for _, sec := range v.Sections {
		if sec.Version == 0 && learnt != nil {
			continue
		}
		nan := math.NaN()
		out := reports.Section{First: sec.First, Name: "no limit set", Starts: sec.Starts, Center: nan, Lower: nan, Upper: nan, RangeMean: nan, RangeHigh: nan}
		if sec.Version > 0 {
			center, sigma := sec.Center[v.position], sec.Sigma[v.position]
			out.Name, out.Center, out.Lower, out.Upper = versionText(sec.Version), center, center-sec.Width*sigma, center+sec.Width*sigma
			out.RangeMean, out.RangeHigh = 2/math.SqrtPi*sigma, math.Sqrt2*sec.Width*sigma // as on the lot's charts
		}
		v.Stream.Sections = append(v.Stream.Sections, out)
	}
	if learnt != nil {
		v.learning(learnt)
	}
	signals, err := s.SignalsOfStream(ctx, setup.Code, v.Of.Key, v.Places[0], v.Places[len(v.Places)-1])
	if err != nil {
		return err
	}
	i, k := 0, 0
	for _, g := range signals { // in order of production
		for i < len(v.Places) && v.Places[i] < g.Place {
			i++
		}
		if i == len(v.Places) || v.Places[i] != g.Place {
			continue
		}
		for k+1 < len(v.Sections) && v.Sections[k+1].First <= i {
			k++
		}
		if sec := v.Sections[k]; sec.Version == g.LimitSet {
			text := ruleText(sec.Rules, chart.Key(g.Rule))
			if g.LimitSet == 0 {
				text = learnText(chart.Key(g.Rule))
			}
			v.Marks = append(v.Marks, reports.Mark{Index: i, Rule: g.Rule, Text: text})
		}
	}
	return nil
}

// learnt reads the first units of the stream as the charts did while limits were learnt, nil
// when no such unit is shown.
func (v *StreamView) learnt(ctx context.Context, s store.Site, setup *Setup, sets []store.LimitSetRow) (*learner, error) {
	if v.Sections[0].Version > 0 || setup.Stage == StageDriver {
		return nil, nil
	}
	before := int64(math.MaxInt64)
	for _, set := range sets {
		before = min(before, set.FromPlace)
	}
	k, err := newLearner(setup)
	if err != nil {
		return nil, err
	}
	k.watch = v.position
	return learned(ctx, s, setup, before, k)
}

// learning cuts the units without frozen limits into sections with the limits that each was
// held against: they narrow as more is learnt.
func (v *StreamView) learning(k *learner) {
	end := len(v.Places)
	if len(v.Sections) > 1 {
		end = v.Sections[1].First
	}
	var cut []reports.Section
	var of []DriftSection
	last := -1
	e, _ := k.of[v.position].Freeze()
	for i, row := 0, 0; i < end; i++ {
		for row < len(k.rows) && k.rows[row].Place < v.Places[i] {
			row++
		}
		n, at := len(k.learnt), e
		if row < len(k.rows) {
			n, at = k.steps[row].units, k.seen[row]
		}
		if n == last {
			continue
		}
		width := k.drawn(v.position, n)
		nan := math.NaN()
		sec := reports.Section{First: i, Name: learntName(n), Learning: true, Center: at.Center, Lower: at.Center - width*at.Sigma, Upper: at.Center + width*at.Sigma, RangeMean: nan, RangeHigh: nan}
		if math.IsNaN(width) {
			sec.Center = nan
		}
		cut, of, last = append(cut, sec), append(of, DriftSection{First: i, Width: width}), n
	}
	v.Stream.Sections = append(cut, v.Stream.Sections...)
	v.Sections = append(of, v.Sections[1:]...)
}

func learntName(n int) string {
	return fmt.Sprintf("limits being learnt (%s)", number(n, "unit"))
}

// learnText says what a rule saw while limits were still being learnt.
func learnText(key chart.Key) string {
	if key == chart.Beyond {
		return beyondLearntText
	}
	return ruleText(nil, key)
}

func ruleText(rules []chart.Rule, key chart.Key) string {
	for _, r := range rules {
		if r.Key == key {
			return r.Text()
		}
	}
	switch key {
	case Together:
		return togetherText
	case SmallShift:
		return smallShiftText
	}
	return string(key)
}

// A StreamChange is the answer to when a stream moved.
type StreamChange struct {
	change.Step
	From, To int    // indices of the first and last unit looked at
	Shown    bool   // the data show a change at all
	Known    string // the limits that level and spread before were taken from; empty when the units themselves had to show them
	Text     string
}

// FindChange looks for the most likely change of level among the units from one index to
// another, both included; the last change.MostValues of them when there are more. It
// sets the view's Change when the data show one. Level and spread before the change
// come from the limits when the same ones are in force for all these units. Units
// without a value are left out.
func (v *StreamView) FindChange(from, to int) (StreamChange, error) {
	out := StreamChange{From: max(from, 0), To: min(to, len(v.Values)-1)}
	var xs []float64
	var at []int
	for i := out.To; i >= out.From && len(xs) < change.MostValues; i-- {
		if !math.IsNaN(v.Values[i]) {
			xs, at = append(xs, v.Values[i]), append(at, i)
		}
	}
	slices.Reverse(xs)
	slices.Reverse(at)
	var o change.Options
	if len(at) > 0 {
		out.From = at[0]
		if sec, end := v.SectionAt(at[0]); end > out.To && !math.IsNaN(sec.Center) {
			sigma := sec.RangeMean * math.SqrtPi / 2
			o.Before, o.Sigma, out.Known = &sec.Center, &sigma, sec.Name
		}
	}
	var err error
	out.Step, err = change.Find(xs, o)
	if err != nil {
		if errors.Is(err, change.ErrNoSpread) {
			return out, refuse(Invalid, "stream", "choose units whose values differ", "%v", err)
		}
		return out, refuse(Invalid, "units", "choose more units", "%v", err)
	}
	out.Index = at[out.Step.Index-1]
	set := make([]int, len(out.Step.Set))
	for i, k := range out.Step.Set {
		set[i] = at[k-1]
	}
	out.Set = set
	out.Shown = out.P <= 1-out.Confidence
	out.Text = v.changeText(out)
	if out.Shown {
		v.Stream.Change = &reports.Change{Index: out.Index, Set: out.Set, Text: out.Text}
	}
	return out, nil
}

func (v *StreamView) changeText(c StreamChange) string {
	over := fmt.Sprintf("%s to %s (%d units)", v.Serials[c.From], v.Serials[c.To], c.N)
	if !c.Shown {
		return fmt.Sprintf("From %s no change is shown: without any, a split as good as the best one here comes with chance %.2f.", over, c.P)
	}
	levels := strings.ReplaceAll(fmt.Sprintf("%.2f to %.2f", c.Before, c.After), "-", "−")
	text := fmt.Sprintf("The level moved from %s %s at %s, looking at %s.", levels, v.Unit, v.Serials[c.Index], over)
	first, last := c.Set[0], c.Set[len(c.Set)-1]
	if first == last {
		return text + fmt.Sprintf(" With %.0f %% confidence it was at this very unit.", 100*c.Confidence)
	}
	return text + fmt.Sprintf(" With %.0f %% confidence it was between %s and %s (%d possible units).", 100*c.Confidence, v.Serials[first], v.Serials[last], len(c.Set))
}
