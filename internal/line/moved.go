package line

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/envelope"
)

// movedUnits is the number of passed units in one lot, with chart signals of their own or
// with the change of a finding of the line, from which the line counts as moved. One unit
// may be a single fault; under the false-alarm budget three in one lot of 300 or fewer
// are chance in less than 3 of 100 lots.
const movedUnits = 3

// A touching is a finding that has signals at units of the lot.
//
// Signals of a run that began under a change go on for a while after its cause was
// removed, so they say little about a unit; and a run that goes on, or that began in an
// earlier lot, does not count as the lot's own. So each unit's whole reading is held
// against the change: its z, projected on the mean z of the first units that showed the
// finding, over the streams that signalled there. A lot that lies wholly under a change
// that began in an earlier lot then speaks against itself with every unit, and the first
// lot after the cause was removed does not, however long its charts take to come back.
// A change so small that single units do not tell it, at a part of a lot only, is named
// and asked about, and not refused.
//
// All of this rests on readings, and on finding events that nothing later alters: the
// proposal of a decided lot stays.
type touching struct {
	number  int64
	kind    string // as known at the decision of a decided lot
	state   string // now
	first   string // unit of the first signal
	before  bool   // it began before the lot
	signals map[string]bool
	told    []string // units that show the change beyond doubt
	whole   bool     // the lot's mean shows it
}

const (
	// wholeShare is the least mean amount of a change at which the lot as a whole shows
	// it: nearer to the change than to none. With 40 units and a change of rms size 1.4
	// sigmas that is 4 standard errors from none.
	wholeShare = 0.5
	// toldSigmas is how many of its standard deviations a single unit's amount must be
	// from none.
	toldSigmas = 3.0
	// learnt is how many of the first units that showed a finding say what its change is.
	learnt = 40
)

// touch finds out whether units of the lot show a finding's change.
func (g *gathering) touch(ctx context.Context, s store.Site, row store.FindingRow, events []store.FindingEvent) error {
	if g.board == nil || row.OpenedAt.After(g.until()) {
		return nil
	}
	t := touching{number: row.Finding, kind: row.Kind, state: row.State, before: row.FirstPlace < g.first[0].Place, signals: map[string]bool{}}
	for _, sig := range g.signals {
		if g.finding(sig) == row.Finding {
			t.signals[sig.Serial] = true
		}
	}
	if len(t.signals) == 0 {
		return nil
	}
	var err error
	if t.first, _, _, err = s.FindingSpan(ctx, row.Finding); err != nil {
		return err
	}
	own := map[int64]bool{} // places at which the finding took signals as its own
	for _, e := range events {
		later := e.At.After(g.until())
		switch {
		case e.Kind == "grown" && later:
			t.kind = OneUnit
		case (e.Kind == "opened" || e.Kind == "signals") && !later && e.Place <= g.first[len(g.first)-1].Place:
			own[e.Place] = true
		}
	}
	if t.kind == TheLine {
		if err := g.project(ctx, s, row, own, &t); err != nil {
			return err
		}
	}
	g.touching = append(g.touching, t)
	return nil
}

// project holds every unit of the lot against the change of a finding.
func (g *gathering) project(ctx context.Context, s store.Site, row store.FindingRow, own map[int64]bool, t *touching) error {
	places := slices.Sorted(maps.Keys(own))
	if len(places) == 0 {
		return nil
	}
	places = places[:min(learnt, len(places))]
	signals, err := s.SignalsOfFinding(ctx, row.Finding)
	if err != nil {
		return err
	}
	streams := map[int]bool{}
	for _, sig := range signals {
		i := g.board.stream(sig.Stream)
		// Roughness rises with any fault and does not tell which.
		if i >= 0 && slices.Contains(places, sig.Place) && g.setup.StreamList[i].Quantity != envelope.Roughness {
			streams[i] = true
		}
	}
	rows, err := s.LastReadings(ctx, row.Product, places[0], places[len(places)-1]+1, math.MaxInt32)
	if err != nil {
		return err
	}
	rows = slices.DeleteFunc(rows, func(r store.ReadingRow) bool { return !slices.Contains(places, r.Place) })
	change := map[int]float64{}
	for _, i := range slices.Sorted(maps.Keys(streams)) {
		if z := g.meanZ(i, rows); !math.IsNaN(z) {
			change[i] = z
		}
	}
	sum := 0.0
	for _, r := range g.first {
		amount, sd := g.amount(r, change)
		sum += amount
		if amount >= math.Max(wholeShare, toldSigmas*sd) {
			t.told = append(t.told, r.Serial)
		}
	}
	t.whole = sum/float64(len(g.first)) >= wholeShare
	return nil
}

func (g *gathering) meanZ(stream int, rows []store.ReadingRow) float64 {
	sum, n := 0.0, 0.0
	for _, r := range rows {
		if z := g.board.z(stream, float64(r.Streams[stream])); !math.IsNaN(z) {
			sum, n = sum+z, n+1
		}
	}
	return sum / n
}

// amount is how many times a change a unit shows, by least squares over the streams of
// the change, with what its standard deviation is at most: that of streams that move as
// one.
func (g *gathering) amount(r store.ReadingRow, change map[int]float64) (amount, sd float64) {
	zs, ss, n := 0.0, 0.0, 0.0
	for _, i := range slices.Sorted(maps.Keys(change)) { // one order of summing, so that the sum is the same
		d := change[i]
		if z := g.board.z(i, float64(r.Streams[i])); !math.IsNaN(z) {
			zs, ss, n = zs+z*d, ss+d*d, n+1
		}
	}
	if ss == 0 {
		return 0, math.Inf(1)
	}
	return zs / ss, 1 / math.Sqrt(ss/n)
}

// shows reports whether the lot shows a change of the line.
func (t touching) shows() bool { return t.kind == TheLine && (t.whole || len(t.told) > 0) }

// sentence says of a finding of the line how the lot stands to it.
func (t touching) sentence(units int) string {
	what := fmt.Sprintf("Finding %d, a change of the line first seen at %s", t.number, t.first)
	if t.before {
		what += " in an earlier lot"
	}
	switch n := len(t.told); {
	case n > mostNamed || t.whole && n > 0:
		return fmt.Sprintf("%s: %d of the %d units show it.", what, n, units)
	case t.whole:
		return fmt.Sprintf("%s: the lot as a whole shows it.", what)
	case n == 1:
		return fmt.Sprintf("%s, shows at %s: look at it before the lot goes.", what, t.told[0])
	case n > 0:
		return fmt.Sprintf("%s, shows at %s: look at them before the lot goes.", what, joinAnd(t.told))
	}
	if t.before {
		return fmt.Sprintf("%s, still gives signals at %s, but the lot does not show it any more.", what, number(len(t.signals), "unit"))
	}
	return fmt.Sprintf("%s, has signals at %s, but no unit shows it for certain.", what, number(len(t.signals), "unit"))
}

// A movement is what speaks for a moved line in a lot.
type movement struct {
	units []string // that passed at first and yet stand out, in order of production
	line  bool     // they are enough to say that the line moved
	worst string   // most telling stream of these units
}

func (m movement) sentence() string {
	text := fmt.Sprintf("The line moved: %d units that passed carry chart signals, the first is %s", len(m.units), m.units[0])
	if len(m.units) == 1 {
		text = fmt.Sprintf("The line moved: %s passed and carries chart signals", m.units[0])
	}
	if m.worst != "" {
		text += "; worst is " + m.worst
	}
	return text + "."
}

// moved finds the units that passed at first and yet carry chart signals of their own,
// or show the change of a finding of the line: a unit that did not pass speaks for
// itself. The line moved when they are movedUnits, or when the lot as a whole shows a
// known change.
//
// A run that began before the lot does not count by itself, since the first units after a
// fault was mended may lie on its side by chance and carry the old run on; nor does a run
// that only goes on, since one false alarm would count as often as it lasts. Both count
// where the unit shows the change that the run belongs to.
func (g *gathering) moved() movement {
	counts := g.ownSignals()
	var m movement
	for _, t := range g.touching {
		if t.kind != TheLine {
			continue
		}
		for _, serial := range t.told {
			counts[serial] = true
		}
		if t.whole {
			m.line = true
			maps.Copy(counts, t.signals)
		}
	}
	passed := map[string]bool{}
	for _, u := range g.out.Units {
		passed[u.Serial] = u.First == string(envelope.Pass)
	}
	for _, r := range g.first {
		if counts[r.Serial] && passed[r.Serial] {
			m.units = append(m.units, r.Serial)
		}
	}
	m.line = len(m.units) >= movedUnits || m.line && len(m.units) > 0
	m.worst = g.worstStream(m.units)
	return m
}

// ownSignals returns the units with signals that neither began before the lot nor only
// go on.
func (g *gathering) ownSignals() map[string]bool {
	last := map[string]int64{}
	out := map[string]bool{}
	for _, s := range g.signals {
		run := s.Stream + "\x00" + s.Rule
		goesOn := last[run] > 0 && last[run] == s.Place-1 && g.isRun(s.Rule)
		last[run] = s.Place
		if !goesOn && g.inside(s) {
			out[s.Serial] = true
		}
	}
	return out
}

// isRun reports whether a rule goes by the length of a run, which lasts.
func (g *gathering) isRun(rule string) bool {
	if chart.Key(rule) == SmallShift {
		return true
	}
	for _, r := range g.board.rules {
		if string(r.Key) == rule {
			return r.Count == r.Of && r.Count > 1
		}
	}
	return false
}

// inside reports whether the points that a signal needs lie within the lot.
func (g *gathering) inside(s store.SignalRow) bool {
	if g.board == nil || len(g.first) == 0 {
		return false
	}
	if s.LimitSet == 0 && g.learner != nil {
		return g.learner.began(s) >= g.first[0].Place
	}
	for _, r := range g.board.rules {
		if string(r.Key) == s.Rule {
			return s.Place-int64(r.Count)+1 >= g.first[0].Place
		}
	}
	return false
}

// worstStream names the stream with signals at most of the units given, the largest
// value first among equals.
func (g *gathering) worstStream(units []string) string {
	type stream struct {
		key     string
		units   map[string]bool
		largest float64
	}
	by := map[string]*stream{}
	var order []*stream
	for _, s := range g.signals {
		if !slices.Contains(units, s.Serial) {
			continue
		}
		if by[s.Stream] == nil {
			by[s.Stream] = &stream{key: s.Stream, units: map[string]bool{}}
			order = append(order, by[s.Stream])
		}
		w := by[s.Stream]
		w.units[s.Serial] = true
		if z := float64(s.Z); math.Abs(z) > math.Abs(w.largest) {
			w.largest = z
		}
	}
	if len(order) == 0 {
		return ""
	}
	w := slices.MinFunc(order, func(a, b *stream) int {
		return cmp.Or(len(b.units)-len(a.units), -cmpFloat(math.Abs(a.largest), math.Abs(b.largest)))
	})
	at := fmt.Sprintf("at %d of them", len(w.units))
	if len(w.units) == len(units) {
		at = map[bool]string{true: "at all of them", false: "there"}[len(units) > 1]
	}
	return fmt.Sprintf("%s, %s, up to %+.1f sigmas", g.title(w.key), at, w.largest)
}
