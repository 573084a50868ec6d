package line_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/reports"
)

// in builds units of a lot on a workbench.
func (w *workbench) in(lot string, units int, left func(float64) float64) {
	w.t.Helper()
	for range units {
		w.n++
		level := 0.1 * w.rng.NormFloat64()
		takes := visit(fmt.Sprintf("L%03d", w.n), w.wavy(level, left), w.wavy(level, nil))
		for i := range takes {
			takes[i].Lot = lot
		}
		intake(w.t, w.Line, takes)
	}
}

func saysAll(t *testing.T, what string, list []string, parts ...string) {
	t.Helper()
	mustHold(t, what, strings.Join(list, " "), parts...)
}

// seep is a leak under which every unit still passes.
func seep(hz float64) float64 { return 0.6 * leak(hz) }

// A leak of 1 dB in the bass, many sigmas of a quiet line, begins in one lot and goes on through the
// whole of the next: every run of that lot began before it, and it is refused all the same.
// The lot after the leak was mended inherits the runs, and is not.
func TestLotUnderAnEarlierChangeIsRefused(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.in("L2", 12, seep)
	w.in("L3", 15, seep)
	w.in("L4", 15, nil)

	for _, lot := range []string{"L2", "L3"} {
		r := report(t, w.Line, lot)
		if r.Proposal.Word != line.Refuse || r.Proposal.Accept {
			t.Errorf("%s: %+v", lot, r.Proposal)
		}
		saysAll(t, lot, r.Proposal.Reasons, "The line moved:", "The lot is not good to ship as it is: sort it, rework it, or reject it.")
		saysAll(t, lot, r.Life.NotReady, "Finding 1 is open and nobody has noted an action: the line moved, first seen at L031")
	}
	r := report(t, w.Line, "L3")
	saysAll(t, "L3", r.Proposal.Reasons, "The line moved: 15 units that passed", "the first is L043", "Finding 1, a change of the line first seen at L031 in an earlier lot: 15 of the 15 units show it.")

	r = report(t, w.Line, "L4")
	if !r.Proposal.Accept {
		t.Errorf("the lot after it: %+v", r.Proposal)
	}
	if len(r.Signals) == 0 {
		t.Error("no run was carried over: the test shows nothing")
	}
	saysAll(t, "L4", r.Proposal.Reasons, "Finding 1, a change of the line first seen at L031 in an earlier lot, still gives signals at", "but the lot does not show it any more.")
	saysAll(t, "L4", r.Life.Questions, "Finding 1 is open: the line moved, first seen at L031, and the units of this lot do not show it. What ended it?")

	// An action answers the question; the units of L3 are as they were built.
	w.act(1, line.Deed{Kind: line.Action, Text: "nozzle changed"})
	r = report(t, w.Line, "L3")
	if r.Proposal.Word != line.Refuse || strings.Contains(strings.Join(r.Life.NotReady, " "), "Finding") {
		t.Errorf("after the action: %+v, %q", r.Proposal, r.Life.NotReady)
	}
	if r = report(t, w.Line, "L4"); strings.Contains(strings.Join(r.Life.Questions, " "), "Finding") {
		t.Errorf("after the action: %q", r.Life.Questions)
	}
}

// The first units of a lot still leak: each is told, and three are enough.
func TestTailOfAnEarlierChangeIsCounted(t *testing.T) {
	t.Parallel()
	w := bench(t, nil)
	w.in("L2", 14, seep)
	w.in("L3", 3, seep)
	w.in("L3", 12, nil)
	w.in("L4", 1, nil)
	r := report(t, w.Line, "L3")
	saysAll(t, "L3", r.Proposal.Reasons, "The line moved: 3 units that passed", "shows at L045, L046 and L047: look at them before the lot goes")
	if r.Proposal.Accept {
		t.Errorf("%+v", r.Proposal)
	}
	// The counts agree: no more units have the worst stream than there are.
	if text := strings.Join(r.Proposal.Reasons, " "); !strings.Contains(text, "at all of them, up to") {
		t.Error(text)
	}
}

// What a person does about a finding, and what is found later, leaves the data of a
// decided lot as they were signed.
func TestFindingsLeaveADecisionAlone(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, product())
	w := &workbench{Line: l, t: t, db: db, rng: rand.New(rand.NewPCG(5, 6))}
	w.build(30, nil, nil)
	w.freeze()
	w.in("L2", 6, nil)
	w.in("L2", 1, leak) // one unit: nothing is said of the line
	step(t, w.CloseLot(t.Context(), tester, "L2", ""))
	decided, err := w.DecideLot(t.Context(), tester, "L2", "test", line.Decision{Outcome: line.OutcomeConcession, Reason: "heard"})
	step(t, err)
	if n := len(decided.Findings); n != 1 || decided.Findings[0].Kind != "one unit" {
		t.Fatalf("%d findings: %+v", n, decided.Findings)
	}
	w.in("L3", 6, leak) // now it is the line
	if f := w.finding(1); f.Kind != line.TheLine {
		t.Fatalf("%+v", f)
	}
	w.act(1, line.Deed{Kind: line.Action, Text: "nozzle changed"})
	later := report(t, w.Line, "L2")
	if s := later.Life.Signature; !s.Matches || !s.Sound {
		t.Errorf("%+v", s)
	}
	if !slices.Equal(later.Proposal.Reasons, decided.Proposal.Reasons) {
		t.Errorf("%q, was %q", later.Proposal.Reasons, decided.Proposal.Reasons)
	}
}

func TestRigDaysOfALot(t *testing.T) {
	t.Parallel()
	l, _, _ := ticking(t, product())
	fill(t, l, 3)
	r := report(t, l, "L1")
	want := reports.RigDay{Rig: r.Units[0].Station, Day: r.Units[0].MeasuredAt.Format("2006-01-02"), Units: 3, Text: "no reference unit was measured"}
	if len(r.RigDays) != 1 || r.RigDays[0] != want {
		t.Errorf("%+v, want %+v", r.RigDays, want)
	}
	saysAll(t, "L1", r.Life.Questions, "No reference unit was measured on "+want.Day)

	// Under a policy whoever was not checked is on hold; the days are told all the same.
	l, _ = trusted(t)
	intake(t, l, on(visit("A1", flat, flat), 1))
	intake(t, l, reference(9, 2, flat, flat))
	r = report(t, l, "L1")
	if len(r.RigDays) != 1 || r.RigDays[0].Checks == 0 || r.RigDays[0].Passed != r.RigDays[0].Checks {
		t.Errorf("%+v", r.RigDays)
	}
	if len(r.Life.Questions) > 0 {
		t.Errorf("%q", r.Life.Questions)
	}
	if r.RigDays[0].Early != "" || r.RigDays[0].Words() != r.RigDays[0].Text {
		t.Errorf("%+v", r.RigDays)
	}
	intake(t, l, on(visit("A2", flat, flat), -1))
	if d := report(t, l, "L1").RigDays[0]; d.Early != "1 attempt measured before the first of them, at 07:54" || d.Words() != d.Text+"; "+d.Early {
		t.Errorf("%+v", d)
	}
}
