package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/chart"
	"alike/spc/envelope"
	"alike/spc/sample"
)

// contextUnits is how many units before a lot its control charts show.
const contextUnits = 60

// mostCharts is how many control charts a report carries: those that moved most.
const mostCharts = 8

// LotReport gathers everything the report of a lot says, as one moment saw it.
func (l *Line) LotReport(ctx context.Context, lot, program string) (reports.Lot, error) {
	g := &gathering{line: l, program: program}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error { return g.run(ctx, s, lot) })
	return g.out, err
}

// A gathering is one call of LotReport on its way.
type gathering struct {
	line    *Line
	program string
	pin     *pin // nil for the report as it is now
	out     reports.Lot

	zone     *time.Location
	lot      store.LotRow
	setup    *Setup
	env      store.EnvelopeRow
	limits   envelope.Limits
	board    *board // nil without any limit set
	watched  bool   // it was in force when the lot was measured
	units    []store.UnitRow
	attempts map[string][]store.AttemptRow // by serial
	last     map[string]store.ReadingRow   // last judged attempt of each unit
	first    []store.ReadingRow            // charted attempts, in order of production
	signals  []store.SignalRow
	refused  []store.QuarantineRow
	digest   []store.Twin
	links    map[store.SignalLink]int64 // signal → finding
	rigs     []string                   // how the rig was checked, one clause each
	seating  string                     // where the limits of seatings come from, as a clause
	steps    []store.LotStep
	over     []store.OverrideRow
	touching []touching // findings with signals at units of the lot, oldest first
	checked  bool       // a rig policy was in force at the lot's end
}

// A pin holds a report to what was known when its lot was decided: chart limits frozen
// later do not read it anew, fault signatures learnt and plans changed later do not explain
// it, and what is refused later is not of it.
type pin struct {
	limitSet int
	at       time.Time
}

func (g *gathering) run(ctx context.Context, s store.Site, lot string) error {
	if err := g.load(ctx, s, lot); err != nil {
		return err
	}
	g.head()
	g.unitRows()
	g.attemptRows()
	g.bandRows()
	g.balance()
	if err := g.parts(ctx, s); err != nil {
		return err
	}
	if err := g.charts(ctx, s); err != nil {
		return err
	}
	if err := g.findings(ctx, s); err != nil {
		return err
	}
	g.signalRows()
	if err := g.counts(ctx, s); err != nil {
		return err
	}
	g.out.Proposal = g.proposal()
	if err := g.record(ctx, s); err != nil {
		return err
	}
	if err := g.rig(ctx, s); err != nil {
		return err
	}
	if err := g.rigDays(ctx, s); err != nil {
		return err
	}
	g.method()
	if err := g.life(ctx, s); err != nil {
		return err
	}
	return g.out.Check()
}

// load reads the lot's rows.
func (g *gathering) load(ctx context.Context, s store.Site, lot string) (err error) {
	if g.lot, err = s.Lot(ctx, lot); errors.Is(err, store.ErrNotFound) {
		return noLot(lot)
	} else if err != nil {
		return err
	}
	site, err := s.Row(ctx)
	if err != nil {
		return err
	}
	if g.zone, err = time.LoadLocation(site.Zone); err != nil {
		return err
	}
	g.out.Site, g.out.Program = site.Name, "alike "+g.program
	if err := g.loadLife(ctx, s); err != nil {
		return err
	}
	if g.setup, err = g.line.setupAt(ctx, s, g.lot.Product, g.until()); err != nil {
		return err
	}
	if g.units, err = s.UnitsOfLot(ctx, lot); err != nil {
		return err
	}
	if err := g.loadAttempts(ctx, s); err != nil {
		return err
	}
	if err := g.loadBoard(ctx, s); err != nil {
		return err
	}
	if g.signals, err = s.SignalsOfLot(ctx, lot); err != nil {
		return err
	}
	if g.refused, err = s.Refused(ctx, lot); err != nil {
		return err
	}
	g.cut()
	g.digest, err = s.LotDigest(ctx, lot)
	return err
}

// loadAttempts reads attempts and readings, and the envelope that the last of them
// was judged by.
func (g *gathering) loadAttempts(ctx context.Context, s store.Site) error {
	rows, err := s.AttemptsOfLot(ctx, g.lot.Lot)
	if err != nil {
		return err
	}
	g.attempts = map[string][]store.AttemptRow{}
	version := 0
	for _, a := range rows {
		g.attempts[a.Serial] = append(g.attempts[a.Serial], a)
		if a.Envelope != nil {
			version = max(version, *a.Envelope)
		}
	}
	if g.env, err = s.Envelope(ctx, g.setup.Code, version); err != nil {
		return err
	}
	if g.limits, err = onBands(g.env, g.setup); err != nil {
		return err
	}
	readings, err := s.ReadingsOfLot(ctx, g.lot.Lot)
	if err != nil {
		return err
	}
	g.last = map[string]store.ReadingRow{}
	for _, r := range readings {
		g.last[r.Serial] = r // by attempt, so the last one stays
		if r.Charted {
			g.first = append(g.first, r)
		}
	}
	return nil
}

// loadBoard finds the limit set that was in force at the lot's last unit. A lot from
// before any limits is drawn with the first ones, which were often set from it.
func (g *gathering) loadBoard(ctx context.Context, s store.Site) error {
	if len(g.first) == 0 {
		return nil
	}
	row, err := s.LimitSetUpTo(ctx, g.setup.Code, g.first[len(g.first)-1].Place, g.newest())
	g.watched = err == nil
	if errors.Is(err, store.ErrNotFound) && g.newest() > 0 {
		row, err = s.LimitSet(ctx, g.setup.Code, 1)
	}
	if errors.Is(err, store.ErrNotFound) {
		return nil
	} else if err != nil {
		return err
	}
	if g.board, err = newBoard(g.setup, row); err != nil {
		return err
	}
	return g.board.join(ctx, s)
}

func (g *gathering) head() {
	o := &g.out
	o.Product = strings.TrimSpace(g.setup.Name + " " + revision(g.setup.Revision))
	o.Code = g.lot.Lot
	o.Opened = g.lot.OpenedAt.In(g.zone)
	for _, b := range g.setup.Band {
		o.Axis, o.Labels = append(o.Axis, b.Mid()), append(o.Labels, b.Label())
	}
	lower, upper := g.limits.Working()
	o.Limits = reports.Limits{Lower: g.limits.Lower, Upper: g.limits.Upper, WorkingLower: lower, WorkingUpper: upper}
}

func revision(r string) string {
	if r == "" {
		return ""
	}
	return "rev " + r
}

// unitRows fills one row per unit, with the curves of its last judged attempt.
func (g *gathering) unitRows() {
	for _, u := range g.units {
		attempts := g.attempts[u.Serial]
		if len(attempts) == 0 {
			continue
		}
		end := attempts[len(attempts)-1]
		row := reports.UnitRow{
			Serial: u.Serial, MeasuredAt: end.MeasuredAt.In(g.zone), Operator: end.Operator, Station: end.Station,
			Attempts: len(attempts), First: firstWord(attempts), Last: g.standing(end), Margin: math.NaN(), Balance: math.NaN(),
		}
		if row.MeasuredAt.After(g.out.Closed) {
			g.out.Closed = row.MeasuredAt
		}
		var v Verdict
		if end.Judgement != nil && json.Unmarshal(end.Judgement, &v) == nil {
			row.Sentence, row.Worst = g.afterRetests(attempts)+v.Sentence, v.Worst
			if row.ReadAs = v.ReadAs.Short(); row.ReadAs != "" {
				row.Sentence += "; " + row.ReadAs
			}
			row.NotChecked = strings.Join(v.NotChecked, "; ")
			if v.Margin != nil {
				row.Margin = *v.Margin
			}
		} else {
			row.Sentence = "takes are missing: it is not judged"
		}
		if r, ok := g.last[u.Serial]; ok {
			g.scalars(&row, r)
		}
		g.out.Units = append(g.out.Units, row)
	}
}

// word returns an attempt's verdict, "waiting" while takes are missing.
func word(a store.AttemptRow) string {
	if a.Verdict == nil {
		return Waiting
	}
	return *a.Verdict
}

// firstWord returns the verdict that first-pass yield goes by: that of the first
// attempt on a trusted rig, hold while there is none.
func firstWord(attempts []store.AttemptRow) string {
	for _, a := range attempts {
		if w := word(a); w != string(envelope.Hold) {
			return w
		}
	}
	return string(envelope.Hold)
}

// Waiting stands where an attempt has no verdict because takes are missing.
const Waiting = "waiting"

func (g *gathering) scalars(row *reports.UnitRow, r store.ReadingRow) {
	s := g.setup
	for _, c := range s.Channels {
		row.Sensitivity = append(row.Sensitivity, float64(r.Streams[s.position(envelope.Sensitivity, c, -1)]))
		row.Roughness = append(row.Roughness, float64(r.Streams[s.position(envelope.Roughness, c, -1)]))
		at := s.position(envelope.Deviation, c, 0)
		row.Curves = append(row.Curves, reports.Series{Name: c, Values: wide(r.Streams[at : at+len(s.Band)])})
	}
	if at := s.position(envelope.Balance, "", -1); at >= 0 {
		row.Balance = float64(r.Streams[at])
	}
}

// balance fills the curves of left minus right and their limits.
func (g *gathering) balance() {
	at := g.setup.position(envelope.Balance, "", 0)
	if at < 0 || !g.setup.pair() {
		return
	}
	g.out.BalanceLimits = g.limits.Balance
	for _, u := range g.units {
		if r, ok := g.last[u.Serial]; ok {
			g.out.BalanceCurves = append(g.out.BalanceCurves, reports.Series{Name: u.Serial, Values: wide(r.Streams[at : at+len(g.setup.Band)])})
		}
	}
}

// bandRows sums up each band of each channel over the units' last judged attempts.
func (g *gathering) bandRows() {
	for _, c := range g.setup.Channels {
		for i, b := range g.setup.Band {
			row := reports.BandRow{
				Channel: c, Label: b.Label(), Mid: b.Mid(), LowerLimit: g.limits.Lower[i], UpperLimit: g.limits.Upper[i],
				Mean: math.NaN(), SD: math.NaN(), Low: math.NaN(), High: math.NaN(), BaselineMean: math.NaN(), Shift: math.NaN(),
			}
			at := g.setup.position(envelope.Deviation, c, i)
			var xs []float64
			for _, u := range g.units {
				r, ok := g.last[u.Serial]
				if !ok || isNaN(r.Streams[at]) {
					continue
				}
				x := float64(r.Streams[at])
				xs = append(xs, x)
				if !(x >= row.Low) {
					row.Low, row.LowSerial = x, u.Serial
				}
				if !(x <= row.High) {
					row.High, row.HighSerial = x, u.Serial
				}
				if x < row.LowerLimit || x > row.UpperLimit {
					row.Outside++
				}
			}
			if row.N = len(xs); row.N > 0 {
				row.Mean, row.SD = sample.Mean(xs), sample.SD(xs)
			}
			row.BaselineMean, row.Shift = g.shift(at)
			g.out.Bands = append(g.out.Bands, row)
		}
	}
}

// shift holds the lot's first attempts against the baseline: the centre, and the
// difference of means in standard errors of both.
func (g *gathering) shift(stream int) (center, shift float64) {
	if g.board == nil {
		return math.NaN(), math.NaN()
	}
	center = g.board.set.Center[stream]
	sum, n := 0.0, 0.0
	for _, r := range g.first {
		if x := float64(r.Streams[stream]); !math.IsNaN(x) {
			sum, n = sum+x, n+1
		}
	}
	if n == 0 {
		return center, math.NaN()
	}
	m := float64(len(g.board.set.Baseline))
	return center, (sum/n - center) / (g.board.set.Sigma[stream] * math.Sqrt(1/n+1/m))
}

func (g *gathering) parts(ctx context.Context, s store.Site) error {
	rows, err := s.PartsOfLot(ctx, g.lot.Lot)
	for _, p := range rows {
		g.out.Parts = append(g.out.Parts, reports.PartRow(p))
	}
	return err
}

// charts picks the streams that moved most: those with most signals, then those
// whose lot mean lies farthest from the centre.
func (g *gathering) charts(ctx context.Context, s store.Site) error {
	if g.board == nil || len(g.first) == 0 {
		return nil
	}
	fired := map[string]int{}
	for _, sig := range g.signals {
		fired[sig.Stream]++
	}
	type ranked struct {
		stream int
		shift  float64
	}
	var order []ranked
	for i := range g.setup.StreamList {
		if _, shift := g.shift(i); !math.IsNaN(shift) {
			order = append(order, ranked{i, math.Abs(shift)})
		}
	}
	slices.SortStableFunc(order, func(a, b ranked) int {
		if d := fired[g.setup.StreamList[b.stream].Key] - fired[g.setup.StreamList[a.stream].Key]; d != 0 {
			return d
		}
		return -cmpFloat(a.shift, b.shift)
	})
	from, to := g.first[0].Place-contextUnits, g.first[len(g.first)-1].Place
	rows, err := s.LastReadings(ctx, g.setup.Code, from, to+1, math.MaxInt32)
	if err != nil {
		return err
	}
	for _, r := range order[:min(mostCharts, len(order))] {
		g.out.Charts = append(g.out.Charts, g.chart(r.stream, rows))
	}
	return nil
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// chart makes the control chart of one stream over the given units.
func (g *gathering) chart(stream int, rows []store.ReadingRow) reports.Chart {
	st := g.setup.StreamList[stream]
	inLot := map[string]bool{}
	for _, u := range g.units {
		inLot[u.Serial] = true
	}
	points := make([]StreamPoint, len(rows))
	var marks []store.SignalRow
	for i, r := range rows {
		points[i] = StreamPoint{r.Place, r.Serial, float64(r.Streams[stream]), inLot[r.Serial]}
	}
	for _, sig := range g.signals {
		if sig.Stream == st.Key && sig.LimitSet == g.board.set.Version {
			marks = append(marks, sig)
		}
	}
	return g.board.chart(stream, points, marks)
}

// signalRows merges signals of one rule on one stream and of one finding that lie close
// together.
func (g *gathering) signalRows() {
	const near = 5 // units without a signal that do not end a group
	open := map[string]int{}
	end := map[string]int64{}
	for _, sig := range g.signals {
		number := g.finding(sig)
		key := fmt.Sprintf("%s\x00%s\x00%d", sig.Stream, sig.Rule, number)
		i, ok := open[key]
		if !ok || sig.Place-end[key] > near {
			i = len(g.out.Signals)
			open[key] = i
			g.out.Signals = append(g.out.Signals, reports.SignalRow{
				Stream: g.title(sig.Stream), Rule: sig.Rule, Text: g.ruleText(sig), First: sig.Serial, LimitsFrom: versionText(sig.LimitSet), Finding: number,
			})
		}
		row := &g.out.Signals[i]
		row.Last, end[key] = sig.Serial, sig.Place
		row.Count++
		if math.Abs(float64(sig.Z)) > math.Abs(row.Largest) {
			row.Largest = float64(sig.Z)
		}
	}
}

func (g *gathering) title(key string) string {
	for _, st := range g.setup.StreamList {
		if st.Key == key {
			return st.Title
		}
	}
	return key
}

func (g *gathering) ruleText(sig store.SignalRow) string {
	if g.board != nil && g.board.set.Version == sig.LimitSet {
		return g.board.ruleText(chart.Key(sig.Rule))
	}
	return sig.Rule
}
