//go:build study

package line_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"
)

var (
	histories = flag.Int("histories", 225, "simulated histories of the study")
	only      = flag.Int("only", -1, "run one history by its number, and print it")
	studySeed = flag.Uint64("seed", 4, "seed of the study: 1 and 2 are for finding faults of the program, 4 for the table")
	workers   = flag.Int("workers", runtime.GOMAXPROCS(0), "histories at a time")
	chatty    = flag.Bool("each", false, "print every history")
)

// An outcome is what the tool made of one history.
type outcome struct {
	plant
	number          int
	done            bool
	signal, found   int // units after the change at which anything, and a finding of the line, stood; 0 never
	falseLine       int
	falseUnit       int
	goodUnits       int // watched without a fault
	firstFalse      int // good units until the first signal of a false finding; 0 none
	early           int // false findings while limits were being learnt
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

	checks, falseStops int    // of the rig while it was as it should be
	stopped            int    // units measured on a moved rig until a check held the line; 0 never
	blamed             string // what findings say at last of where a change lies: rig, product, open, or empty
}

// TestStudyOfFindings prints how well findings tell what was planted. Run it with
//
//	nice -n 19 go test -tags study -run TestStudyOfFindings -timeout 3h -v ./internal/line
//
// An interrupt ends it with the table of what is done.
func TestStudyOfFindings(t *testing.T) {
	ctx, stop := signal.NotifyContext(t.Context(), os.Interrupt)
	defer stop()
	out := make([]outcome, *histories)
	var numbers []int
	for i := range out {
		if *only < 0 || i == *only {
			numbers = append(numbers, i)
		}
	}
	if len(numbers) == 0 {
		t.Fatalf("there is no history %d of %d", *only, *histories)
	}
	progress := tell(len(numbers))
	var wg sync.WaitGroup
	next := make(chan int)
	for range *workers {
		wg.Go(func() {
			for i := range next {
				t.Run(fmt.Sprint("history ", i), func(t *testing.T) { out[i] = history(ctx, t, i) })
				progress()
			}
		})
	}
feed:
	for _, i := range numbers {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	wg.Wait()
	fmt.Println(tabulate(slices.DeleteFunc(out, func(o outcome) bool { return !o.done })))
}

// tell returns what prints how far the study is.
func tell(of int) func() {
	var mu sync.Mutex
	began, done := time.Now(), 0
	return func() {
		mu.Lock()
		defer mu.Unlock()
		done++
		took := time.Since(began)
		left := time.Duration(float64(took) / float64(done) * float64(of-done))
		fmt.Fprintf(os.Stderr, "%d of %d histories in %s, about %s left\n", done, of, took.Round(time.Second), left.Round(time.Minute))
	}
}

func history(ctx context.Context, t *testing.T, n int) outcome {
	rng := rand.New(rand.NewPCG(*studySeed, uint64(n)))
	p := draw(rng, n)
	o := outcome{plant: p, number: n}
	product := sim.TB40()
	l, _ := workshop(t, studied(product, p))
	if _, err := l.AddParts(t.Context(), tester, product.Code, p.ledger(rng)); err != nil {
		t.Fatal(err)
	}
	seed := *studySeed<<20 | uint64(n)
	m := morning{l: l, product: product, plant: p, seed: seed}
	if p.checked {
		m.prepare(t)
	}
	for i := range totalUnits {
		if ctx.Err() != nil {
			return o
		}
		if p.checked && i%dayUnits == 0 {
			o.check(t, &m, i)
		}
		intake(t, l, takesOf(product, p, seed, i))
		if i == baseUnits-1 {
			if _, err := l.Freeze(t.Context(), tester, product.Code, line.Freezing{Baseline: line.Baseline{Lot: "BASE"}, Reason: "study", Boards: 150}); err != nil {
				t.Fatal(err)
			}
		}
		if i >= baseUnits {
			o.watch(t, l, i)
		}
	}
	if p.checked && p.at < totalUnits {
		o.whose(t, l)
	}
	o.done = true
	if *only >= 0 {
		tellFindings(t, l)
	}
	if *chatty || *only >= 0 {
		fmt.Printf("EACH %d %s %s ch %d grows %v at %s factor %q: signal %d found %d of %d causes %v factors %v set %d in %v off %d shape %s; checks %d false stops %d stopped %d whose %q\n   %s\n", n, p.key, p.size, p.channel, p.grows, unitSerial(p.at), p.factor,
			o.signal, o.found, o.findings, o.causes[:min(3, len(o.causes))], o.factors[:min(3, len(o.factors))], o.setSize, o.inSet, o.offBy, o.shape, o.checks, o.falseStops, o.stopped, o.blamed, o.sentence)
	}
	return o
}

// tellFindings prints every finding with what opened it, oldest first.
func tellFindings(t *testing.T, l *line.Line) {
	all, err := l.Findings(t.Context(), "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range slices.Backward(all) {
		full, err := l.Finding(t.Context(), f.Number)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Printf("FINDING %d of %s, %d signals, %s to %s: %s\n   %s\n", f.Number, f.Kind, f.Signals, f.FirstSerial, f.LastSerial, full.Events[0].Text, f.Analysis.Sentence)
	}
}

// partOf names the part that each fault comes from, as a maker would.
var partOf = map[string]string{
	"pad-leak": "pad", "glue-gap": "glue", "foam-dense": "foam", "foam-missing": "foam", "plate-missing": "plate",
	"mesh-blocked": "mesh", "mesh-missing": "mesh", "sensitivity-low": "driver", "cone-heavy": "driver",
}

// studied is the product of a history, with its signatures as the model has them.
func studied(product *sim.Product, p plant) line.Product {
	def := simulated(product)
	for _, g := range product.Signatures() {
		s := line.Signature{Key: g.Key, Words: g.Words, Check: g.Check, Part: partOf[g.Key]}
		for i, b := range product.Bands() {
			s.Points = append(s.Points, line.Point{b.Mid(), g.DB[i]})
		}
		def.Signatures = append(def.Signatures, s)
	}
	if p.checked {
		def.RigCheck = &line.RigPolicy{Hours: 24, Tolerance: []envelope.Guard{{From: 40, To: 8000, DB: 0.5}}}
	}
	return def
}

// A morning measures the reference unit before the day's first unit, and once more when
// its check failed: seating alone fails one of a hundred.
type morning struct {
	l       *line.Line
	product *sim.Product
	plant
	seed   uint64
	visits int
}

func (m *morning) measure(t *testing.T, at time.Time, units float64) line.Receipt {
	m.visits++
	return intake(t, m.l, visitOf(m.product, m.plant, m.seed, m.visits, at, units))
}

func (m *morning) prepare(t *testing.T) {
	if err := m.l.AddReference(t.Context(), tester, m.product.Code, referenceSerial, line.InUse, "kept in the cupboard"); err != nil {
		t.Fatal(err)
	}
	for d := range 5 {
		m.measure(t, studyStart.AddDate(0, 0, d-7), -1)
	}
	if _, err := m.l.SetBaseline(t.Context(), tester, referenceSerial, "rig-1", 5, "calibrated"); err != nil {
		t.Fatal(err)
	}
}

// check measures the reference unit before unit i.
func (o *outcome) check(t *testing.T, m *morning, i int) {
	at, units := momentOf(i).Add(-30*time.Minute), float64(i-m.at)
	moved := m.rig != nil && units > 0
	r := m.measure(t, at, units)
	if len(r.Checks) == 1 && r.Checks[0].Word == "failed" {
		r = m.measure(t, at.Add(10*time.Minute), units)
	}
	if len(r.Checks) != 1 {
		t.Fatalf("%+v", r)
	}
	failed := r.Checks[0].Word == "failed"
	switch {
	case !moved:
		o.checks++
		if failed {
			o.falseStops++
		}
	case failed && o.stopped == 0:
		o.stopped = i - m.at
	}
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
			units := int(f.FirstPlace) - baseUnits
			if units <= 0 {
				o.early++
				continue
			}
			if o.firstFalse == 0 || units < o.firstFalse {
				o.firstFalse = units
			}
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
	mine := o.mine(all)
	if len(mine) > 0 && o.signal == 0 {
		o.signal = i - o.at + 1
	}
	mine = slices.DeleteFunc(mine, func(f line.Finding) bool { return f.Kind != line.TheLine })
	if len(mine) == 0 {
		return
	}
	if o.found == 0 {
		o.found = i - o.at + 1
	}
	if last {
		o.findings = len(mine)
	}
	if !o.judged && i-o.at+1 >= judgedAfter {
		o.judge(t, l, mine)
	}
}

// mine returns the findings that the plant made.
func (o *outcome) mine(all []line.Finding) (out []line.Finding) {
	for _, f := range all {
		if f.FirstPlace > int64(o.at) || f.LastPlace > int64(o.at) {
			out = append(out, f)
		}
	}
	return out
}

// main returns the finding with most signals, as it is now.
func (o *outcome) main(t *testing.T, l *line.Line, mine []line.Finding) line.Finding {
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
	return f
}

// judge holds the finding with most signals against the truth.
func (o *outcome) judge(t *testing.T, l *line.Line, mine []line.Finding) {
	a := o.main(t, l, mine).Analysis
	o.judged, o.sentence = true, a.Sentence
	if c := a.Change; c != nil {
		o.inSet, o.setSize, o.shape = slices.Contains(c.Set, int64(o.at)+1), len(c.Set), c.Shape
		o.offBy = int(c.Place) - o.at - 1
	}
	for i, c := range a.Causes {
		o.causes = append(o.causes, fmt.Sprintf("%s %.3f", c.Key, c.Explained))
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

// whose asks at last where the findings that stand see the change: in the rig or in the
// product. One whose signals are all withdrawn blames nobody.
func (o *outcome) whose(t *testing.T, l *line.Line) {
	all, err := l.Findings(t.Context(), "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	var mine []line.Finding
	for _, f := range o.mine(all) {
		if f.Kind == line.TheLine && f.Signals > 0 {
			mine = append(mine, f)
		}
	}
	if len(mine) > 0 {
		o.blamed = rigWord(o.main(t, l, mine).Analysis)
	}
}

func rigWord(a line.Analysis) string {
	if a.Rig == nil {
		return line.NotTold
	}
	return a.Rig.Word
}
