package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/internal/sim"
	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/chart"
	"alike/spc/envelope"
)

// learning is a workbench without frozen limits.
func learning(t *testing.T, change func(*line.Product)) *workbench {
	t.Helper()
	p := product()
	if change != nil {
		change(&p)
	}
	l, db := workshop(t, p)
	return &workbench{Line: l, t: t, db: db, rng: rand.New(rand.NewPCG(7, 8))}
}

// learntSignals lists the signals of the charts that learn, by serial.
func (w *workbench) learntSignals() []string {
	w.t.Helper()
	rows, err := w.db.Site("main").SignalsFrom(w.t.Context(), "p1", 0, 1)
	if err != nil {
		w.t.Fatal(err)
	}
	var out []string
	for _, g := range rows {
		out = append(out, fmt.Sprintf("%s %s %s %.4f", g.Serial, g.Stream, g.Rule, g.Z))
	}
	slices.Sort(out)
	return out
}

func lessBass(db float64) func(float64) float64 {
	return func(hz float64) float64 { return -db / (1 + math.Pow(hz/150, 2)) }
}

// Both limits against scipy and a Markov chain with 2000 states in numpy (command and
// numbers in testdata/learn-limits.txt).
func TestLimitsOfLearning(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		streams, every int
		beyond, sum    float64
	}{{98, 500, 4.412803, 7.0527}, {29, 20, 3.332056, 4.0972}} {
		beyond, sum, err := line.LearnLimits(tt.streams, tt.every)
		if err != nil || math.Abs(beyond-tt.beyond) > 1e-5 || math.Abs(sum-tt.sum) > 3e-3 {
			t.Errorf("%d streams, one in %d: %v and %v, want %v and %v (%v)", tt.streams, tt.every, beyond, sum, tt.beyond, tt.sum, err)
		}
	}
}

// normal makes units whose streams are independent normal.
func normal(setup *line.Setup, rng *rand.Rand, units int) [][]float32 {
	var out [][]float32
	for range units {
		row := make([]float32, len(setup.StreamList))
		for i := range row {
			row[i] = float32(3 + 0.4*rng.NormFloat64())
		}
		out = append(out, row)
	}
	return out
}

// Independent normal streams cry wolf no more often than the budget says, and not far more
// rarely: from the third unit on, over the first sixty.
func TestLearningKeepsTheBudget(t *testing.T) {
	t.Parallel()
	p := product()
	p.FalseAlarms = 20
	setup, err := p.SetUp()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 12))
	alarms, boards := 0, 150
	for range boards {
		last := -100
		for i, s := range learnt(t, setup, normal(setup, rng, 60)) {
			if len(s.Fired) > 0 && i < 2 {
				t.Fatalf("unit %d fired", i+1)
			}
			if len(s.Fired) > 0 && i-last > 3 {
				alarms++
			}
			if len(s.Fired) > 0 {
				last = i
			}
		}
	}
	most := float64(boards*58) / 20
	if a := float64(alarms); a > most+3*math.Sqrt(most) || a < most/2 {
		t.Errorf("%d alarms in %d boards of 60 units, %.0f are the budget", alarms, boards, most)
	}
}

// The simulated workshop, whose streams are correlated and partly skew: few false alarms in
// the first sixty units of twenty workshops, and a leak of 1 dB is seen soon. The whole
// table is testdata/learn.txt.
func TestLearningInTheWorkshop(t *testing.T) {
	t.Parallel()
	product := sim.TB40()
	p := simulated(product)
	setup, err := p.SetUp()
	if err != nil {
		t.Fatal(err)
	}
	leak := func(ch int, q sim.Params) sim.Params {
		return q.PadLeak(sim.Slit{Width: 20e-3, Gap: 0.45e-3, Depth: 15e-3})
	}
	const workshops, units, from = 12, 40, 20
	alarms, seen := 0, 0
	for n := range workshops {
		var good, bad [][]float32
		for i := range units {
			key := sim.Key{Seed: 5, Lot: n, Unit: i}
			good = append(good, unitOf(t, setup, product, key))
			if i >= from && i < from+5 {
				bad = append(bad, unitOf(t, setup, product, key, leak))
			}
		}
		for _, s := range learnt(t, setup, good) {
			if len(s.Fired) > 0 {
				alarms++
				break
			}
		}
		for i, s := range learnt(t, setup, slices.Concat(good[:from], bad)) {
			if i >= from && len(s.Fired) > 0 {
				seen++
				break
			}
		}
	}
	// 12 times 40 units are 0.96 alarms at most on average: five are chance once in 300.
	if alarms > 4 || seen < workshops-1 {
		t.Errorf("%d of %d workshops cried wolf, %d saw the leak within five units", alarms, workshops, seen)
	}
}

// The flow's signals against the chart of spc over the same values, up to the first signal.
func TestLearningAgreesWithTheChart(t *testing.T) {
	t.Parallel()
	w := learning(t, nil)
	w.build(16, nil, nil)
	w.build(1, lessBass(1.8), nil)
	setup, err := w.Setup(t.Context(), "p1")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := w.db.Site("main").LastReadings(t.Context(), "p1", 1, math.MaxInt64, 100)
	if err != nil {
		t.Fatal(err)
	}
	beyond, sum, err := line.LearnLimits(len(setup.StreamList), setup.FalseAlarms)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{}
	for i, st := range setup.StreamList {
		var xs []float64
		for _, r := range rows {
			xs = append(xs, float64(r.Streams[i]))
		}
		c, err := chart.SelfStarting(xs, chart.Options{})
		if err != nil { // the anchor, which is zero in every unit
			continue
		}
		up, down, wide := 0.0, 0.0, 1.0
		if st.Quantity == envelope.Roughness || st.Quantity == envelope.Deviation && st.Hz < 200 {
			wide = 1.12
		}
		for _, p := range c.Points {
			if math.Abs(p.Value) > beyond*wide {
				want = append(want, fmt.Sprintf("%s %s beyond", rows[p.Index-1].Serial, st.Key))
			}
			q := math.Max(-3, math.Min(3, p.Value))
			up, down = math.Max(0, up+q-0.75), math.Max(0, down-q-0.75)
			if up >= sum*wide || down >= sum*wide {
				t.Fatalf("%s: a sum went out at %s", st.Key, rows[p.Index-1].Serial)
			}
		}
	}
	var got []string
	for _, g := range w.learntSignals() {
		got = append(got, g[:strings.LastIndex(g, " ")])
	}
	slices.Sort(want)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("signals %q, want %q", got, want)
	}
}

// A bad unit that passes is not learnt, so that it does not widen the limits for those
// after it; it is a finding of one unit.
func TestBadUnitIsNotLearnt(t *testing.T) {
	t.Parallel()
	width := func(bad bool) float64 {
		w := learning(t, nil)
		w.build(11, nil, nil)
		if bad {
			w.build(1, lessBass(2.2), nil)
		}
		w.build(6, nil, nil)
		v, err := w.StreamView(t.Context(), "p1", "deviation/left/63", math.MaxInt64, 100)
		if err != nil {
			t.Fatal(err)
		}
		first, last := v.Stream.Sections[8], v.Stream.Sections[len(v.Stream.Sections)-1]
		if !(last.Upper-last.Lower < first.Upper-first.Lower) {
			t.Errorf("the limits do not narrow: %+v, then %+v", first, last)
		}
		if bad {
			fs := w.findings()
			if len(fs) != 1 || fs[0].Kind != line.OneUnit || fs[0].FirstSerial != "L012" {
				t.Errorf("%+v", fs)
			}
			if !strings.Contains(last.Name, "limits being learnt (16 units)") {
				t.Errorf("%q", last.Name)
			}
		}
		return last.Upper - last.Lower
	}
	if a, b := width(false), width(true); math.Abs(a/b-1) > 0.35 { // learnt, it would be three times as wide
		t.Errorf("limits %v dB wide, with a bad unit among the first %v", a, b)
	}
}

// A change of the line before limits are frozen is one finding with its change point; it
// is still the same one when limits are frozen and the units read anew, and the next unit
// joins it.
func TestChangeBeforeLimitsIsHandedOver(t *testing.T) {
	t.Parallel()
	w := learning(t, nil)
	w.build(22, nil, nil)
	w.build(7, lessBass(1.3), nil)
	fs := w.findings()
	if len(fs) != 1 || fs[0].Kind != line.TheLine || fs[0].Analysis.Change == nil {
		t.Fatalf("%+v", fs)
	}
	if c := fs[0].Analysis.Change; !slices.Contains(c.Set, 23) || len(c.Set) > 3 {
		t.Errorf("changed at %s, set %v", c.Serial, c.Set)
	}
	r, err := w.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	reasons := strings.Join(r.Proposal.Reasons, " ")
	if !strings.Contains(reasons, "limits were still being learnt (20 units by the end of the lot), and the charts that learn gave signals at L0") || r.Proposal.Word != line.Refuse {
		t.Errorf("%s: %s", r.Proposal.Word, reasons)
	}
	if len(r.Signals) == 0 || r.Signals[0].LimitsFrom != "limits still being learnt" || r.Signals[0].Finding != fs[0].Number || !strings.Contains(r.Signals[0].Text, "still being learnt") {
		t.Errorf("%+v", r.Signals)
	}
	now, err := w.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if p := now.Products[0]; p.State != line.NotAllRight || !strings.Contains(strings.Join(p.Reasons, " "), "Limits are still being learnt (20 units)") {
		t.Errorf("%s %q", p.State, p.Reasons)
	}
	before := w.learntSignals()
	var base []string
	for i := range 22 {
		base = append(base, fmt.Sprintf("L%03d", i+1))
	}
	if _, err := w.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Serials: base}, "good ones")); err != nil {
		t.Fatal(err)
	}
	if after := w.learntSignals(); !slices.Equal(before, after) {
		t.Errorf("the record of the time before has changed: %q, then %q", before, after)
	}
	w.build(2, lessBass(1.3), nil)
	fs = w.findings()
	if len(fs) != 1 || fs[0].LastSerial != "L031" {
		t.Errorf("%d findings, the first up to %s", len(fs), fs[len(fs)-1].LastSerial)
	}
	if f, err := w.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Lot: "L1"}, "all of them")); err != nil || !strings.Contains(strings.Join(f.Warnings, " "), "9 units of the baseline gave signals while limits were learnt: L023") {
		t.Errorf("%q (%v)", f.Warnings, err)
	}
}

// The value standardised by frozen limits lies where its self-starting score would have
// been: within what sigma from moving ranges and sigma from squares differ by, and what a
// small baseline draws in.
func TestHandoverMakesNoJump(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		units        int
		fixed, share float64
	}{{20, 0.12, 0.42}, {40, 0.08, 0.30}, {60, 0.06, 0.24}} {
		w := learning(t, nil)
		w.build(tt.units, nil, nil)
		w.freeze()
		setup, err := w.Setup(t.Context(), "p1")
		if err != nil {
			t.Fatal(err)
		}
		set, err := w.db.Site("main").LimitSet(t.Context(), "p1", 0)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := w.db.Site("main").LastReadings(t.Context(), "p1", 1, math.MaxInt64, 100)
		if err != nil {
			t.Fatal(err)
		}
		compared := 0
		for i, st := range setup.StreamList {
			if math.IsNaN(set.Sigma[i]) {
				continue
			}
			var s chart.SelfStart
			for _, r := range rows {
				s.Learn(float64(r.Streams[i]))
			}
			for _, z := range []float64{-4, -2, -0.5, 0, 1, 3} {
				compared++
				q, ok := s.Score(set.Center[i] + z*set.Sigma[i])
				if !ok || math.Abs(q-z) > tt.fixed+tt.share*math.Abs(z) {
					t.Errorf("%d units, %s: %v sigmas from the centre, score %.2f", tt.units, st.Key, z, q)
				}
			}
		}
		if compared < 100 {
			t.Errorf("%d compared", compared)
		}
	}
}

// A sum that was under way at the end of the baseline is read to its end behind it, and
// nothing else of the charts that learnt is.
func TestSumsGoOnAtTheHandover(t *testing.T) {
	t.Parallel()
	w := learning(t, nil)
	w.build(24, nil, nil)
	w.build(3, lessBass(0.42), nil)
	if got := w.learntSignals(); len(got) > 0 {
		t.Fatalf("seen already: %q", got)
	}
	w.freeze()
	w.build(8, lessBass(0.42), nil)
	got := w.learntSignals()
	if len(got) == 0 || !strings.HasPrefix(got[0], "L0") {
		t.Fatal("no sum went on")
	}
	for _, g := range got {
		if !strings.Contains(g, "small-shift") || g < "L028" {
			t.Errorf("%s", g)
		}
	}
	fs := w.findings()
	if len(fs) != 1 || fs[0].Kind != line.TheLine {
		t.Errorf("%d findings", len(fs))
	}
}

// Twenty units at a new level are learnt anew, and their finding says so.
func TestChangeThatStaysIsLearntAnew(t *testing.T) {
	t.Parallel()
	w := learning(t, nil)
	w.build(12, nil, nil)
	w.build(21, lessBass(2.2), nil)
	fs := w.findings()
	if len(fs) != 1 {
		t.Fatalf("%d findings", len(fs))
	}
	f, err := w.Finding(t.Context(), fs[0].Number)
	if err != nil {
		t.Fatal(err)
	}
	var told store.FindingEvent
	for _, e := range f.Events {
		if e.Kind == "learnt" {
			told = e
		}
	}
	if told.Place != 33 || !strings.Contains(told.Text, "20 units in a row") {
		t.Errorf("told %+v", told)
	}
	w.build(4, lessBass(2.2), nil)
	for _, g := range w.learntSignals() {
		if g > "L033" { // the first that was held against it
			t.Errorf("%s after the new level was learnt", g)
		}
	}
}

// Learning ends: what is said then rests on the last units and what was learnt, and a
// program that was started anew says the same.
func TestLearningEnds(t *testing.T) {
	t.Parallel()
	run := func(anew ...int) ([]string, line.ProductNow) {
		w := learning(t, nil)
		for i := range line.LearnMost + 22 {
			if slices.Contains(anew, i) {
				w.Line = line.New(w.db, "main", w.Clock())
			}
			shape := flat
			if i >= line.LearnMost+12 {
				shape = lessBass(0.6)
			}
			w.build(1, shape, nil)
		}
		now, err := w.Now(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return w.learntSignals(), now.Products[0]
	}
	a, p := run()
	if len(a) == 0 || p.Learning == nil || !p.Learning.Full || p.Learning.Units != line.LearnMost || !strings.Contains(strings.Join(p.Reasons, " "), "Freeze limits now") {
		t.Errorf("%d signals, %+v %q", len(a), p.Learning, p.Reasons)
	}
	if b, _ := run(9, 120, line.LearnMost+5, line.LearnMost+14); !slices.Equal(a, b) {
		t.Errorf("started anew it says %q, else %q", b, a)
	}
}

// Units on hold that are judged when others have come, and those that go on hold later,
// leave the signals that would stand had they come like this at first.
func TestHeldUnitsAreLearntInOrder(t *testing.T) {
	t.Parallel()
	shapes := func(i int) (func(float64) float64, string) {
		rng := rand.New(rand.NewPCG(3, uint64(i)))
		var own []float64
		for range 12 {
			own = append(own, 0.1*rng.NormFloat64())
		}
		return func(hz float64) float64 {
			v := own[min(11, max(0, int(math.Log2(hz/14))))]
			if i == 8 || i >= 14 {
				v += lessBass(1.5)(hz)
			}
			return v
		}, fmt.Sprintf("U%02d", i)
	}
	signals := func(held bool) []string {
		l, db := trusted(t)
		w := &workbench{Line: l, t: t, db: db}
		for i := range 20 {
			shape, serial := shapes(i)
			hours := float64(i) / 2
			if held && i >= 5 && i < 9 {
				hours += 30 // no check for so long
			}
			intake(t, l, on(visit(serial, shape, flat), hours))
		}
		if held {
			for _, serial := range []string{"U07", "U05", "U06", "U08"} {
				if _, err := l.Release(t.Context(), tester, []string{serial}, "looked at"); err != nil {
					t.Fatal(err)
				}
			}
		}
		return w.learntSignals()
	}
	a, b := signals(false), signals(true)
	if len(a) < 10 || !slices.Equal(a, b) {
		t.Errorf("in order:\n%s\nheld:\n%s", strings.Join(a, "\n"), strings.Join(b, "\n"))
	}
}

// Units of an older lot that come in late are judged and may serve in a baseline; what is
// said of the others is what would be said without them.
func TestLateUnitsAreNotLearnt(t *testing.T) {
	t.Parallel()
	signals := func(late bool) []string {
		w := learning(t, nil)
		in := func(serial, lot string, hours int, shape func(float64) float64) line.Receipt {
			takes := visit(serial, w.wavy(0, shape), w.wavy(0, nil))
			for i := range takes {
				takes[i].Lot = lot
			}
			return intake(t, w.Line, on(takes, float64(hours)))
		}
		for i := range 9 {
			in(fmt.Sprintf("N%02d", i), "L2", 100+i, nil)
		}
		if late {
			keep := w.rng
			w.rng = rand.New(rand.NewPCG(1, 1))
			for i := range 8 {
				r := in(fmt.Sprintf("O%02d", i), "L1", i, lessBass(1))
				if !strings.Contains(r.Notice, "comes in late") || len(r.Signals) > 0 {
					t.Errorf("%d: %q, %d signals", i, r.Notice, len(r.Signals))
				}
			}
			w.rng = keep
		}
		for i := range 8 {
			in(fmt.Sprintf("P%02d", i), "L2", 200+i, lessBass(2*one(i > 3)))
		}
		return w.learntSignals()
	}
	a, b := signals(false), signals(true)
	if len(a) == 0 || !slices.Equal(a, b) {
		t.Errorf("without %q, with late units %q", a, b)
	}
}

// Drivers come batch by batch: nothing of them is charted before limits are frozen.
func TestDriversAreNotLearnt(t *testing.T) {
	t.Parallel()
	p := driverProduct()
	l, _ := workshop(t, p)
	b, err := l.Learns(t.Context(), p.Code)
	if err != nil || b {
		t.Errorf("%v (%v)", b, err)
	}
	if b, err := learning(t, nil).Learns(t.Context(), "p1"); err != nil || !b {
		t.Errorf("%v (%v)", b, err)
	}
}

func learnt(t *testing.T, setup *line.Setup, rows [][]float32) []line.Said {
	var in []store.LearnRow
	for i, r := range rows {
		in = append(in, store.LearnRow{Place: int64(i + 1), Number: 1, Serial: fmt.Sprint(i), Lot: "L", Verdict: string(envelope.Pass), Streams: r})
	}
	said, err := setup.Learn(in)
	if err != nil {
		t.Fatal(err)
	}
	return said
}

// unitOf measures a unit as the flow reduces it.
func unitOf(t *testing.T, setup *line.Setup, product *sim.Product, key sim.Key, changes ...sim.Change) []float32 {
	u := product.Draw(key, changes...)
	seats := map[string][][]float64{}
	for ch, name := range sim.Channels {
		for seating := 1; seating <= sim.Seatings; seating++ {
			var levels []float64
			for _, l := range band.Levels(u.Curve(ch, 1, seating), setup.Band) {
				levels = append(levels, float64(float32(l.DB)))
			}
			seats[name] = append(seats[name], levels)
		}
	}
	values, err := setup.Values(seats)
	if err != nil {
		t.Error(err)
	}
	return values
}
