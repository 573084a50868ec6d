package line_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/spc/envelope"
)

const rigA = "rig-a"

// checked is the small product with a daily check of the rig.
func checked() line.Product {
	p := product()
	p.RigCheck = &line.RigPolicy{Hours: 24, Tolerance: []envelope.Guard{{From: 63, To: 8000, DB: 0.5}}}
	return p
}

// on moves takes to a rig and a moment, so many hours after the first one.
func on(takes []curve.Take, hours float64, more ...string) []curve.Take {
	out := slices.Clone(takes)
	for i := range out {
		out[i].Station = rigA
		out[i].MeasuredAt = moment.Add(time.Duration(hours*float64(time.Hour)) + time.Duration(i)*time.Second)
		if len(more) > 0 {
			out[i].Reason = more[0]
		}
	}
	return out
}

// reference makes one visit of the reference unit: n tells its content from others,
// left and right are changes of the rig.
func reference(n int, hours float64, left, right func(float64) float64, more ...string) []curve.Take {
	w := 0.01 * math.Sin(float64(n+1)) // seating
	takes := []curve.Take{
		take("REF", "left", 1, w, left), take("REF", "left", 2, -w, left),
		take("REF", "right", 1, w+0.001, right), take("REF", "right", 2, -w+0.001, right),
	}
	for i := range takes {
		takes[i].Lot = ""
	}
	return on(takes, hours, more...)
}

// trusted opens a workshop whose rig has a baseline, good from hour 0.
func trusted(t *testing.T) (*line.Line, *store.DB) {
	t.Helper()
	l, db := workshop(t, checked())
	if err := l.AddReference(t.Context(), tester, "p1", "REF", line.InUse, "kept in the cupboard"); err != nil {
		t.Fatal(err)
	}
	for n := range 3 {
		r := intake(t, l, reference(n, float64(n)/10-0.3, flat, flat))
		if len(r.Checks) != 1 || r.Checks[0].Word != "recorded" || len(refusals(r)) > 0 {
			t.Fatalf("%+v %q", r.Checks, refusals(r))
		}
	}
	intake(t, l, reference(100, -0.2, flat, flat, "turned"))
	b, err := l.SetBaseline(t.Context(), tester, "REF", rigA, 4, "calibrated today")
	if err != nil || b.Version != 1 || b.Visits != 3 || b.Turned != 1 || b.Check.Word != "passed" {
		t.Fatalf("%+v (%v)", b, err)
	}
	return l, db
}

func words(t *testing.T, l *line.Line, serials ...string) string {
	t.Helper()
	var out []string
	for _, serial := range serials {
		u, err := l.Unit(t.Context(), serial)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range u.Attempts {
			out = append(out, string(a.Verdict.Word))
		}
	}
	return strings.Join(out, " ")
}

func lower(db float64) func(float64) float64 { return func(float64) float64 { return -db } }

// The "it must show": the daily check is skipped, units wait on hold, it is
// said why and what to do; once the check passes they are judged in order, nothing
// lost.
func TestSkippedCheckHoldsUnitsAndLosesNothing(t *testing.T) {
	t.Parallel()
	l, db := trusted(t)
	leak := func(hz float64) float64 { return -8 / (1 + hz/100) }
	if v := intake(t, l, on(visit("A1", flat, flat), 23)).Verdict; v.Word != envelope.Pass || !strings.Contains(v.Rig, "good by reference unit REF") {
		t.Fatalf("%+v", v)
	}
	for i, serial := range []string{"B1", "B2", "B3"} {
		shape := flat
		if serial == "B2" {
			shape = leak
		}
		v := intake(t, l, on(visit(serial, shape, flat), 30+float64(i))).Verdict
		want := "on hold: the last good check of rig rig-a was 30 h before this unit (2026-09-07 07:54), and a check counts for 24 h; measure reference unit REF: once its check passes this unit is judged"
		if v.Word != envelope.Hold || i == 0 && v.Sentence != want {
			t.Fatalf("%s: %s\n%s", v.Word, v.Sentence, want)
		}
	}
	before := rows(t, db)
	lot, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	if c := lot.Counts; c.Hold != 3 || lot.Yield[0].Of != 1 || lot.Proposal.Word != line.NotComplete || !strings.Contains(strings.Join(lot.Proposal.Reasons, " "), "3 units are on hold because the rig was not trusted") {
		t.Errorf("%+v %+v", lot.Counts, lot.Proposal)
	}
	now, err := l.Now(t.Context())
	if err != nil || now.Yield.Of != 1 || now.Yield.Good != 1 {
		t.Errorf("the week's yield is %+v: units on hold neither passed nor failed (%v)", now.Yield, err)
	}
	if told := strings.Join(now.Products[0].Reasons, " "); !strings.Contains(told, "On hold: 3 of the last 4 units") || strings.Contains(told, "passed at first; the product asks") {
		t.Errorf("%s", told)
	}
	if d, err := l.UnitDetail(t.Context(), "B1"); err != nil || !strings.HasPrefix(d.NextStep, "leave the unit as it is and check its rig") {
		t.Errorf("what to do with a unit on hold: %q (%v)", d.NextStep, err)
	}
	state, err := l.RigTrust(t.Context(), "p1")
	if err != nil || len(state.Rigs) != 1 || len(state.Rigs[0].Held) != 3 || state.Rigs[0].Held[0].Serial != "B1" {
		t.Fatalf("%+v (%v)", state, err)
	}

	r := intake(t, l, reference(7, 34, flat, flat))
	if len(r.Checks) != 1 || r.Checks[0].Word != "passed" {
		t.Fatalf("%+v", r.Checks)
	}
	var order []string
	for _, x := range r.Checks[0].Settled {
		order = append(order, x.Serial+" "+string(x.To))
	}
	if got := strings.Join(order, ", "); got != "B1 pass, B2 fail, B3 pass" {
		t.Errorf("settled %s", got)
	}
	if got := words(t, l, "A1", "B1", "B2", "B3"); got != "pass pass fail pass" {
		t.Errorf("verdicts %s", got)
	}
	for i, serial := range []string{"A1", "B1", "B2", "B3"} {
		u, err := l.Unit(t.Context(), serial)
		if err != nil || len(u.Attempts) != 1 || u.Attempts[0].Number != 1 || *u.Place != int64(i+1) || len(u.Attempts[0].Takes) != 4 {
			t.Errorf("%s: %+v (%v)", serial, u, err)
		}
	}
	if lot, err = l.LotReport(t.Context(), "L1", "test"); err != nil || lot.Yield[0].Of != 4 || lot.Yield[0].Good != 3 {
		t.Errorf("yield %+v (%v)", lot.Yield, err)
	}
	if after := rows(t, db); !slices.Contains(after[len(before):], "judge units on hold rig-a") {
		t.Errorf("journal %q", after[len(before):])
	}
	history, err := db.Site("main").VerdictChanges(t.Context(), "B2")
	if err != nil || len(history) != 1 || history[0].FromWord != "hold" || history[0].ToWord != "fail" || !strings.Contains(history[0].Reason, "passed") {
		t.Errorf("%+v (%v)", history, err)
	}
}

func rows(t *testing.T, db *store.DB) []string {
	t.Helper()
	entries, err := db.Site("main").Journal(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Action+" "+e.Subject)
	}
	return out
}

// A rig that turns out sick takes its verdicts back to the last good check: nothing
// is passed or failed by it. Mended, a good check does not speak for them.
func TestFailedCheckTakesVerdictsBack(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	intake(t, l, on(visit("A1", flat, flat), 1))
	intake(t, l, reference(7, 2, flat, flat)) // good: A1 is behind it
	intake(t, l, on(visit("B1", flat, flat), 3))
	intake(t, l, on(visit("B2", lower(1.2), flat), 4)) // the left microphone loses 1.2 dB
	r := intake(t, l, reference(8, 5, lower(1.2), flat))
	c := r.Checks[0]
	if c.Word != "failed" || !strings.Contains(c.Sentence, "dB below its baseline, only 0.5 dB are allowed; all bands of the left ear moved alike: check its microphone with the calibrator") || !strings.HasPrefix(c.Sentence, "left, ") {
		t.Fatalf("%s: %s", c.Word, c.Sentence)
	}
	if len(c.Settled) != 2 || c.Settled[0].To != envelope.Hold || !strings.Contains(c.Settled[0].Sentence, "reference unit REF failed the check on rig rig-a that followed this unit") {
		t.Fatalf("%+v", c.Settled)
	}
	v := intake(t, l, on(visit("C1", flat, flat), 6)).Verdict
	if v.Word != envelope.Hold || !strings.Contains(v.Sentence, "reference unit REF failed its check on rig rig-a") {
		t.Fatalf("%+v", v)
	}
	if got := words(t, l, "A1", "B1", "B2", "C1"); got != "pass hold hold hold" {
		t.Fatalf("verdicts %s", got)
	}

	if _, err := l.AddEntry(t.Context(), tester, line.Entry{Rig: rigA, Kind: "work", At: moment.Add(7 * time.Hour), Changed: true, Subject: "microphone left", Note: "replaced"}); err != nil {
		t.Fatal(err)
	}
	if v := intake(t, l, on(visit("D1", flat, flat), 7.5)).Verdict; v.Word != envelope.Hold || !strings.Contains(v.Sentence, "rig rig-a was changed at 2026-09-07 15:00 (microphone left replaced), and no check has passed since") {
		t.Fatalf("%+v", v)
	}
	r = intake(t, l, reference(9, 8, flat, flat))
	if got := words(t, l, "A1", "B1", "B2", "C1", "D1"); r.Checks[0].Word != "passed" || got != "pass hold hold hold pass" {
		t.Fatalf("%s; verdicts %s", r.Checks[0].Word, got)
	}

	// One is released with a reason, one is measured again with its reason.
	if _, err := l.Release(t.Context(), tester, []string{"B1"}, ""); err == nil {
		t.Error("released without a reason")
	}
	var refused *line.Refusal
	if _, err := l.Release(t.Context(), tester, []string{"B1", "A1"}, "r"); !errors.As(err, &refused) || !strings.Contains(refused.Reason, "A1 of product p1 is not on hold") {
		t.Errorf("released what is not on hold: %v", err)
	}
	if got := words(t, l, "B1"); got != "hold" {
		t.Fatalf("a refused release changed the verdict to %s", got)
	}
	settled, err := l.Release(t.Context(), tester, []string{"B1"}, "measured before the cleaner knocked the rig over")
	if err != nil || len(settled) != 1 || settled[0].To != envelope.Pass {
		t.Fatalf("%+v (%v)", settled, err)
	}
	u, _ := l.Unit(t.Context(), "B1")
	if !strings.Contains(u.Attempts[0].Verdict.Rig, "released by tester: measured before") {
		t.Errorf("%+v", u.Attempts[0].Verdict)
	}
	second := visit("B2", flat, flat)
	for i := range second {
		second[i].Curve.DB[2] += 0.02
	}
	if r := intake(t, l, on(again(second, 2, ""), 9)); len(refusals(r)) != 4 {
		t.Errorf("measured again without a reason: %+v", r)
	}
	second = again(on(second, 9), 2, "the rig was mended")
	if r := intake(t, l, second); r.Verdict == nil || r.Verdict.Word != envelope.Pass {
		t.Fatalf("%+v %q", r, refusals(r))
	}
	lot, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	// B2's second attempt is its first on a trusted rig, and counts.
	if lot.Yield[0].Of != 4 || lot.Yield[0].Good != 4 || lot.Counts.Hold != 1 {
		t.Errorf("%+v %+v", lot.Yield, lot.Counts)
	}
	// A released unit is not taken back by a later check that fails.
	intake(t, l, reference(10, 10, lower(2), flat))
	if got := words(t, l, "B1", "B2", "D1"); got != "pass hold hold pass" {
		t.Errorf("verdicts %s", got)
	}
}

// A check that failed by a bad seating, and passes with nothing changed, gives back
// exactly what there was: verdicts, charts and signals.
func TestWrongAlarmGivesEverythingBack(t *testing.T) {
	t.Parallel()
	l, db := trusted(t)
	for n := range 30 {
		s := fmt.Sprintf("N%02d", n)
		intake(t, l, on(visit(s, wavy(n), wavy(n+50)), 1+float64(n)/100))
	}
	intake(t, l, reference(20, 2, flat, flat))
	if _, err := l.Freeze(t.Context(), tester, "p1", line.Freezing{Baseline: line.Baseline{Lot: "L1"}, Reason: "r", Boards: 100}); err != nil {
		t.Fatal(err)
	}
	r := intake(t, l, on(visit("S1", lower(2.4), lower(2.4)), 3))
	if len(r.Signals) == 0 {
		t.Fatal("no signal to lose")
	}
	intake(t, l, on(visit("S2", flat, flat), 3.1))
	site := db.Site("main")
	signals := func() int {
		g, err := site.SignalsOfUnit(t.Context(), "S1")
		if err != nil {
			t.Fatal(err)
		}
		return len(g)
	}
	charted := func() int {
		g, err := site.LastReadings(t.Context(), "p1", 0, 1000, 1000)
		if err != nil {
			t.Fatal(err)
		}
		return len(g)
	}
	n, c, judged := signals(), charted(), words(t, l, "S1", "S2")
	intake(t, l, reference(21, 4, lower(3), flat))
	if got := words(t, l, "S1", "S2"); got != "hold hold" || signals() != 0 || charted() != c-2 {
		t.Fatalf("%s, %d signals, %d charted", got, signals(), charted())
	}
	if r := intake(t, l, on(visit("S3", lower(2.4), lower(2.4)), 4.1)); r.Verdict.Word != envelope.Hold || len(r.Signals) > 0 || charted() != c-2 {
		t.Fatalf("the charts read a unit on hold: %+v, %d charted", r, charted())
	}
	intake(t, l, reference(22, 4.2, flat, flat))
	if late, err := site.SignalsOfUnit(t.Context(), "S3"); err != nil || len(late) == 0 {
		t.Errorf("the charts did not read a unit that came from hold (%v)", err)
	}
	if got := words(t, l, "S1", "S2"); got != judged || signals() != n || charted() != c+1 {
		t.Errorf("%s, %d signals, %d charted; before %s, %d, %d", got, signals(), charted(), judged, n, c)
	}
}

// wavy gives each unit bands of its own.
func wavy(n int) func(float64) float64 {
	return func(hz float64) float64 { return 0.2 * math.Sin(float64(n)*1.7+math.Log2(hz)*float64(1+n%5)) }
}

// The order in which files come in does not matter: the verdicts are the same.
func TestLateFilesSettleTheSame(t *testing.T) {
	t.Parallel()
	visits := [][]curve.Take{
		on(visit("A1", flat, flat), 1), reference(7, 2, flat, flat), on(visit("B1", flat, flat), 3),
		reference(8, 5, lower(1.2), flat), on(visit("C1", flat, flat), 6), on(visit("D1", flat, flat), 40),
		reference(9, 41, flat, flat),
	}
	want := ""
	for k, order := range [][]int{{0, 1, 2, 3, 4, 5, 6}, {6, 5, 4, 3, 2, 1, 0}, {0, 2, 4, 5, 1, 3, 6}, {3, 4, 0, 6, 2, 5, 1}} {
		l, _ := trusted(t)
		if _, err := l.AddEntry(t.Context(), tester, line.Entry{Rig: rigA, Kind: "work", At: moment.Add(10 * time.Hour), Changed: true, Note: "mended"}); err != nil && k > 0 {
			t.Fatal(err)
		}
		for _, i := range order {
			intake(t, l, visits[i])
		}
		got := words(t, l, "A1", "B1", "C1", "D1")
		if want == "" {
			want = got
		}
		if got != want || got != "pass hold hold pass" {
			t.Errorf("order %v: %s, want %s", order, got, want)
		}
	}
}

// The unit turned round tells a bad ear from a bad unit.
func TestTurnedRoundTellsEarFromUnit(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	intake(t, l, reference(7, 1, lower(1.5), flat))
	r := intake(t, l, reference(8, 1.2, lower(1.5), flat, "turned")) // it stays with the ear
	if c := r.Checks[0]; c.Word != "turned" || !strings.Contains(c.Sentence, "it is the rig's ear: left against right changed by 1.5 dB (RMS over the bands), the left one reads lower") {
		t.Errorf("%+v", c)
	}
	r = intake(t, l, reference(9, 1.4, flat, lower(1.5), "turned")) // it goes with the unit
	if c := r.Checks[0]; !strings.Contains(c.Sentence, "it is the reference unit's side") || !strings.Contains(c.Sentence, "take the spare") {
		t.Errorf("%+v", c)
	}
	// Turning neither passes nor fails a check.
	if v := intake(t, l, on(visit("A1", flat, flat), 2)).Verdict; v.Word != envelope.Hold {
		t.Errorf("%+v", v)
	}
}

// A spare that passes where the unit in use fails: the unit changed, not the rig.
func TestSpareSpeaksForTheRig(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	if err := l.AddReference(t.Context(), tester, "p1", "SPARE", line.Spare, ""); err != nil {
		t.Fatal(err)
	}
	spare := func(n int, hours float64) []curve.Take {
		takes := reference(n, hours, flat, flat)
		for i := range takes {
			takes[i].Serial = "SPARE"
			takes[i].Curve.DB = slices.Clone(takes[i].Curve.DB)
			takes[i].Curve.DB[0] += 0.003
		}
		return takes
	}
	intake(t, l, spare(30, 0.1))
	intake(t, l, spare(31, 0.2))
	if _, err := l.SetBaseline(t.Context(), tester, "SPARE", rigA, 2, "rig good today"); err != nil {
		t.Fatal(err)
	}
	intake(t, l, on(visit("A1", flat, flat), 1))
	intake(t, l, reference(7, 2, lower(2), flat))
	if got := words(t, l, "A1"); got != "hold" {
		t.Fatal(got)
	}
	intake(t, l, spare(32, 2.5))
	if got := words(t, l, "A1"); got != "pass" {
		t.Errorf("%s after the spare passed", got)
	}
	if err := l.SetReference(t.Context(), tester, "REF", line.Retired, "dropped"); err != nil {
		t.Fatal(err)
	}
	if r := intake(t, l, reference(8, 3, lower(2), flat)); r.Checks[0].Word != "recorded" {
		t.Errorf("a retired unit checks the rig: %+v", r.Checks)
	}
}

// Takes of a reference unit are never production, and the same takes again change
// nothing.
func TestReferenceTakesAreNotProduction(t *testing.T) {
	t.Parallel()
	l, db := trusted(t)
	takes := reference(7, 1, flat, flat)
	intake(t, l, takes)
	before := rows(t, db)
	r := intake(t, l, takes)
	if r.New() || len(rows(t, db)) != len(before) {
		t.Errorf("the same takes again: %+v", r)
	}
	if _, err := l.Unit(t.Context(), "REF"); err == nil {
		t.Error("the reference unit is a unit of production")
	}
	stolen := on(visit("A1", flat, flat), 2)
	stolen[0].Curve = takes[0].Curve
	if r := intake(t, l, stolen); len(refusals(r)) != 1 || !strings.Contains(refusals(r)[0], "is stored already as unit REF") {
		t.Errorf("%q", refusals(r))
	}
	intake(t, l, on(visit("B1", flat, flat), 2))
	var refused *line.Refusal
	if err := l.AddReference(t.Context(), tester, "p1", "B1", line.InUse, ""); !errors.As(err, &refused) || refused.Kind != line.Conflict {
		t.Errorf("a unit of production became a reference unit: %v", err)
	}
	// Two days' checks in one call are two visits; a check in halves is one.
	both := append(reference(40, 26, flat, flat), reference(41, 50, flat, flat)...)
	if r := intake(t, l, both); len(r.Checks) != 2 || r.Checks[1].Number != r.Checks[0].Number+1 {
		t.Errorf("%+v", r.Checks)
	}
	half := reference(42, 70, flat, flat)
	if r := intake(t, l, half[:2]); r.Checks[0].Word != "waiting" || r.Waiting != "right seating 1, right seating 2" {
		t.Errorf("%+v", r)
	}
	if r := intake(t, l, half[2:]); len(r.Checks) != 1 || r.Checks[0].Word != "passed" {
		t.Errorf("%+v", r.Checks)
	}
	// What was broken off is not finished by the next day's takes.
	intake(t, l, reference(43, 94, flat, flat)[:2])
	if r := intake(t, l, reference(44, 118, flat, flat)[2:]); len(r.Checks) != 1 || r.Checks[0].Word != "waiting" {
		t.Errorf("%+v", r.Checks)
	}
}

// Without a policy everything is as before, and the report says that nobody checked.
func TestNoPolicyIsSaid(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	if v := intake(t, l, visit("A1", flat, flat)).Verdict; v.Word != envelope.Pass || v.Rig != "" {
		t.Fatalf("%+v", v)
	}
	lot, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	said := ""
	for _, f := range lot.Method.Lines {
		if f.Name == "Rig check" {
			said += f.Value
		}
	}
	if !strings.Contains(said, "rig not checked for 1 attempts") {
		t.Errorf("the Method sheet says %q", said)
	}
}

// A policy taken back lets units on hold go, with its reason.
func TestPolicyOffJudgesWhatWaits(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	intake(t, l, on(visit("A1", flat, flat), 100))
	if _, _, err := l.AddRigPolicy(t.Context(), tester, "p1", line.RigPolicy{Off: true}, ""); err == nil {
		t.Error("a policy without a reason")
	}
	_, settled, err := l.AddRigPolicy(t.Context(), tester, "p1", line.RigPolicy{Off: true}, "the reference unit was stolen")
	if err != nil || len(settled) != 1 || words(t, l, "A1") != "pass" {
		t.Errorf("%+v (%v)", settled, err)
	}
}

func TestHistoryChartsTheReferenceUnit(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	for n := range 8 {
		loss := 0.05 * float64(n)
		intake(t, l, reference(50+n, 24*float64(n+1), lower(loss), flat))
	}
	h, err := l.History(t.Context(), "REF", rigA, 100)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Charts) != 16 || len(h.Visits) != 11 || len(h.Charts[0].Values) != 11 {
		t.Fatalf("%d charts, %d visits", len(h.Charts), len(h.Visits))
	}
	if len(h.Charts[0].Marks) == 0 || len(h.Charts[8].Marks) > 0 {
		t.Errorf("marks: left %v, right %v", h.Charts[0].Marks, h.Charts[8].Marks)
	}
	// 0.05 dB a day is 0.35 dB a week, but the three baseline visits stand still.
	if len(h.Drifts) != 8 || !strings.HasPrefix(h.Drifts[0].Place, "left") || math.Abs(h.Drifts[0].PerWeek+0.33) > 0.04 {
		t.Errorf("drifts %+v", h.Drifts)
	}
}

// An attempt on hold is none of those that a product allows.
func TestHoldDoesNotCountAsAttempt(t *testing.T) {
	t.Parallel()
	p := checked()
	p.MaxAttempts = 1
	l, _ := workshop(t, p)
	if v := intake(t, l, on(visit("A1", flat, flat), 1)).Verdict; v.Word != envelope.Hold || !strings.Contains(v.Sentence, "no check of rig rig-a has passed yet; name a reference unit") {
		t.Fatalf("%+v", v)
	}
	second := visit("A1", flat, flat)
	for i := range second {
		second[i].Curve.DB[2] += 0.02
	}
	if _, _, err := l.AddRigPolicy(t.Context(), tester, "p1", line.RigPolicy{Off: true}, "no reference unit yet"); err != nil {
		t.Fatal(err)
	}
	// The policy taken back has judged the first attempt, so that this is one too many.
	if r := intake(t, l, again(on(second, 2), 2, "r")); len(refusals(r)) != 4 {
		t.Errorf("%+v", r)
	}
	l2, _ := workshop(t, p)
	intake(t, l2, on(visit("A1", flat, flat), 1))
	if r := intake(t, l2, again(on(second, 2), 2, "the rig was looked at")); r.Verdict == nil {
		t.Errorf("%q", refusals(r))
	}
	third := visit("A1", flat, flat)
	for i := range third {
		third[i].Curve.DB[3] += 0.03
	}
	if r := intake(t, l2, again(on(third, 3), 4, "r")); len(refusals(r)) != 4 || !strings.Contains(refusals(r)[0], "more than the 1 that product p1 allows") {
		t.Errorf("%q", refusals(r))
	}
}

// What other rigs measured and what was done to them says nothing of the rig whose takes
// name no station.
func TestRigWithoutNameIsARigOfItsOwn(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	if _, err := l.AddEntry(t.Context(), tester, line.Entry{Rig: rigA, Kind: "calibration", Subject: "microphone left", Level: new(94.0), At: moment, Due: new(moment.AddDate(0, 0, -1))}); err != nil {
		t.Fatal(err)
	}
	takes := on(visit("A1", flat, flat), 1)
	for i := range takes {
		takes[i].Station = ""
	}
	for i := range takes {
		takes[i].Lot = "all on hold"
	}
	if v := intake(t, l, takes).Verdict; v.Word != envelope.Hold {
		t.Fatalf("%+v", v)
	}
	if lot, err := l.LotReport(t.Context(), "all on hold", "test"); err != nil || len(lot.Proposal.Reasons) != 1 {
		t.Errorf("a lot of units on hold says %q (%v)", lot.Proposal.Reasons, err)
	}
	state, err := l.RigTrust(t.Context(), "p1")
	if err != nil || len(state.Rigs) != 2 || state.Rigs[0].Rig != "" {
		t.Fatalf("%+v (%v)", state.Rigs, err)
	}
	if r := state.Rigs[0]; r.Trusted || r.Last != nil || strings.Contains(strings.Join(r.Notes, " "), "alibration") {
		t.Errorf("the rig without a name has a last check %+v, and %q", r.Last, r.Notes)
	}
	if r := state.Rigs[1]; !r.Trusted || r.Last == nil || !strings.Contains(strings.Join(r.Notes, " "), "Calibration of microphone left was due") {
		t.Errorf("%s has a last check %+v, and %q", r.Rig, r.Last, r.Notes)
	}
	if b, err := l.SetBaseline(t.Context(), tester, "REF", "", 4, "calibrated today"); err == nil {
		t.Errorf("it has a baseline from the visits to another rig: %+v", b)
	}
}
