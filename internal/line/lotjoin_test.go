package line_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/spc/envelope"
)

// A batch of drivers is a lot: closed, it takes no driver more, neither by its curve nor
// by its numbers; decided, nothing new at all. What is known is known all the same.
func TestBatchOfDriversIsClosedAndDecided(t *testing.T) {
	t.Parallel()
	l, _ := driverLine(t)
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range 3 {
		intake(t, l, []curve.Take{driverTake(rng, fmt.Sprint("D", i+1), "NV1", 0, false)})
	}
	v := line.ValueSet{Serial: "D1", Lot: "NV1", Values: map[string]float64{"resonance": 120}}
	step(t, second(l.AddValues(ctx, tester, "d1", v)))
	step(t, l.CloseLot(ctx, tester, "NV1", ""))

	r := intake(t, l, []curve.Take{driverTake(rng, "D9", "NV1", 0, false)})
	if got := strings.Join(refusals(r), " "); !strings.Contains(got, "lot NV1 is closed for measuring: unit D9 would come in new") {
		t.Errorf("%q", got)
	}
	fresh := line.ValueSet{Serial: "D9", Lot: "NV1", Values: map[string]float64{"resonance": 120}}
	wantRefusal(t, second(l.AddValues(ctx, tester, "d1", fresh)), "unit D9 would come in new")
	step(t, second(l.AddValues(ctx, tester, "d1", line.ValueSet{Serial: "D2", Values: map[string]float64{"resonance": 118}})))

	step(t, second(l.DecideLot(ctx, tester, "NV1", "test", line.Decision{Outcome: line.OutcomeConcession, Reason: "needed on Monday"})))
	wantRefusal(t, second(l.AddValues(ctx, tester, "d1", line.ValueSet{Serial: "D3", Values: map[string]float64{"resonance": 118}})), "nothing is measured for it any more")
	if r, err := l.AddValues(ctx, tester, "d1", v); err != nil || r.Known != 1 {
		t.Errorf("known numbers: %+v (%v)", r, err)
	}
	if s := report(t, l, "NV1").Life.Signature; s == nil || !s.Matches || !s.Sound {
		t.Errorf("%+v", s)
	}
	wantRefusal(t, second(l.AddValues(ctx, tester, "d1", line.ValueSet{Serial: "D8", Lot: "NV2"})), "no number is given for D8")
}

// A rig that turns out sick takes a verdict back that a person had set: nobody answered
// for the rig. An override of the hold itself stands, and so does the verdict of a
// decided lot against a release, though not against what the rig's check says.
func TestHoldAgainstOverrideAndDecision(t *testing.T) {
	t.Parallel()
	l, _ := trusted(t)
	ctx := t.Context()
	intake(t, l, on(visit("A1", bass, flat), 1))
	intake(t, l, on(visit("A2", flat, flat), 1.5))
	step(t, second(l.Override(ctx, tester, line.Overriding{Serial: "A1", Verdict: "pass", Reason: "a cable lay under the pad"})))
	last := func(unit int) string { return report(t, l, "L1").Units[unit].Last }
	if got := last(0); got != "pass" {
		t.Fatalf("overridden: %s", got)
	}
	if c := intake(t, l, reference(8, 5, lower(1.2), flat)).Checks[0]; c.Word != "failed" || len(c.Settled) != 2 {
		t.Fatalf("%+v", c)
	}
	if got := last(0); got != "hold" {
		t.Errorf("the rig was sick, and the unit is %s", got)
	}
	o, err := l.Override(ctx, tester, line.Overriding{Serial: "A1", Verdict: "pass", Reason: "heard it beside a good one"})
	if err != nil || o.Was != "hold" || last(0) != "pass" {
		t.Errorf("%+v (%v), stands %s", o, err, last(0))
	}

	step(t, l.CloseLot(ctx, tester, "L1", ""))
	step(t, second(l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeConcession, Reason: "for the fair only"})))
	_, err = l.Release(ctx, tester, []string{"A2"}, "r")
	wantRefusal(t, err, "lot L1 is decided (concession by tester): its verdicts stand", "alike lot reopen L1")
	step(t, l.ReopenLot(ctx, tester, "L1", "to release what was good"))
	if k, err := l.Release(ctx, tester, []string{"A2"}, "measured before the fall"); err != nil || len(k) != 1 || k[0].To != envelope.Pass {
		t.Errorf("%+v (%v)", k, err)
	}
}

// What is agreed upon later about the rig is no change of a decided lot.
func TestDecisionOutlivesALaterRigPolicy(t *testing.T) {
	t.Parallel()
	l, _, _ := ticking(t, checked())
	ctx := t.Context()
	fill(t, l, 3)
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	step(t, second(l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeReject, Reason: "the rig was never checked"})))
	_, _, err := l.AddRigPolicy(ctx, tester, "p1", line.RigPolicy{Hours: 12, Tolerance: []envelope.Guard{{From: 63, To: 8000, DB: 0.4}}}, "twice a day")
	step(t, err)
	r := report(t, l, "L1")
	if s := r.Life.Signature; s == nil || !s.Matches {
		t.Errorf("%+v", s)
	}
	named := false
	for _, f := range r.Method.Lines {
		named = named || strings.Contains(f.Value, "policy version 1 in force when the lot was decided")
	}
	if !named {
		t.Errorf("%+v", r.Method.Lines)
	}
}

func second[T any](_ T, err error) error { return err }
