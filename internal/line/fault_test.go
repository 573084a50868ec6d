package line_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/reports"
)

// plate is a fault that no signature of the bench knows: the middle rises on one side.
func plate(size float64) func(hz float64) float64 {
	return func(hz float64) float64 {
		x := math.Log2(hz / 1000)
		return size * math.Exp(-x*x/2)
	}
}

func platePlan(code string) line.FaultPlan {
	return line.FaultPlan{
		Code: code, Product: "p1", Key: "plate-missing", Words: "tuning plate is missing", Check: "Open the cup and look.", Part: "plate", Side: "left",
		Faulty: []string{"F1", "F2", "F3"}, Trials: 2, Seed: 3, Reason: "a cup came without its plate",
	}
}

// measured takes units of a study at both seatings.
func (w *workbench) measured(study string, left, right func(float64) float64, serials ...string) []line.Receipt {
	w.t.Helper()
	var out []line.Receipt
	for _, s := range serials {
		level := 0.1 * w.rng.NormFloat64()
		takes := visit(s, w.wavy(level, left), w.wavy(level, right))
		for i := range takes {
			takes[i].Lot = study
		}
		out = append(out, intake(w.t, w.Line, takes))
	}
	return out
}

// From units built faulty on purpose to a finding that knows the fault by its name; the
// units are never production.
func TestFaultFromPlanToFinding(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	ctx := t.Context()
	step(t, w.PlanFault(ctx, tester, platePlan("FS-1")))
	before := report(t, w.Line, "L1")
	r := w.measured("FS-1", plate(3), nil, "F1", "F2")
	if r[1].Study == nil || r[1].Study.Done != 4 || r[1].Study.Of != 6 || r[1].Verdict != nil {
		t.Fatalf("%+v", r[1])
	}
	early, err := w.FaultStudy(ctx, "FS-1", nil)
	step(t, err)
	if early.Learnt == nil || len(early.Waiting) != 1 || early.Waiting[0] != "F3" || early.LimitSet != 1 || len(early.Good) != 30 {
		t.Fatalf("%+v", early)
	}
	_, _, err = w.LearnFault(ctx, tester, "FS-1", nil, "known now")
	wantRefusal(t, err, "F3", "not measured yet")
	// A faulty unit that comes in as production is refused, whatever lot it names.
	stray := visit("F3", flat, flat)
	if _, err := w.Intake(ctx, tester, stray); err == nil || !strings.Contains(err.Error(), "built faulty for study FS-1") {
		t.Errorf("a faulty unit as production: %v", err)
	}
	w.measured("FS-1", plate(3), nil, "F3")
	v, res, err := w.LearnFault(ctx, tester, "FS-1", nil, "known now")
	step(t, err)
	if v != 1 || !res.Learnt.Settled || res.Learnt.Odd >= 0 || res.Learnt.Good != 30 {
		t.Fatalf("version %d, %+v", v, res.Learnt)
	}
	// Its shape is the one that was built in, unanchored: nothing in bass and treble.
	for i, b := range res.Setup.Band {
		if want := plate(3)(b.Mid()); math.Abs(res.Learnt.Shape[i]-want) > 0.35 {
			t.Errorf("%s: learnt %.2f, built in %.2f", b.Name(), res.Learnt.Shape[i], want)
		}
	}
	after := report(t, w.Line, "L1")
	if after.Counts != before.Counts || len(after.Units) != len(before.Units) || len(after.Signals) != len(before.Signals) {
		t.Errorf("the lot counts %+v, before %+v", after.Counts, before.Counts)
	}
	// The same fault in production, at half the size, is known by its name.
	w.build(2, nil, nil)
	w.build(8, plate(1.5), nil)
	all := w.findings()
	if len(all) != 1 {
		t.Fatalf("%d findings", len(all))
	}
	a := w.finding(all[0].Number).Analysis
	if a.Causes[0].Key != "plate-missing" || !a.Causes[0].Likely {
		t.Errorf("causes %+v", a.Causes)
	}
	mustHold(t, "sentence", a.Sentence, "tuning plate is missing")
	// Withdrawn, it is known no more.
	if _, err := w.WithdrawFault(ctx, tester, "p1", "plate-missing", "the units were not what we thought"); err != nil {
		t.Fatal(err)
	}
	if a := w.finding(all[0].Number).Analysis; strings.Contains(a.Sentence, "tuning plate") {
		t.Errorf("still known: %s", a.Sentence)
	}
	_, err = w.WithdrawFault(ctx, tester, "p1", "plate-missing", "again")
	wantRefusal(t, err, "no learnt fault")
	k, err := w.KnownFaults(ctx, "p1")
	step(t, err)
	if len(k.Faults) != 2 || len(k.Gone) != 1 || len(k.Versions) != 2 || k.Versions[0].Now != line.Withdrawn || k.Versions[1].Now != line.Superseded || len(k.Studies) != 1 || k.Studies[0].InForce {
		t.Errorf("%d faults, %d gone, %+v", len(k.Faults), len(k.Gone), k.Versions)
	}
}

// A unit with another fault among those of a study is named, counts until somebody leaves
// it out with a reason, and the reason is kept.
func TestFaultStudyNamesTheOddUnit(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	ctx := t.Context()
	p := platePlan("FS-2")
	p.Faulty = append(p.Faulty, "F4")
	step(t, w.PlanFault(ctx, tester, p))
	w.measured("FS-2", plate(3), nil, "F1", "F2", "F3")
	w.measured("FS-2", leak, nil, "F4")
	r, err := w.FaultStudy(ctx, "FS-2", nil)
	step(t, err)
	if r.Learnt.Odd != 3 {
		t.Fatalf("odd %d: %+v", r.Learnt.Odd, r.Learnt.Units)
	}
	mustHold(t, "warnings", strings.Join(r.Warnings, " "), "F4 is not like the others")
	_, _, err = w.LearnFault(ctx, tester, "FS-2", []line.LeftOut{{Serial: "F4"}}, "r")
	wantRefusal(t, err, "without a reason")
	_, _, err = w.LearnFault(ctx, tester, "FS-2", []line.LeftOut{{Serial: "L001", Reason: "r"}}, "r")
	wantRefusal(t, err, "no faulty unit")
	if _, _, err := w.LearnFault(ctx, tester, "FS-2", []line.LeftOut{{Serial: "F4", Reason: "its pad was torn"}}, "three of four"); err != nil {
		t.Fatal(err)
	}
	k, err := w.KnownFaults(ctx, "p1")
	step(t, err)
	f, err := k.Fault("plate-missing")
	step(t, err)
	if f.Learnt == nil || fmt.Sprint(f.Learnt.Units) != "[F1 F2 F3]" || fmt.Sprint(f.Learnt.LeftOut) != "[{F4 its pad was torn}]" || f.Learnt.Good != 30 || f.Learnt.Limits != 1 {
		t.Errorf("%+v", f.Learnt)
	}
}

// A learnt signature takes the place of the product file's of the same key, and gives it
// back; one that looks like another is said to be confusable with it.
func TestLearntFaultInThePlaceOfTheFiles(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	ctx := t.Context()
	p := line.FaultPlan{Code: "FS-3", Product: "p1", Key: "leak", Side: "right", Faulty: []string{"F1", "F2", "F3"}, Reason: "as we build it"}
	step(t, w.PlanFault(ctx, tester, p))
	deep := func(hz float64) float64 { return 2 * leak(hz) }
	w.measured("FS-3", nil, deep, "F1", "F2", "F3")
	_, r, err := w.LearnFault(ctx, tester, "FS-3", nil, "measured")
	step(t, err)
	if r.Plan.Words != "seal leaks" || r.Plan.FirstLook != "Look at the seal." || r.Trials != 2 {
		t.Errorf("the known key's words: %+v, %d seatings", r.Plan, r.Trials)
	}
	k, _ := w.KnownFaults(ctx, "p1")
	f, err := k.Fault("leak")
	step(t, err)
	if len(k.Faults) != 2 || f.Learnt == nil || !f.InFile || !strings.Contains(f.Origin(), "in the place of the product file's") || math.Abs(f.Shape[0]+3.37) > 0.3 {
		t.Errorf("%+v", f)
	}
	// The other one of the same shape: confusable, and it says how far.
	p.Code, p.Key, p.Words, p.Check, p.Faulty = "FS-4", "seam", "seam is open", "Look at the seam.", []string{"F5", "F6", "F7"}
	step(t, w.PlanFault(ctx, tester, p))
	w.measured("FS-4", nil, deep, "F5", "F6", "F7")
	_, r, err = w.LearnFault(ctx, tester, "FS-4", nil, "measured")
	step(t, err)
	if len(r.Like) != 2 || r.Like[0].B != "leak" || !r.Like[0].Confusable() || r.Like[1].Confusable() {
		t.Errorf("%+v", r.Like)
	}
	mustHold(t, "warnings", strings.Join(r.Warnings, " "), "Seam is open and seal leaks have", "of their shape in common")
	if k, _ = w.KnownFaults(ctx, "p1"); len(k.Pairs) != 1 || k.Pairs[0].A != "leak" || k.Pairs[0].B != "seam" {
		t.Errorf("%+v", k.Pairs)
	}
	if _, err := w.WithdrawFault(ctx, tester, "p1", "leak", "no"); err != nil {
		t.Fatal(err)
	}
	k, _ = w.KnownFaults(ctx, "p1")
	if f, _ := k.Fault("leak"); f.Learnt != nil || f.Origin() != "from the product file" || math.Abs(f.Shape[0]+3.373) > 1e-3 {
		t.Errorf("not given back: %+v", f.Shape)
	}
}

// Before any limits the good units are measured in the study itself. The side that was
// built good is a witness against the rig.
func TestFaultStudyWithItsOwnGoodUnits(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	w := &workbench{Line: l, t: t, db: db, rng: bench(t, nil).rng}
	ctx := t.Context()
	p := platePlan("FS-5")
	wantRefusal(t, l.PlanFault(ctx, tester, p), "no limits are in force")
	p.Good = []string{"G1"}
	wantRefusal(t, l.PlanFault(ctx, tester, p), "one good unit")
	p.Good = []string{"G1", "G2", "G3", "G4", "G5", "G6", "G7", "G8"}
	step(t, l.PlanFault(ctx, tester, p))
	w.measured("FS-5", plate(3), nil, "F1", "F2", "F3")
	if r, err := l.FaultStudy(ctx, "FS-5", nil); err != nil || r.Learnt != nil || !strings.Contains(r.Why, "0 good units") {
		t.Fatalf("%q, %v", r.Why, err)
	}
	w.measured("FS-5", nil, nil, p.Good...)
	r, err := l.FaultStudy(ctx, "FS-5", nil)
	step(t, err)
	if r.Learnt == nil || r.Learnt.Good != 8 || r.LimitSet != 0 || strings.Contains(strings.Join(r.Warnings, " "), "was built good") {
		t.Fatalf("%+v %v", r.Learnt, r.Warnings)
	}
	// The same on a rig that moved: both ears show it.
	p.Code, p.Faulty, p.Good = "FS-6", []string{"H1", "H2", "H3"}, []string{"I1", "I2", "I3", "I4", "I5", "I6", "I7", "I8"}
	step(t, l.PlanFault(ctx, tester, p))
	w.measured("FS-6", plate(3), plate(3), p.Faulty...)
	w.measured("FS-6", nil, nil, p.Good...)
	r, err = l.FaultStudy(ctx, "FS-6", nil)
	step(t, err)
	mustHold(t, "warnings", strings.Join(r.Warnings, " "), "The right, which was built good, differs from good units too")
}

func TestFaultPlansAreRefused(t *testing.T) {
	t.Parallel()
	w := bench(t, func(p *line.Product) { p.Components = []line.Component{{Kind: "foam"}, {Kind: "plate"}} })
	ctx := t.Context()
	step(t, w.AddReference(ctx, tester, "p1", "REF", line.InUse, ""))
	for _, c := range []struct {
		change func(*line.FaultPlan)
		say    string
	}{
		{func(p *line.FaultPlan) { p.Code = "" }, "cannot name a study"},
		{func(p *line.FaultPlan) { p.Code = "L1" }, "is a lot of production"},
		{func(p *line.FaultPlan) { p.Key = "Plate missing" }, "cannot name a fault"},
		{func(p *line.FaultPlan) { p.Words = " " }, "has no words"},
		{func(p *line.FaultPlan) { p.Check = "" }, "has no check"},
		{func(p *line.FaultPlan) { p.Part = "glue" }, "no kind of part"},
		{func(p *line.FaultPlan) { p.Side = "middle" }, "no channel"},
		{func(p *line.FaultPlan) { p.Faulty = p.Faulty[:1] }, "1 unit cannot tell"},
		{func(p *line.FaultPlan) { p.Faulty[1] = "a/b" }, "is no serial"},
		{func(p *line.FaultPlan) { p.Faulty[1] = "F1" }, "named twice"},
		{func(p *line.FaultPlan) { p.Faulty[1] = "REF" }, "is a reference unit"},
		{func(p *line.FaultPlan) { p.Faulty[1] = "L003" }, "is a unit of production, of lot L1"},
		{func(p *line.FaultPlan) { p.Good = []string{"F1", "G2"} }, "named twice"},
		{func(p *line.FaultPlan) { p.Reason = "" }, "needs a reason"},
		{func(p *line.FaultPlan) { p.Trials = -1 }, "too few"},
	} {
		p := platePlan("FS-7")
		c.change(&p)
		wantRefusal(t, w.PlanFault(ctx, tester, p), c.say)
	}
	if all, err := w.db.Site("main").Studies(ctx); err != nil || len(all) != 0 {
		t.Errorf("%d studies are stored, %v", len(all), err)
	}
	_, err := w.FaultStudy(ctx, "FS-7", nil)
	wantRefusal(t, err, "no study")
	step(t, w.PlanFault(ctx, tester, platePlan("FS-7")))
	wantRefusal(t, w.PlanFault(ctx, tester, platePlan("FS-7")), "a study FS-7 already")
	for _, take := range []func(*curve.Take){
		func(x *curve.Take) { x.Serial = "F9" }, func(x *curve.Take) { x.Seating = 3 }, func(x *curve.Take) { x.Channel = "middle" },
	} {
		x := visit("F1", flat, flat)[:1]
		x[0].Lot = "FS-7"
		take(&x[0])
		if r := intake(t, w.Line, x); len(refusals(r)) != 1 {
			t.Errorf("%+v came in", x[0].Identity)
		}
	}
	_, _, err = w.GuardFromStudy(ctx, tester, "FS-7", line.ResultOptions{}, "r")
	wantRefusal(t, err, "runs of study FS-7 are not measured")
	_, _, err = w.LearnFault(ctx, line.By{}, "FS-7", nil, "r")
	wantRefusal(t, err, "needs a person")
	_, _, err = w.LearnFault(ctx, tester, "FS-7", nil, " ")
	wantRefusal(t, err, "needs a reason")
	_, _, err = w.LearnFault(ctx, tester, "FS-7", nil, "r")
	wantRefusal(t, err, "two of each are the least")
	// Good units as faulty ones teach nothing, in nineteen draws of twenty: this is one.
	w.build(3, nil, nil)
	w.measured("FS-7", nil, nil, "F1", "F2", "F3")
	_, _, err = w.LearnFault(ctx, tester, "FS-7", nil, "r")
	wantRefusal(t, err, "nothing to know the fault by")
}

// What is learnt after a lot was decided changes nothing of what its report says, to the
// byte; the report of a lot that is not decided does change.
func TestLearningLeavesDecidedReports(t *testing.T) {
	t.Parallel()
	p := product()
	p.Signatures = []line.Signature{{Key: "leak", Words: "seal leaks", Check: "Look at the seal.", Points: []line.Point{{20, -4}, {125, -3}, {500, -0.5}, {1000, 0}, {20000, 0}}}}
	l, db, _ := ticking(t, p)
	w := &workbench{Line: l, t: t, db: db, rng: bench(t, nil).rng}
	ctx := t.Context()
	w.build(30, nil, nil)
	w.freeze()
	w.build(6, plate(1.5), nil)
	step(t, l.PlanFault(ctx, tester, platePlan("FS-1")))
	w.measured("FS-1", plate(3), nil, "F1", "F2", "F3")
	open := report(t, l, "L1")
	step(t, l.CloseLot(ctx, tester, "L1", "week is over"))
	decided, err := l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeReject, Reason: "a plate"})
	step(t, err)
	want, err := decided.Data()
	step(t, err)
	if _, _, err := l.LearnFault(ctx, tester, "FS-1", nil, "known now"); err != nil {
		t.Fatal(err)
	}
	if a := w.finding(1).Analysis; len(a.Causes) == 0 || a.Causes[0].Key != "plate-missing" {
		t.Errorf("the finding itself knows it: %+v", a.Causes)
	}
	later := report(t, l, "L1")
	got, err := later.Data()
	step(t, err)
	if string(got) != string(want) {
		d, _ := reports.Differences(want, got, 5)
		t.Errorf("the data changed: %v", d)
	}
	if s := later.Life.Signature; !s.Matches || !s.Sound {
		t.Errorf("%+v", s)
	}
	// So is all of what the sheets say, but for the journal, which grew.
	for _, r := range []*reports.Lot{&decided, &later} {
		r.Journal, r.JournalHead = nil, ""
	}
	a, err := decided.Twin()
	step(t, err)
	b, err := later.Twin()
	step(t, err)
	if string(a) != string(b) {
		t.Errorf("the report changed: %+v, was %+v", later.Findings, decided.Findings)
	}
	step(t, l.ReopenLot(ctx, tester, "L1", "to see what it is"))
	if again := report(t, l, "L1"); again.Findings[0].Sentence == open.Findings[0].Sentence {
		t.Errorf("open again, the report still says %q", again.Findings[0].Sentence)
	}
	honest(t, db)
}
