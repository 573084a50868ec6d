//go:build study

package line_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/band"
)

var (
	histories = flag.Int("histories", 60, "simulated histories of the study")
	studySeed = flag.Uint64("seed", 1, "seed of the study")
	chatty    = flag.Bool("each", false, "print every history")
)

// The study's histories: a baseline, good units, and in two of three a fault from some
// unit on.
const (
	baseUnits  = 40
	totalUnits = 160
)

// A plant is what really happens in one history.
type plant struct {
	key     string // signature; empty for no fault
	channel int    // -1 for both
	size    string
	change  func(sim.Params) sim.Params // nil for no fault
	at      int                         // unit from 0
	factor  string                      // of the ledger, that changed with it; empty when none did
	leak    bool                        // one of 1 dB below 100 Hz
	grows   bool
	grown   func(share float64) func(sim.Params) sim.Params
}

var sides = []string{"left", "right"}

// draw plants a history.
func draw(rng *rand.Rand, n int) plant {
	p := plant{at: baseUnits + 15 + rng.IntN(45), channel: rng.IntN(2)}
	if n%3 == 2 {
		p.at = totalUnits
		return p
	}
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	leak := func(make func(gap float64) func(sim.Params) sim.Params, db float64) float64 {
		low, high := 0.05e-3, 3e-3
		for range 40 {
			if mid := (low + high) / 2; bass(make(mid)) < -db {
				high = mid
			} else {
				low = mid
			}
		}
		return high
	}
	pad := func(gap float64) func(sim.Params) sim.Params {
		return func(q sim.Params) sim.Params { return q.PadLeak(sim.Slit{Width: 20e-3, Gap: gap, Depth: 15e-3}) }
	}
	glue := func(gap float64) func(sim.Params) sim.Params {
		return func(q sim.Params) sim.Params { return q.GlueGap(sim.Slit{Width: 15e-3, Gap: gap, Depth: 3e-3}) }
	}
	db := between(0.6, 3)
	kind := rng.IntN(8)
	if n%3 == 0 { // every second fault is the leak that the aim speaks of
		db, kind, p.leak = 1, rng.IntN(2), true
	}
	side := sides[p.channel]
	switch kind {
	case 0:
		gap := leak(pad, db)
		p.key, p.factor, p.size, p.channel = "pad-leak", "pad", fmt.Sprintf("%.1f dB below 100 Hz", db), -1
		p.grown = func(s float64) func(sim.Params) sim.Params { return pad(gap * s) }
	case 1:
		gap := leak(glue, db)
		p.key, p.factor, p.size = "glue-gap", "glue "+side, fmt.Sprintf("%.1f dB below 100 Hz", db)
		p.grown = func(s float64) func(sim.Params) sim.Params { return glue(gap * s) }
	case 2:
		f := between(1.3, 2.2)
		p.key, p.factor, p.size, p.channel = "foam-dense", "foam", fmt.Sprintf("%.2f times", f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { q.Rf *= 1 + (f-1)*s; q.Mf *= 1 + (f-1)/4*s; return q }
		}
	case 3:
		p.key, p.factor, p.size = "plate-missing", "plate", "whole"
		p.grown = func(float64) func(sim.Params) sim.Params { return sim.Params.PlateMissing }
	case 4:
		f := between(0.15, 0.5)
		p.key, p.factor, p.size, p.channel = "mesh-blocked", "mesh", fmt.Sprintf("%.0f %%", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.MeshBlocked(f * s) }
		}
	case 5:
		p.key, p.factor, p.size = "mesh-missing", "mesh", "whole"
		p.grown = func(float64) func(sim.Params) sim.Params { return sim.Params.MeshMissing }
	case 6:
		f := between(0.04, 0.15)
		p.key, p.factor, p.size, p.channel = "sensitivity-low", "driver", fmt.Sprintf("%.0f %% less Bl", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.ScaleBl(1 - f*s) }
		}
	case 7:
		f := between(0.05, 0.2)
		p.key, p.factor, p.size, p.channel = "cone-heavy", "driver", fmt.Sprintf("%.0f %% heavier", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.ScaleMms(1 + f*s) }
		}
	}
	p.change = p.grown(1)
	p.grows = !p.leak && rng.IntN(3) == 0
	if rng.IntN(4) == 0 { // nothing in the ledger changed with it
		p.factor = ""
	}
	return p
}

// bass returns what a change does to a cup as drawn, mean over the bands up to 100 Hz, in
// dB.
func bass(change func(sim.Params) sim.Params) float64 {
	still := sim.TB40()
	still.Spread = sim.Spread{}
	key := sim.Key{}
	levels := func(u *sim.Unit) (sum float64) {
		n := 0.0
		for i, l := range band.Levels(u.Curve(1, 1, 1), still.Bands()) {
			if still.Bands()[i].Nominal() <= 100 {
				sum, n = sum+l.DB, n+1
			}
		}
		return sum / n
	}
	return levels(still.Draw(key, func(_ int, q sim.Params) sim.Params { return change(q) })) - levels(still.Draw(key))
}

// ledger draws batches of every kind, changing at places of their own, and with the fault.
func (p plant) ledger(rng *rand.Rand) []line.PartUse {
	var out []line.PartUse
	for _, k := range []string{"driver", "foam", "pad", "mesh", "plate", "shell", "glue left", "glue right"} {
		kind, channel, _ := strings.Cut(k, " ")
		var edges []int
		for at := 10 + rng.IntN(60); at < totalUnits; at += 25 + rng.IntN(60) {
			edges = append(edges, at)
		}
		if k == p.factor {
			edges = slices.DeleteFunc(edges, func(e int) bool { return e > p.at-12 && e < p.at+40 })
			edges = append(edges, p.at)
			slices.Sort(edges)
		}
		from := 0
		for i, e := range append(edges, totalUnits) {
			out = append(out, line.PartUse{Kind: kind, Channel: channel, Batch: fmt.Sprintf("%s-%d", strings.ToUpper(kind[:2]), i+1),
				Supplier: "x", First: unitSerial(from), Last: unitSerial(e - 1)})
			from = e
		}
	}
	return out
}

func unitSerial(n int) string { return fmt.Sprintf("S%04d", n+1) }

// An outcome is what the tool made of one history.
type outcome struct {
	plant
	signal, found   int // units after the change at which anything, and a finding of the line, stood; 0 never
	falseLine       int
	falseUnit       int
	goodUnits       int // watched without a fault
	findings        int // of the line, since the fault
	judged, inSet   bool
	setSize         int
	first, two      bool // cause ranked
	either          bool // first, or told confusable with the first
	causes          []string
	hasFactor       bool
	factorFirst     bool
	factorTwo       bool
	factors         []string
	shape, sentence string
	offBy           int
}

// TestStudy prints how well findings tell what was planted. Run it with
//
//	go test -tags study -run TestStudy -timeout 3h -v ./internal/line -args -histories 60
func TestStudyOfFindings(t *testing.T) {
	out := make([]outcome, *histories)
	var wg sync.WaitGroup
	next := make(chan int)
	for range 2 {
		wg.Go(func() {
			for i := range next {
				t.Run(fmt.Sprint("history ", i), func(t *testing.T) { out[i] = history(t, i) })
			}
		})
	}
	for i := range *histories {
		next <- i
	}
	close(next)
	wg.Wait()
	tabulate(t, out)
}

func history(t *testing.T, n int) outcome {
	rng := rand.New(rand.NewPCG(*studySeed, uint64(n)))
	p := draw(rng, n)
	o := outcome{plant: p}
	product := sim.TB40()
	def := simulated(product)
	for _, g := range product.Signatures() {
		s := line.Signature{Key: g.Key, Words: g.Words, Check: g.Check}
		for i, b := range product.Bands() {
			s.Points = append(s.Points, line.Point{b.Mid(), g.DB[i]})
		}
		def.Signatures = append(def.Signatures, s)
	}
	l, _ := workshop(t, def)
	if _, err := l.AddParts(t.Context(), tester, def.Code, p.ledger(rng)); err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 9, 7, 8, 0, 0, 0, time.UTC)
	for i := range totalUnits {
		intake(t, l, takesOf(product, p, *studySeed<<20|uint64(n), i, start))
		if i == baseUnits-1 {
			if _, err := l.Freeze(t.Context(), tester, def.Code, line.Freezing{Baseline: line.Baseline{Lot: "BASE"}, Reason: "study", Boards: 400}); err != nil {
				t.Fatal(err)
			}
		}
		if i >= baseUnits {
			o.watch(t, l, i)
		}
	}
	if *chatty {
		t.Logf("%d %s %s ch %d grows %v at %s factor %q: signal %d found %d causes %v factors %v set %d in %v off %d shape %s\n   %s", n, p.key, p.size, p.channel, p.grows, unitSerial(p.at), p.factor,
			o.signal, o.found, o.causes[:min(3, len(o.causes))], o.factors[:min(3, len(o.factors))], o.setSize, o.inSet, o.offBy, o.shape, o.sentence)
	}
	return o
}

// takesOf measures unit i of a history.
func takesOf(product *sim.Product, p plant, seed uint64, i int, start time.Time) []curve.Take {
	var changes []sim.Change
	if i >= p.at {
		change := p.change
		if p.grows {
			change = p.grown(math.Min(1, 0.4+0.6*float64(i-p.at)/30))
		}
		changes = append(changes, func(ch int, q sim.Params) sim.Params {
			if p.channel >= 0 && ch != p.channel {
				return q
			}
			return change(q)
		})
	}
	u := product.Draw(sim.Key{Seed: seed, Unit: i}, changes...)
	lot := "BASE"
	if i >= baseUnits {
		lot = fmt.Sprintf("W%d", (i-baseUnits)/40+1)
	}
	day, slot := i/8, i%8
	at := start.AddDate(0, 0, day/5*7+day%5).Add(time.Duration(slot) * 50 * time.Minute)
	var out []curve.Take
	for seat := 1; seat <= sim.Seatings; seat++ {
		for ch, name := range sides {
			t := curve.Take{Curve: u.Curve(ch, 1, seat)}
			t.Identity = curve.Identity{Lot: lot, Serial: unitSerial(i), Channel: name, Seating: seat, Station: "rig-1", Operator: sim.Operators[day%3], MeasuredAt: at}
			out = append(out, t)
		}
	}
	return out
}

// judgedAfter is how many units after the change its cause is asked for.
const judgedAfter = 25

// watch looks at the findings after unit i.
func (o *outcome) watch(t *testing.T, l *line.Line, i int) {
	faulty := i >= o.at
	if !faulty {
		o.goodUnits++
	}
	last := i == totalUnits-1
	if !(faulty && (o.found == 0 || i-o.at+1 == judgedAfter)) && !last && i != o.at-1 {
		return
	}
	all, err := l.Findings(t.Context(), "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(all)
	if i == o.at-1 || last && !faulty {
		for _, f := range all {
			if f.Kind == line.TheLine {
				o.falseLine++
			} else {
				o.falseUnit++
			}
		}
	}
	if !faulty {
		return
	}
	var mine []line.Finding
	for _, f := range all {
		if f.FirstPlace > int64(o.at) || f.LastPlace > int64(o.at) {
			if o.signal == 0 {
				o.signal = i - o.at + 1
			}
			if f.Kind == line.TheLine {
				mine = append(mine, f)
			}
		}
	}
	if len(mine) == 0 {
		return
	}
	if o.found == 0 {
		o.found = i - o.at + 1
	}
	if last {
		o.findings = len(mine)
		if *chatty && len(mine) > 1 {
			for _, f := range mine {
				g, _ := l.Finding(t.Context(), f.Number)
				t.Logf("SEVERAL %s at %d: finding %d kind %s first %d last %d streams %v events %v", o.key, o.at+1, f.Number, f.Kind, f.FirstPlace, f.LastPlace, g.Analysis.Streams[:min(6, len(g.Analysis.Streams))], len(g.Events))
				for i, e := range g.Events {
					if i < 3 {
						t.Logf("     %s: %s", e.Kind, e.Text)
					}
				}
			}
		}
	}
	if !o.judged && i-o.at+1 >= judgedAfter {
		o.judge(t, l, mine)
	}
}

// judge holds the finding with most signals against the truth.
func (o *outcome) judge(t *testing.T, l *line.Line, mine []line.Finding) {
	most := mine[0]
	for _, f := range mine {
		if f.Signals > most.Signals {
			most = f
		}
	}
	f, err := l.Finding(t.Context(), most.Number)
	if err != nil {
		t.Fatal(err)
	}
	a := f.Analysis
	o.judged, o.sentence = true, a.Sentence
	if c := a.Change; c != nil {
		o.inSet, o.setSize, o.shape = slices.Contains(c.Set, int64(o.at)+1), len(c.Set), c.Shape
		o.offBy = int(c.Place) - o.at - 1
	}
	for i, c := range a.Causes {
		o.causes = append(o.causes, fmt.Sprintf("%s %.2f", c.Key, c.Explained))
		if c.Key == o.key {
			o.first, o.two = i == 0, i < 2
			o.either = i == 0 || slices.Contains(a.Causes[0].Confused, o.key)
		}
	}
	o.hasFactor = o.factor != ""
	for i, c := range a.Coincidences {
		o.factors = append(o.factors, fmt.Sprintf("%s %.3f %.2f", c.Factor, c.P, c.Explained))
		if c.Factor == o.factor {
			o.factorFirst, o.factorTwo = i == 0, i < 2
		}
	}
}

func tabulate(t *testing.T, all []outcome) {
	var b strings.Builder
	line := func(name string, hits, of int) {
		if of == 0 {
			fmt.Fprintf(&b, "%-64s     – of 0\n", name)
			return
		}
		share := float64(hits) / float64(of)
		fmt.Fprintf(&b, "%-64s %5.1f %% (%d of %d)\n", name, 100*share, hits, of)
	}
	group := func(title string, in func(outcome) bool) {
		fmt.Fprintf(&b, "\n%s\n", title)
		count := func(name string, of, hit func(outcome) bool) {
			n, k := 0, 0
			for _, o := range all {
				if o.change != nil && in(o) && of(o) {
					n++
					if hit(o) {
						k++
					}
				}
			}
			line("  "+name, k, n)
		}
		any := func(outcome) bool { return true }
		judged := func(o outcome) bool { return o.judged }
		for _, n := range []int{10, 25, 50} {
			count(fmt.Sprintf("a signal within %d units", n), any, func(o outcome) bool { return o.signal > 0 && o.signal <= n })
		}
		for _, n := range []int{10, 25, 50} {
			count(fmt.Sprintf("known as a change of the line within %d units", n), any, func(o outcome) bool { return o.found > 0 && o.found <= n })
		}
		count("change point inside its 95 % set, a step", func(o outcome) bool { return o.judged && !o.grows }, func(o outcome) bool { return o.inSet })
		count("change point inside its 95 % set, a drift", func(o outcome) bool { return o.judged && o.grows }, func(o outcome) bool { return o.inSet })
		count("right signature first", judged, func(o outcome) bool { return o.first })
		count("right signature first, or said to be confusable with the first", judged, func(o outcome) bool { return o.either })
		count("right signature in the first two", judged, func(o outcome) bool { return o.two })
		count("right factor of the ledger first, where one changed", func(o outcome) bool { return o.judged && o.hasFactor }, func(o outcome) bool { return o.factorFirst })
		count("right factor in the first two", func(o outcome) bool { return o.judged && o.hasFactor }, func(o outcome) bool { return o.factorTwo })
		count("one finding of the line, not several", func(o outcome) bool { return o.findings > 0 }, func(o outcome) bool { return o.findings == 1 })
	}
	good, falseLine, falseUnit, faults := 0, 0, 0, 0
	var sizes []int
	for _, o := range all {
		good, falseLine, falseUnit = good+o.goodUnits, falseLine+o.falseLine, falseUnit+o.falseUnit
		if o.change != nil {
			faults++
		}
		if o.judged && o.setSize > 0 {
			sizes = append(sizes, o.setSize)
		}
	}
	slices.Sort(sizes)
	fmt.Fprintf(&b, "%d histories of %d units, the first %d of them the baseline; %d with a fault; seed %d\n", len(all), totalUnits, baseUnits, faults, *studySeed)
	fmt.Fprintf(&b, "causes and change points as the finding had them %d units after the change, or when it was found later\n\n", judgedAfter)
	per := 500 / float64(max(1, good))
	fmt.Fprintf(&b, "good units watched: %d; false findings per 500 of them: %.2f of the line, %.2f of one unit (budget: 1 alarm)\n", good, float64(falseLine)*per, float64(falseUnit)*per)
	if len(sizes) > 0 {
		fmt.Fprintf(&b, "size of the change point's set: median %d units, one in ten above %d\n", sizes[len(sizes)/2], sizes[len(sizes)*9/10])
	}
	group("all faults", func(outcome) bool { return true })
	group("a leak of 1 dB below 100 Hz, from one unit on", func(o outcome) bool { return o.leak })
	for _, k := range []string{"pad-leak", "glue-gap", "foam-dense", "plate-missing", "mesh-blocked", "mesh-missing", "sensitivity-low", "cone-heavy"} {
		n, found, first := 0, 0, 0
		for _, o := range all {
			if o.key == k {
				n++
				if o.found > 0 && o.found <= 25 {
					found++
				}
				if o.first {
					first++
				}
			}
		}
		fmt.Fprintf(&b, "\n%-16s %2d histories: %2d known within 25 units, %2d with the right signature first", k, n, found, first)
	}
	fmt.Println(b.String())
}
