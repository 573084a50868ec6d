package line_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/envelope"
)

// workbench is a line with a frozen limit set of 30 good units, L001 to L030, and a good
// unit's ways.
type workbench struct {
	*line.Line
	t   testing.TB
	db  *store.DB
	rng *rand.Rand
	n   int
}

// bench freezes limits from 30 units of a product that knows two faults.
func bench(t testing.TB, change func(*line.Product)) *workbench {
	t.Helper()
	p := product()
	p.Signatures = []line.Signature{
		{Key: "leak", Words: "seal leaks", Check: "Look at the seal.", Points: []line.Point{{20, -4}, {125, -3}, {500, -0.5}, {1000, 0}, {20000, 0}}},
		{Key: "dull", Words: "cone is heavy", Check: "Look at the cone.", Points: []line.Point{{20, 0}, {1000, 0}, {4000, -2}, {20000, -4}}},
	}
	if change != nil {
		change(&p)
	}
	l, db := workshop(t, p)
	w := &workbench{Line: l, t: t, db: db, rng: rand.New(rand.NewPCG(5, 6))}
	w.build(30, nil, nil)
	w.freeze()
	return w
}

func (w *workbench) freeze() {
	w.t.Helper()
	if _, err := w.Freeze(w.t.Context(), tester, "p1", line.Freezing{Baseline: line.Baseline{Lot: "L1"}, Reason: "good", Boards: 60}); err != nil {
		w.t.Fatal(err)
	}
}

// build measures units whose channels have a shape on top of their own scatter: 0.1 dB
// of level, 0.1 dB per band.
func (w *workbench) build(units int, left, right func(float64) float64) []line.Receipt {
	w.t.Helper()
	var out []line.Receipt
	for range units {
		w.n++
		level := 0.1 * w.rng.NormFloat64()
		out = append(out, intake(w.t, w.Line, visit(fmt.Sprintf("L%03d", w.n), w.wavy(level, left), w.wavy(level, right))))
	}
	return out
}

func (w *workbench) wavy(level float64, fault func(float64) float64) func(float64) float64 {
	var own []float64
	for range 12 {
		own = append(own, 0.1*w.rng.NormFloat64())
	}
	return func(hz float64) float64 {
		v := level + own[min(11, max(0, int(math.Log2(hz/14))))]
		if fault != nil {
			v += fault(hz)
		}
		return v
	}
}

func (w *workbench) findings() []line.Finding {
	w.t.Helper()
	all, err := w.Findings(w.t.Context(), "", "", 100)
	if err != nil {
		w.t.Fatal(err)
	}
	slices.Reverse(all)
	return all
}

func (w *workbench) finding(n int64) line.Finding {
	w.t.Helper()
	f, err := w.Finding(w.t.Context(), n)
	if err != nil {
		w.t.Fatal(err)
	}
	return f
}

func (w *workbench) act(n int64, d line.Deed) {
	w.t.Helper()
	if _, err := w.Act(w.t.Context(), tester, n, d); err != nil {
		w.t.Fatal(err)
	}
}

// leak takes bass as the signature has it.
func leak(hz float64) float64 {
	c := band.Curve{Hz: []float64{20, 125, 500, 1000, 20000}, DB: []float64{-2, -1.5, -0.25, 0, 0}}
	db, _ := c.At(math.Min(20000, math.Max(20, hz)))
	return db
}

func kinds(f line.Finding) (out []string) {
	for _, e := range f.Events {
		out = append(out, e.Kind)
	}
	return out
}

func mustHold(t *testing.T, what, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("%s lacks %q: %s", what, p, text)
		}
	}
}

// A step on one channel makes one finding, with its place, its size, its cause, and the
// batch that changed there.
func TestStepMakesOneFinding(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	part := func(kind, channel, batch, first, last string) line.PartUse {
		return line.PartUse{Kind: kind, Channel: channel, Batch: batch, First: first, Last: last}
	}
	if _, err := w.AddParts(t.Context(), tester, "p1", []line.PartUse{
		part("glue", "left", "G1", "L001", "L040"), part("glue", "left", "G2", "L041", "L099"),
		part("glue", "right", "H1", "L001", "L040"), part("glue", "right", "H2", "L041", "L099"),
		part("foam", "", "F1", "L001", "L020"), part("foam", "", "F2", "L021", "L099"), part("mesh", "", "M1", "L001", "L099"),
	}); err != nil {
		t.Fatal(err)
	}
	w.build(10, nil, nil)
	if all := w.findings(); len(all) != 0 {
		t.Fatalf("a finding without a fault: %s", all[0].Analysis.Sentence)
	}
	w.build(1, leak, nil)
	if all := w.findings(); len(all) != 1 || all[0].Kind != line.OneUnit || all[0].Analysis.Change != nil {
		t.Fatalf("after the first unit: %+v", all)
	}
	w.build(14, leak, nil)
	all := w.findings()
	if len(all) != 1 {
		t.Fatalf("%d findings, want one", len(all))
	}
	f := w.finding(all[0].Number)
	a := f.Analysis
	if f.Kind != line.TheLine || f.State != line.Open || f.FirstSerial != "L041" || f.LastSerial != "L055" || f.Signals < 20 {
		t.Errorf("%+v", f)
	}
	if k := kinds(f); k[0] != "opened" || k[1] != "signals" || k[2] != "grown" || len(k) != 16 {
		t.Errorf("events %v", k)
	}
	c := a.Change
	if c == nil || c.Serial != "L041" || c.P > 0.01 || !slices.Contains(c.Set, 41) || len(c.Set) > 3 || c.Shape == "drift" {
		t.Fatalf("change %+v", c)
	}
	if a.Before != 40 || a.After != 15 {
		t.Errorf("%d before, %d after", a.Before, a.After)
	}
	left, right := a.Channels[0], a.Channels[1]
	if !left.Moved || right.Moved || left.Channel != "left" {
		t.Errorf("moved: left %v, right %v", left.Moved, right.Moved)
	}
	for i, hz := range []float64{63, 125, 250, 500, 1000, 2000, 4000, 8000} {
		if d := left.Change[i] - leak(hz); math.Abs(d) > 0.2 {
			t.Errorf("%v Hz changed by %.2f dB, want %.2f", hz, left.Change[i], leak(hz))
		}
		if math.Abs(right.Change[i]) > 0.2 {
			t.Errorf("right, %v Hz changed by %.2f dB", hz, right.Change[i])
		}
	}
	if a.Causes[0].Key != "leak" || !a.Causes[0].Likely || left.Parts[0].Key != "leak" || math.Abs(left.Parts[0].Amount-0.5) > 0.1 || left.Explained < 0.9 {
		t.Errorf("causes %+v, parts %+v", a.Causes, left.Parts)
	}
	if k := a.Coincidences; len(k) != 2 || k[0].Factor != "glue left" || k[0].From != "G1" || k[0].To != "G2" || k[0].Serial != "L041" || !k[0].Within || k[1].Factor != "foam" || k[1].Within {
		t.Errorf("coincidences %+v", k)
	}
	// The half of a leak passes mostly: that is why the charts are there. Units count from
	// the earliest place that the data allow.
	var passed []string
	for n := c.Set[0]; n <= 55; n++ {
		u, err := w.Unit(t.Context(), fmt.Sprintf("L%03d", n))
		if err != nil {
			t.Fatal(err)
		}
		if u.Attempts[0].Verdict.Word == envelope.Pass {
			passed = append(passed, u.Serial)
		}
	}
	if r := a.AtRisk; len(passed) < 10 || !slices.Equal(r.Serials, passed) || r.Units != len(passed) || r.First != passed[0] || r.Last != passed[len(passed)-1] {
		t.Errorf("at risk %+v, passed %v", r, passed)
	}
	mustHold(t, "sentence", a.Sentence, "Since L041", "left: everything up to 250 Hz falls together", "seal leaks", "glue left went from G1 to G2 at L041")
	for i := range a.Checks {
		if i > 0 && a.Checks[i].Minutes < a.Checks[i-1].Minutes {
			t.Errorf("checks are not cheapest first: %+v", a.Checks)
		}
	}
	if n := len(a.Checks); n != 4 || a.Checks[2].Check != "Look at the seal." || !strings.Contains(a.Checks[3].Check, "glue left G1") {
		t.Errorf("checks %+v", a.Checks)
	}
	// The lot's report tells the same.
	r, err := w.LotReport(t.Context(), "L1", "test")
	if err != nil || len(r.Findings) != 1 {
		t.Fatal(r.Findings, err)
	}
	if g := r.Findings[0]; g.Sentence != a.Sentence || g.Since != "L041" || g.Number != f.Number || g.AtRisk != a.AtRisk.Units || !strings.Contains(g.Coincides, "glue left from G1 to G2") || !strings.HasPrefix(g.Check, "1. Measure the reference unit") {
		t.Errorf("in the report: %+v", g)
	}
	for _, s := range r.Signals {
		if s.Finding != f.Number {
			t.Errorf("in the report: %s %s belongs to finding %d", s.Stream, s.Rule, s.Finding)
		}
	}
	// Every signal belongs to the finding.
	u, err := w.Unit(t.Context(), "L050")
	if err != nil || len(u.Signals) == 0 {
		t.Fatal(u.Signals, err)
	}
	for _, g := range u.Signals {
		if !slices.Contains(f.Rows, g) {
			t.Errorf("%s %s at %s belongs to no finding", g.Stream, g.Rule, g.Serial)
		}
	}
}

// One bad unit that no other follows says nothing about the line.
func TestSingleUnitIsNoDrift(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	bad := func(hz float64) float64 { return 3 * leak(hz) }
	w.build(5, nil, nil)
	w.build(1, bad, nil)
	w.build(3, nil, nil)
	all := w.findings()
	if len(all) != 1 || all[0].Kind != line.OneUnit {
		t.Fatalf("%+v", all)
	}
	f := w.finding(all[0].Number)
	mustHold(t, "sentence", f.Analysis.Sentence, "L036 stands out alone", "it was judged fail", "None of the 3 units after it shows the same so far")
	if f.Analysis.AtRisk.Units != 0 || f.Analysis.Change != nil || len(f.Analysis.Coincidences) != 0 {
		t.Errorf("%+v", f.Analysis)
	}
	w.build(8, nil, nil)
	mustHold(t, "sentence", w.finding(f.Number).Analysis.Sentence, "says nothing about the line")
	mustHold(t, "sentence in the list", w.findings()[0].Analysis.Sentence, "says nothing about the line")
	// The same again, ten units and more later, is another single unit.
	w.build(1, bad, nil)
	if all := w.findings(); len(all) != 2 || all[0].Kind != line.OneUnit || all[1].Kind != line.OneUnit {
		t.Errorf("%+v", all)
	}
	// The other one soon after the second makes a finding of the line.
	w.build(2, nil, nil)
	w.build(1, bad, nil)
	if all := w.findings(); len(all) != 2 || all[1].Kind != line.TheLine {
		t.Errorf("%+v", all)
	}
}

// Two faults far apart in bands and channels make two findings, and the second is fitted
// without the units of the first.
func TestTwoFaultsMakeTwoFindings(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	dull := func(hz float64) float64 {
		if hz < 1500 {
			return 0
		}
		return -2
	}
	w.build(5, nil, nil)
	w.build(6, leak, nil)
	w.build(20, nil, nil)
	w.build(6, nil, dull)
	all := w.findings()
	if len(all) != 2 {
		t.Fatalf("%d findings", len(all))
	}
	a, b := w.finding(all[0].Number).Analysis, w.finding(all[1].Number).Analysis
	if a.Change.Serial != "L036" || b.Change.Serial != "L062" || a.Causes[0].Key != "leak" || b.Causes[0].Key != "dull" {
		t.Errorf("%s\n%s", a.Sentence, b.Sentence)
	}
	if b.Before != 55 { // 61 less the six of the leak
		t.Errorf("%d units before the second, want 55", b.Before)
	}
}

// Units built after the change was gone passed too, and do not carry it.
func TestPassedUnitsThatShowNoChangeAreToldApart(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.build(2, nil, nil)
	w.build(8, leak, nil)
	n := w.findings()[0].Number
	if r := w.finding(n).Analysis.AtRisk; r.Shown != r.Units || !strings.HasSuffix(r.Sentence(), "L040: what left the shop of them carries it.") {
		t.Errorf("while it lasts: %+v %s", r, r.Sentence())
	}
	w.build(12, nil, nil)
	f := w.finding(n)
	r := f.Analysis.AtRisk
	if r.Latest != f.LastSerial || r.Latest < "L040" || r.Latest > "L042" || r.Units-r.Shown < 10 || r.Shown < 8 {
		t.Fatalf("%+v, latest %s", r, f.LastSerial)
	}
	mustHold(t, "sentence", r.Sentence(), fmt.Sprintf("%d units passed since the change may have begun", r.Units),
		fmt.Sprintf("%d came up to %s, the latest that shows it", r.Shown, r.Latest), fmt.Sprintf("In the other %d the charts do not see it.", r.Units-r.Shown))
	for text, r := range map[string]line.Risk{
		"1 unit passed since the change may have begun, A: what left the shop of them may carry it.":                                       {Units: 1, First: "A", Last: "A"},
		"2 units passed since the change may have begun, B to C, all after A, the latest that shows it: the charts do not see it in them.": {Units: 2, First: "B", Last: "C", Latest: "A"},
	} {
		if got := r.Sentence(); got != text {
			t.Errorf("%q, want %q", got, text)
		}
	}
}

// What begins after an action opens a finding that names the earlier one; what was under
// way does not.
func TestAfterAnAction(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.build(2, nil, nil)
	w.build(8, leak, nil)
	n := w.findings()[0].Number
	w.act(n, line.Deed{Kind: line.Looked, Text: "seam is open"})
	w.act(n, line.Deed{Kind: line.Named, Text: "nozzle worn"})
	w.act(n, line.Deed{Kind: line.Action, Text: "nozzle replaced"})
	f := w.finding(n)
	if f.State != line.Acted || f.Cause != "nozzle worn" || f.Action != "nozzle replaced" {
		t.Fatalf("%+v", f)
	}
	w.build(12, nil, nil)
	if all := w.findings(); len(all) != 1 {
		t.Fatalf("the end of the fault opened a finding: %s", all[1].Analysis.Sentence)
	}
	before := w.finding(n)
	if before.Analysis.AtRisk.Units != 8 || before.LastSerial > "L042" {
		t.Errorf("at risk %+v, last %s", before.Analysis.AtRisk, before.LastSerial)
	}
	w.build(4, leak, nil)
	all := w.findings()
	if len(all) != 2 {
		t.Fatalf("%d findings", len(all))
	}
	f = w.finding(n)
	if k := kinds(f); k[len(k)-1] != "returned" {
		t.Errorf("events %v", k)
	}
	second := w.finding(all[1].Number)
	mustHold(t, "opening", second.Events[0].Text, fmt.Sprintf("finding %d had the same signs", n))
	if second.Analysis.Change == nil || second.Analysis.Change.Serial != "L053" {
		t.Errorf("since %+v", second.Analysis.Change)
	}
	w.act(n, line.Deed{Kind: line.Close, Text: "the new nozzle holds"})
	if f := w.finding(n); f.State != line.Closed {
		t.Errorf("%+v", f)
	}
	w.act(n, line.Deed{Kind: line.Reopen, Text: "it does not hold"})
	if f := w.finding(n); f.State != line.Open || f.Cause != "nozzle worn" {
		t.Errorf("%+v", f)
	}
	entries, err := w.db.Site("main").Journal(t.Context(), 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	var deeds []string
	for _, e := range entries {
		if strings.Contains(e.Action, "finding") {
			deeds = append(deeds, e.Action+" "+e.Subject)
		}
	}
	want := fmt.Sprintf("[open finding 1 finding: looked 1 finding: cause 1 finding: action 1 open finding 2 finding: closed 1 finding: reopened 1]")
	if got := fmt.Sprint(deeds); got != want {
		t.Errorf("journal %s, want %s", got, want)
	}
}

func TestDeedsAreRefused(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.build(2, leak, nil)
	n := w.findings()[0].Number
	refused := func(number int64, d line.Deed, kind line.Kind, field, want string) {
		t.Helper()
		_, err := w.Act(t.Context(), tester, number, d)
		var r *line.Refusal
		if !errors.As(err, &r) || r.Kind != kind || r.Field != field || !strings.Contains(r.Error(), want) || r.Remedy == "" {
			t.Errorf("%+v: %v, want %s: %s", d, err, field, want)
		}
	}
	refused(99, line.Deed{Kind: line.Looked, Text: "x"}, line.Missing, "finding", "no finding 99")
	refused(n, line.Deed{Kind: "shrugged", Text: "x"}, line.Invalid, "kind", "shrugged")
	refused(n, line.Deed{Kind: line.Looked}, line.Invalid, "text", "no text")
	refused(n, line.Deed{Kind: line.Looked, Text: " \n"}, line.Invalid, "text", "no text")
	refused(n, line.Deed{Kind: line.Looked, Text: strings.Repeat("ü", 1001)}, line.Invalid, "text", "too long")
	refused(n, line.Deed{Kind: line.Looked, Text: "a\x00b"}, line.Invalid, "text", "cannot be stored")
	refused(n, line.Deed{Kind: line.Looked, Text: "x", Cause: "y"}, line.Invalid, "cause", "do not go with")
	refused(n, line.Deed{Kind: line.Reopen, Text: "x"}, line.Conflict, "finding", "is open")
	refused(n, line.Deed{Kind: line.Close, Text: "x"}, line.Invalid, "cause", "no cause yet")
	refused(n, line.Deed{Kind: line.Close, Text: "x", Cause: "y"}, line.Invalid, "action", "no action yet")
	if f := w.finding(n); f.State != line.Open || f.Cause != "" || len(f.Events) != 3 {
		t.Errorf("a refused deed left something: %+v", f)
	}
	w.act(n, line.Deed{Kind: line.Close, Text: "done", Cause: "y", Action: "z"})
	refused(n, line.Deed{Kind: line.Looked, Text: "x"}, line.Conflict, "finding", "is closed")
	if f := w.finding(n); fmt.Sprint(kinds(f)[3:]) != "[cause action closed]" {
		t.Errorf("events %v", kinds(f))
	}
	if _, err := w.Finding(t.Context(), 99); err == nil {
		t.Error("a finding that is not there")
	}
	if _, err := w.Findings(t.Context(), "", "lost", 5); err == nil {
		t.Error("a state that is not there")
	}
	if all, err := w.Findings(t.Context(), "p1", line.Closed, 5); err != nil || len(all) != 1 || all[0].Number != n {
		t.Errorf("%+v (%v)", all, err)
	}
}

// Limits frozen late read what was measured since, and find what it holds.
func TestFreezeOpensFindings(t *testing.T) {
	t.Parallel()
	p := product()
	l, db := workshop(t, p)
	w := &workbench{Line: l, t: t, db: db, rng: rand.New(rand.NewPCG(7, 8))}
	w.build(30, nil, nil)
	w.build(8, leak, nil)
	var serials []string
	for i := range 30 {
		serials = append(serials, fmt.Sprintf("L%03d", i+1))
	}
	f, err := w.Freeze(t.Context(), tester, "p1", line.Freezing{Baseline: line.Baseline{Serials: serials}, Reason: "late", Boards: 60})
	if err != nil || f.Reread != 8 {
		t.Fatal(f.Reread, err)
	}
	all := w.findings()
	if len(all) != 1 || all[0].Kind != line.TheLine || all[0].FirstSerial != "L031" {
		t.Fatalf("%+v", all)
	}
	if c := w.finding(all[0].Number).Analysis.Change; c == nil || c.Serial != "L031" {
		t.Errorf("since %+v", c)
	}
	mustHold(t, "sentence", w.finding(all[0].Number).Analysis.Sentence, "Nothing in the parts ledger")
}

// The product's own plan says what to check, and in which order.
func TestPlanOfTheProduct(t *testing.T) {
	t.Parallel()
	w := bench(t, func(p *line.Product) {
		p.Plan = []line.PlanRow{
			{Check: "Strip the cup.", Minutes: 90, For: []string{"leak"}},
			{Check: "Look at the gun.", Minutes: 2, For: []string{"glue"}},
			{Check: "Ask who worked.", Minutes: 3},
			{Check: "Weigh the cone.", Minutes: 1, For: []string{"dull"}},
		}
	})
	w.build(2, nil, nil)
	w.build(12, leak, nil)
	var got []string
	for _, c := range w.finding(w.findings()[0].Number).Analysis.Checks {
		got = append(got, c.Check)
	}
	if fmt.Sprint(got) != "[Ask who worked. Strip the cup.]" {
		t.Errorf("checks %q", got)
	}
	bad := product()
	for _, plan := range [][]line.PlanRow{{{Check: " "}}, {{Check: "x", Minutes: -1}}, {{Check: "x", Minutes: math.NaN()}}} {
		bad.Plan = plan
		if _, err := bad.SetUp(); err == nil || !strings.Contains(err.Error(), "plan 1") {
			t.Errorf("%+v: %v", plan, err)
		}
	}
}

// Exchanged channels are told from the pair, and no fault signature is blamed.
func TestExchangedChannels(t *testing.T) {
	t.Parallel()
	hump := func(hz float64) float64 {
		if hz > 300 && hz < 700 {
			return 1.2
		}
		return 0
	}
	p := product()
	p.Envelope.Balance = nil
	p.Signatures = []line.Signature{{Key: "leak", Words: "seal leaks", Check: "Look.", Points: []line.Point{{20, -4}, {125, -3}, {1000, 0}, {20000, 0}}}}
	l, db := workshop(t, p)
	w := &workbench{Line: l, t: t, db: db, rng: rand.New(rand.NewPCG(9, 10))}
	w.build(30, hump, nil)
	w.freeze()
	w.build(5, hump, nil)
	w.build(4, nil, hump)
	all := w.findings()
	if len(all) != 1 {
		t.Fatalf("%d findings", len(all))
	}
	a := w.finding(all[0].Number).Analysis
	if a.Swapped != 4 || len(a.Causes) != 1 || a.Causes[0].Key != line.Swapped || a.Causes[0].Units != 4 {
		t.Errorf("%d swapped, causes %+v", a.Swapped, a.Causes)
	}
	mustHold(t, "sentence", a.Sentence, "On 4 of 4 units", "the channels are exchanged")
}

// A fault that follows another at once, on streams that the first one moved too, is a
// finding of its own; a unit far worse than the fault that is on stands out by itself.
func TestFaultAfterFault(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	dull := func(hz float64) float64 { return 0.8 * math.Min(0, -math.Log2(hz/1500)) }
	w.build(5, nil, nil)
	w.build(10, leak, nil)
	w.build(1, func(hz float64) float64 { return 5 * leak(hz) }, nil)
	w.build(4, leak, nil)
	w.build(12, dull, dull)
	all := w.findings()
	var told []string
	for _, f := range all {
		f = w.finding(f.Number)
		since := f.FirstSerial
		if f.Analysis.Change != nil {
			since = f.Analysis.Change.Serial
		}
		cause := ""
		if len(f.Analysis.Causes) > 0 {
			cause = f.Analysis.Causes[0].Key
		}
		told = append(told, fmt.Sprintf("%s since %s to %s %s", f.Kind, since, f.LastSerial, cause))
	}
	want := []string{"line since L036 to L050 leak", "unit since L046 to L046 leak", "line since L051 to L062 dull"}
	if !slices.Equal(told, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(told, "\n"), strings.Join(want, "\n"))
	}
}

// A drift that never takes a value beyond its limits is found all the same, by the rules
// that read several units.
func TestDriftWithinAllLimits(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.build(5, nil, nil)
	beyond := 0
	for i := range 30 {
		share := math.Min(1, float64(i)/15) * 0.12
		for _, r := range w.build(1, func(hz float64) float64 { return share * leak(hz) }, nil) {
			for _, g := range r.Signals {
				if g.Rule == "beyond" {
					beyond++
				}
			}
		}
	}
	all := w.findings()
	if beyond > 0 || len(all) == 0 || all[0].Kind != line.TheLine {
		t.Fatalf("%d values beyond limits, findings %+v", beyond, all)
	}
	f := w.finding(all[0].Number)
	t.Log(f.Analysis.Sentence)
	if c := f.Analysis.Change; c.P > 0.05 || !f.Analysis.Channels[0].Moved {
		t.Errorf("%s", f.Analysis.Sentence)
	}
}

// BenchmarkFinding is the cost of one analysis with its reading from the database, which
// intake pays at a few units of each finding and a reader pays each time: 70 units before,
// 40 after, up to 12 streams joined. BenchmarkIntake is the whole way of a unit that no
// finding is due at, to set it against.
func BenchmarkFinding(b *testing.B) {
	w := bench(b, nil)
	w.build(40, nil, nil)
	w.build(40, leak, nil)
	n := w.findings()[0].Number
	for b.Loop() {
		w.finding(n)
	}
}

func BenchmarkIntake(b *testing.B) {
	w := bench(b, nil)
	for b.Loop() {
		w.build(1, nil, nil)
	}
}
