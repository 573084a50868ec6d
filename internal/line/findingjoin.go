package line

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/envelope"
)

// Sizes, in sigmas of a stream, from which a change that is known explains a signal to
// the same side: that of a single unit has the scatter of one, that of a line is a mean
// over units, and once it is known well, three of its standard errors are enough.
const (
	sizeOfLine = 1.0
	sizeOfUnit = 2.0
)

// tellingSize is the least size of a finding's change that explains a signal.
func (f Finding) tellingSize() float64 {
	if f.Kind == OneUnit {
		return sizeOfUnit
	}
	b, a := float64(f.Analysis.Before), float64(f.Analysis.After)
	return math.Min(sizeOfLine, 3*math.Sqrt(1/b+1/a))
}

// find sorts the signals at one unit into findings, opening one for what no finding
// explains, and analyses anew what is due.
func (l *Line) find(ctx context.Context, s store.Site, by By, b *board, r store.ReadingRow, signals []store.SignalRow) error {
	rows, err := s.FindingsSince(ctx, b.setup.Code, r.Place-max(quiet, int64(b.window())))
	if err != nil || len(rows) == 0 && len(signals) == 0 {
		return err
	}
	k := finder{line: l, ctx: ctx, s: s, by: by, b: b, at: r}
	claims, err := k.claims(rows)
	if err != nil {
		return err
	}
	rest := signals
	var earlier int64
	for _, c := range claims {
		row := c.row
		var mine, under []store.SignalRow
		mine, under, rest = k.split(c, rest)
		carried, fresh := k.carried(row, mine)
		if err := k.link(row.Finding, append(carried, under...)); err != nil {
			return err
		}
		if row.State != Open { // what begins after an action is a story of its own
			if len(fresh) > 0 {
				earlier = row.Finding
			}
			rest = append(rest, fresh...)
			continue
		}
		if err := k.join(row, fresh); err != nil {
			return err
		}
	}
	if len(rest) == 0 {
		return nil
	}
	return k.open(rest, earlier)
}

// A finder sorts the signals of one unit.
type finder struct {
	line *Line
	ctx  context.Context
	s    store.Site
	by   By
	b    *board
	at   store.ReadingRow
}

// A claim is a finding that may explain signals of the unit.
type claim struct {
	row  store.FindingRow
	f    Finding
	unit showing
}

// claims lists the findings in the order in which they may take signals: that of which the
// unit shows most comes first, so that a faint earlier one does not take a great change.
func (k *finder) claims(rows []store.FindingRow) ([]claim, error) {
	var out []claim
	for _, row := range rows {
		if row.FirstPlace > k.at.Place {
			continue
		}
		f, err := findingOf(row)
		if err != nil {
			return nil, err
		}
		out = append(out, claim{row, f, k.showing(f)})
	}
	slices.SortStableFunc(out, func(x, y claim) int {
		return -cmpFloat(x.unit.amount*x.unit.rms, y.unit.amount*y.unit.rms)
	})
	return out, nil
}

// split parts the signals that a finding explains from the others. Of its own, the
// carried ones are what a run that began under it still gives where the unit itself does
// not show the change any more.
func (k *finder) split(c claim, signals []store.SignalRow) (mine, carried, rest []store.SignalRow) {
	row, f := c.row, c.f
	gap := k.at.Place - row.LastPlace
	within := gap <= quiet
	if row.Kind == OneUnit {
		within = gap <= follow
	}
	if row.State != Open { // a run that began before may end long after
		within = true
	}
	if !within {
		return nil, nil, signals
	}
	for _, g := range signals {
		switch {
		case c.unit.shows && k.explains(f, g, c.unit):
			mine = append(mine, g)
		case row.Kind == TheLine && k.b.began(g) <= row.LastPlace && k.b.began(g) < g.Place && !k.standsOut(f, g, c.unit):
			carried = append(carried, g)
		default:
			rest = append(rest, g)
		}
	}
	return mine, carried, rest
}

// A showing says how much of a finding's change one unit shows.
type showing struct {
	amount float64 // times the change, by least squares over the streams concerned
	rms    float64 // size of the whole change on those, in sigmas
	shows  bool
	strong bool // the change is so large that a unit without it is told at sight
}

// Limits of a showing. A change of rms size r sigmas on the streams concerned has an
// amount with a standard deviation of at most 1/r per unit, when the streams move as
// one: a unit shows it with leastShare of it, or with what is within three of those of
// all of it.
const (
	leastShare = 0.3
	mostShare  = 3.0 // a leak may have grown so far since the last analysis
	strongRMS  = 2.0
)

func (k *finder) showing(f Finding) showing {
	zs, ss, n := 0.0, 0.0, 0.0
	for _, key := range f.Analysis.Streams {
		i := k.b.stream(key)
		// Roughness rises with any fault and does not tell which.
		if i < 0 || i >= len(f.Analysis.Sizes) || k.b.setup.StreamList[i].Quantity == envelope.Roughness {
			continue
		}
		z, s := k.b.z(i, float64(k.at.Streams[i])), f.Analysis.Sizes[i]
		if v := z * s; !math.IsNaN(v) {
			zs, ss, n = zs+v, ss+s*s, n+1
		}
	}
	if ss == 0 {
		return showing{amount: 1, shows: true}
	}
	rms := math.Sqrt(ss / n)
	out := showing{amount: zs / ss, rms: rms, strong: rms >= strongRMS}
	out.shows = out.amount >= math.Min(leastShare, 1-3/rms)
	out.amount = math.Min(mostShare, math.Max(0, out.amount))
	return out
}

// explains reports whether a finding's change, of which the unit shows so much, accounts
// for a signal. It must be to the same side, where the rule has one, and not leave so
// much that the value would stand out anyhow; and it must be on one of the finding's
// streams or on a neighbour within an octave, or the change is large enough there. While
// a strong change is on, whatever began with it and moves its way belongs to it: a small
// second fault is seen when the first one is gone.
func (k *finder) explains(f Finding, g store.SignalRow, unit showing) bool {
	known := slices.Contains(f.Analysis.Streams, g.Stream)
	at := k.b.stream(g.Stream)
	if at < 0 || at >= len(f.Analysis.Sizes) || math.IsNaN(f.Analysis.Sizes[at]) {
		return known
	}
	size, z := f.Analysis.Sizes[at], float64(g.Z)
	st := k.b.setup.StreamList[at]
	if f.Kind == TheLine && k.standsOut(f, g, unit) {
		return false
	}
	if chart.Key(g.Rule) == Together { // an average of units: what this one shows tells
		return true
	}
	within := unit.strong && f.Kind == TheLine && k.b.began(g) >= f.since()
	if !slices.Contains([]chart.Key{chart.Beyond, chart.SameSide, chart.TwoOfThree, chart.FourOfFive, SmallShift}, chart.Key(g.Rule)) {
		return known || within || math.Abs(size) >= f.tellingSize()
	}
	if !(size*z > 0) {
		return false
	}
	if known || within || math.Abs(size) >= f.tellingSize() {
		return true
	}
	for _, key := range f.Analysis.Streams {
		if i := k.b.stream(key); i >= 0 && st.near(k.b.setup.StreamList[i], k.b.setup.Fraction) && f.Analysis.Sizes[i]*z > 0 {
			return true
		}
	}
	return false
}

// touches reports whether a finding has signals on bands of a channel.
func (f Finding) touches(b *board, channel string) bool {
	return slices.ContainsFunc(f.Analysis.Streams, func(key string) bool {
		i := b.stream(key)
		return i >= 0 && b.setup.StreamList[i].Quantity == envelope.Deviation && b.setup.StreamList[i].Channel == channel
	})
}

// standsOut reports whether a signal's value stands out by itself and goes on to when a
// finding's change, of which the unit shows so much, is taken from it.
func (k *finder) standsOut(f Finding, g store.SignalRow, unit showing) bool {
	at := k.b.stream(g.Stream)
	if at < 0 || at >= len(f.Analysis.Sizes) || math.IsNaN(f.Analysis.Sizes[at]) {
		return false
	}
	st := k.b.setup.StreamList[at]
	if st.Quantity == envelope.Roughness && f.touches(k.b, st.Channel) { // grows with the square of a fault
		return false
	}
	z := float64(g.Z)
	return math.Abs(z) > k.b.width() && math.Abs(z-unit.amount*f.Analysis.Sizes[at]) > math.Max(k.b.width(), math.Abs(z)/4)
}

// since is the earliest place at which the finding's change may have begun.
func (f Finding) since() int64 {
	if c := f.Analysis.Change; c != nil {
		return min(f.FirstPlace, c.Set[0])
	}
	return f.FirstPlace
}

// near reports whether two streams are the same quantity of the same channel, their bands
// within an octave.
func (s Stream) near(t Stream, fraction int) bool {
	return s.Quantity == t.Quantity && s.Channel == t.Channel && s.Band >= 0 && t.Band >= 0 && max(s.Band-t.Band, t.Band-s.Band) <= fraction
}

// stream returns the position of a stream by its key, -1 when there is none.
func (b *board) stream(key string) int {
	for i, st := range b.setup.StreamList {
		if st.Key == key {
			return i
		}
	}
	return -1
}

// carried parts the signals whose run began before a finding's action or end from those
// that lie wholly after it.
func (k *finder) carried(row store.FindingRow, signals []store.SignalRow) (carried, fresh []store.SignalRow) {
	end := row.ActedPlace
	if row.ClosedPlace != nil {
		end = row.ClosedPlace
	}
	for _, g := range signals {
		if end != nil && k.b.began(g) <= *end {
			carried = append(carried, g)
		} else {
			fresh = append(fresh, g)
		}
	}
	return carried, fresh
}

// began returns the place of the first point that a signal needs.
func (b *board) began(g store.SignalRow) int64 {
	if at, ok := b.runs[signalAt{g.Place, g.Stream, g.Rule}]; ok && g.LimitSet == 0 {
		return at
	}
	for _, r := range b.rules {
		if string(r.Key) == g.Rule {
			return g.Place - int64(r.Of) + 1
		}
	}
	if chart.Key(g.Rule) == Together && b.together != nil {
		return max(1, g.Place-int64(math.Round(2/b.together.Lambda))+1)
	}
	return g.Place
}

// join adds signals to an open finding and analyses it anew when that is due.
func (k *finder) join(row store.FindingRow, signals []store.SignalRow) error {
	grown := row.Kind == OneUnit && len(signals) > 0
	if len(signals) > 0 {
		row.LastPlace = max(row.LastPlace, k.at.Place)
		if err := k.link(row.Finding, signals); err != nil {
			return err
		}
		if err := k.event(row.Finding, "signals", k.b.signalText(signals)); err != nil {
			return err
		}
	}
	if grown {
		row.Kind = TheLine
		if err := k.event(row.Finding, "grown", "a second unit shows the same: this is no longer a single unit"); err != nil {
			return err
		}
	}
	if !grown && !due(row, k.at.Place) {
		if len(signals) == 0 {
			return nil
		}
		return k.s.SetFinding(k.ctx, row)
	}
	return k.analyse(row)
}

// due reports whether a finding of the line is to be analysed anew: at every unit that
// shows it at first, then more and more rarely, so that the cost per unit stays small. Who looks at it
// gets a fresh analysis anyway.
func due(row store.FindingRow, place int64) bool {
	if row.Kind == OneUnit { // once, to say that it stayed alone
		return place == row.FirstPlace+follow
	}
	if row.LastPlace < place {
		return false
	}
	had, has := row.AnalysedTo-row.FirstPlace+1, place-row.FirstPlace+1
	return has >= had+max(1, had/2)
}

// open opens a finding for signals that no finding explains.
func (k *finder) open(signals []store.SignalRow, earlier int64) error {
	row := store.FindingRow{
		Product: k.b.setup.Code, FirstPlace: k.at.Place, LastPlace: k.at.Place, Kind: OneUnit, State: Open,
		Analysis: json.RawMessage(`{}`), OpenedAt: k.line.now(),
	}
	for _, g := range signals {
		// Where this one value stands out by itself, a run that ends with it tells no more.
		if k.b.began(g) < g.Place && math.Abs(float64(g.Z)) <= k.b.width() {
			row.Kind = TheLine
		}
	}
	var err error
	if row.Finding, err = k.s.AddFinding(k.ctx, row); err != nil {
		return err
	}
	if err := k.link(row.Finding, signals); err != nil {
		return err
	}
	text := k.b.signalText(signals)
	if earlier > 0 {
		text += fmt.Sprintf("; finding %d had the same signs, and these begin after what was done about it", earlier)
		if err := k.event(earlier, "returned", fmt.Sprintf("the same signs again after the action: finding %d", row.Finding)); err != nil {
			return err
		}
	}
	if err := k.event(row.Finding, "opened", text); err != nil {
		return err
	}
	if err := k.line.journal(k.ctx, k.s, k.by, "open finding", fmt.Sprint(row.Finding), "", map[string]any{
		"product": row.Product, "unit": k.at.Serial, "kind": row.Kind, "signals": len(signals), "earlier": earlier,
	}); err != nil {
		return err
	}
	return k.analyse(row)
}

func (k *finder) analyse(row store.FindingRow) error {
	a, err := analyse(k.ctx, k.s, k.b, row, k.at.Place)
	if err != nil {
		return err
	}
	if row.Analysis, err = json.Marshal(a); err != nil {
		return err
	}
	row.AnalysedTo = k.at.Place
	return k.s.SetFinding(k.ctx, row)
}

// link says that signals belong to a finding: those of frozen limits, and those of charts
// that were still learning.
func (k *finder) link(number int64, signals []store.SignalRow) error {
	var frozen, learning []store.SignalRow
	for _, g := range signals {
		if g.LimitSet == 0 {
			learning = append(learning, g)
		} else {
			frozen = append(frozen, g)
		}
	}
	if err := k.s.LinkSignals(k.ctx, number, learning); err != nil {
		return err
	}
	return k.s.LinkSignals(k.ctx, number, frozen)
}

func (k *finder) event(number int64, kind, text string) error {
	return k.s.AddFindingEvent(k.ctx, store.FindingEvent{
		Finding: number, At: k.line.now(), Actor: k.by.Actor, Origin: k.by.Origin, Kind: kind, Place: k.at.Place, Text: text,
	})
}

// signalText says which signals stand at one unit, the largest of them by name.
func (b *board) signalText(signals []store.SignalRow) string {
	rows := slices.Clone(signals)
	slices.SortStableFunc(rows, func(x, y store.SignalRow) int {
		return -cmpFloat(math.Abs(float64(x.Z)), math.Abs(float64(y.Z)))
	})
	var parts []string
	for _, g := range rows[:min(3, len(rows))] {
		if chart.Key(g.Rule) == Together {
			parts = append(parts, "all streams together, led by "+b.title(g.Stream))
			continue
		}
		parts = append(parts, fmt.Sprintf("%s %s (%+.1f sigmas)", b.title(g.Stream), g.Rule, g.Z))
	}
	text := fmt.Sprintf("%s at %s: %s", number(len(rows), "signal"), rows[0].Serial, strings.Join(parts, ", "))
	if more := len(rows) - len(parts); more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

func number(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (b *board) title(key string) string {
	if i := b.stream(key); i >= 0 {
		return b.setup.StreamList[i].Title
	}
	return key
}

// unanchored returns the levels of one channel per band in dB above the target with the
// anchor taken back out, from a stored reading.
func (s *Setup) unanchored(r store.ReadingRow, channel string) []float64 {
	first, sens := s.position(envelope.Deviation, channel, 0), s.position(envelope.Sensitivity, channel, -1)
	out := make([]float64, len(s.Band))
	for i := range out {
		out[i] = float64(r.Streams[first+i]) + float64(r.Streams[sens])
	}
	return out
}
