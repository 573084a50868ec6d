package line_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"
)

// sampled is a product that is judged by 3 of 8 units or so, none defective.
func sampled() line.Product {
	p := product()
	p.Seatings, p.SeatingSpread = 1, nil
	p.Sampling = &line.SamplingWish{Good: 0.01, ProducerRisk: 0.05, Bad: 0.5, ConsumerRisk: 0.1}
	return p
}

func serials(lot string, n int) []string {
	var out []string
	for i := range n {
		out = append(out, fmt.Sprintf("%s-%02d", lot, i+1))
	}
	return out
}

// measure takes in one unit of a lot with one seating.
func measure(t *testing.T, l *line.Line, lot, serial string, shape func(float64) float64) {
	t.Helper()
	takes := visit(serial, shape, flat)
	takes = []curve.Take{takes[0], takes[2]}
	for i := range takes {
		takes[i].Lot, takes[i].Seating = lot, 1
	}
	if r := intake(t, l, takes); r.Verdict == nil {
		t.Fatalf("%s: %+v %v", serial, r, refusals(r))
	}
}

func TestLotIsJudgedByItsDraw(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, sampled())
	ctx := t.Context()
	units := serials("L1", 8)
	d, err := l.PullUnits(ctx, tester, "L1", line.Pull{Units: units})
	step(t, err)
	if d.Draw != 1 || len(d.Pulled) != d.Plan.Sample || d.Plan.Accept != 0 || d.Plan.LotSize != 8 || d.Plan.Severity != "normal" {
		t.Fatalf("%+v", d)
	}
	// Hypergeometric by hand: 4 of 8 defective, none among 3: C(4,3)/C(8,3) = 4/56 ≤ 0.1, while 2 units give 6/28.
	if d.Plan.Sample != 3 || d.Plan.ConsumerRisk < 4.0/56-1e-12 || d.Plan.ConsumerRisk > 4.0/56+1e-12 {
		t.Errorf("sample %d, consumer's risk %v, want 3 and 4/56", d.Plan.Sample, d.Plan.ConsumerRisk)
	}
	for i, serial := range d.Pulled {
		if r := report(t, l, "L1").Sampling; r.Result != "not complete" || r.Inspected != i {
			t.Errorf("after %d: %+v", i, r)
		}
		measure(t, l, "L1", serial, flat)
	}
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	r := report(t, l, "L1")
	if s := r.Sampling; s.Result != "accept" || s.Seed == "" || len(s.Curve) != 9 || s.Curve[4].Accept < 4.0/56-1e-12 || s.Curve[4].Accept > 4.0/56+1e-12 {
		t.Errorf("%+v", s)
	}
	if len(r.Life.NotReady) > 0 {
		t.Errorf("%q", r.Life.NotReady)
	}
	_, err = l.PullUnits(ctx, tester, "L1", line.Pull{Units: units, Reason: "once more"})
	wantRefusal(t, err, "lot L1 is closed")
	entries, err := db.Site("main").JournalAbout(ctx, "L1", 0, 10)
	if err != nil || len(entries) != 2 || !strings.Contains(string(entries[0].Detail), d.Plan.Seed) {
		t.Errorf("the journal lacks the seed: %s (%v)", entries[0].Detail, err)
	}
	honest(t, db)
}

func TestDrawIsRefused(t *testing.T) {
	t.Parallel()
	l, _, _ := ticking(t, sampled())
	ctx := t.Context()
	units := serials("L1", 8)
	for _, c := range []struct {
		lot  string
		p    line.Pull
		want string
	}{
		{"L1", line.Pull{}, "no unit of lot L1 is named"},
		{"L1", line.Pull{Units: append(slices.Clone(units), units[3])}, "L1-04 is named twice"},
		{"L1", line.Pull{Units: []string{"a", " "}}, "empty serial"},
		{"L1", line.Pull{Units: units, Product: "p9"}, `no product "p9"`},
	} {
		_, err := l.PullUnits(ctx, tester, c.lot, c.p)
		wantRefusal(t, err, c.want)
	}
	measure(t, l, "L2", "L2-01", flat)
	_, err := l.PullUnits(ctx, tester, "L2", line.Pull{Units: serials("L2", 8)})
	wantRefusal(t, err, "a draw after the fact proves nothing")
	_, err = l.PullUnits(ctx, tester, "L2", line.Pull{Units: serials("L3", 8)})
	wantRefusal(t, err, "unit L2-01 belongs to lot L2 and is not named")
	_, err = l.PullUnits(ctx, tester, "L3", line.Pull{Units: append(serials("L3", 8), "L2-01")})
	wantRefusal(t, err, "unit L2-01 belongs to lot L2, not L3")
	_, err = l.PullUnits(ctx, tester, "L4", line.Pull{Units: serials("L4", 8)})
	step(t, err)
	_, err = l.PullUnits(ctx, tester, "L4", line.Pull{Units: serials("L4", 8)})
	wantRefusal(t, err, "a new draw until one pleases is none")
}

// Two refused lots of five tighten inspection, and the report says so.
func TestHistoryTightensInspection(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, sampled())
	ctx := t.Context()
	run := func(lot string, shape func(float64) float64) line.Drawn {
		t.Helper()
		d, err := l.PullUnits(ctx, tester, lot, line.Pull{Units: serials(lot, 8)})
		step(t, err)
		for _, serial := range d.Pulled {
			measure(t, l, lot, serial, shape)
		}
		return d
	}
	run("L1", bass)
	if d := run("L2", bass); d.Plan.Severity != "normal" {
		t.Errorf("%+v", d.Plan)
	}
	if s := report(t, l, "L2").Sampling; s.Result != "refuse" || s.Defective != 3 {
		t.Errorf("%+v", s)
	}
	d := run("L3", flat)
	if d.Plan.Severity != "tightened" || d.Plan.Sample != 5 || d.Why != "2 of the last 2 lots were not accepted" {
		t.Errorf("%+v, %s", d.Plan, d.Why)
	}
	if s := report(t, l, "L3").Sampling; s.Result != "accept" || !strings.Contains(strings.Join(s.Notes, " "), "Under normal inspection the plan would be 3 of 8, accept at most 0") {
		t.Errorf("%+v", s)
	}
	// A lot refused by its plan is not accepted plainly, whatever the yield of the rest.
	step(t, l.CloseLot(ctx, tester, "L2", ""))
	_, err := l.DecideLot(ctx, tester, "L2", "test", line.Decision{Outcome: line.OutcomeAccept, Reason: "r"})
	wantRefusal(t, err, "The sampling plan refuses the lot: 3 of 3 units inspected are defective, 0 are allowed.")
	v, err := db.Verify(ctx, "main", nil, func(store.VerifyStep) {})
	if err != nil || len(v.Faults) > 0 {
		t.Errorf("%+v (%v)", v.Faults, err)
	}
}

// One unit does not, two do not.
func TestSamplingTextCounts(t *testing.T) {
	t.Parallel()
	for bad, want := range map[int]string{0: "All 40 units were inspected, all of them pass.", 1: "All 40 units were inspected, 1 does not pass.", 2: "All 40 units were inspected, 2 do not pass."} {
		if got := line.SamplingText(reports.Sampling{Method: "every unit", Result: line.Accept, Sample: 40, Inspected: 40, Defective: bad}); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
