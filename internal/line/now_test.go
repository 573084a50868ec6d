package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/line"
	"alike/spc/envelope"
)

// The answer follows the last units: without limits it is not known, on quiet charts
// all right, and a shift that passes the envelope is not all right.
func TestNowAnswers(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	now := func() line.ProductNow {
		t.Helper()
		n, err := l.Now(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return n.Products[0]
	}
	if p := now(); p.State != line.NotKnown || p.Reasons[0] != "No unit has been judged yet." {
		t.Errorf("empty: %v %q", p.State, p.Reasons)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	produce(t, l, rng, 1, 30, flat)
	if p := now(); p.State != line.LookAtIt || !strings.Contains(p.Reasons[0], "Limits are still being learnt (30 units). Freeze them now") || p.Learning == nil || p.Learning.Units != 30 {
		t.Errorf("without limits: %v %q", p.State, p.Reasons)
	}
	if _, err := l.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Lot: "L1"}, "first")); err != nil {
		t.Fatal(err)
	}
	produce(t, l, rng, 31, 56, flat)
	p := now()
	if p.State != line.AllRight || len(p.Signals) != 0 || p.Recent != 25 {
		t.Fatalf("quiet: %v %q %+v", p.State, p.Reasons, p.Signals)
	}
	produce(t, l, rng, 57, 60, func(hz float64) float64 { return 1.5 * one(hz < 200) })
	p = now()
	if p.State != line.NotAllRight || !strings.Contains(p.Reasons[0], "The line moved") {
		t.Errorf("moved: %v %q", p.State, p.Reasons)
	}
	n, err := l.Now(t.Context())
	if err != nil || len(n.Findings) == 0 || n.Findings[0].Kind != line.TheLine || n.Findings[0].FirstSerial != "S0057" {
		t.Errorf("findings %+v (%v)", n.Findings, err)
	}
	if !strings.Contains(strings.Join(p.Reasons, " "), "Nobody has acted on finding") {
		t.Errorf("reasons %q", p.Reasons)
	}
	if len(p.Signals) == 0 || p.Signals[0].Units < 2 || p.Signals[0].Title == "" || p.Signals[0].Text == "" {
		t.Errorf("signals %+v", p.Signals)
	}
}

// What waits for a person is the last attempt of a unit, newest first, and the yield of
// the week the first one's.
func TestNowCounts(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	low := func(hz float64) float64 { return -9 * one(hz < 200) }
	intake(t, l, visit("A", flat, flat))
	intake(t, l, visit("B", low, flat))
	intake(t, l, again(visit("B2", low, flat), 1, ""))
	intake(t, l, visit("W", flat, flat)[:3])
	fixed := visit("B2", flat, flat)
	for i := range fixed {
		for k := range fixed[i].Curve.DB {
			fixed[i].Curve.DB[k] += 0.01
		}
	}
	intake(t, l, again(fixed, 2, "glued"))
	n, err := l.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !n.ThisWeek || n.Week != time.Date(2026, 9, 7, 0, 0, 0, 0, time.UTC) || len(n.Days) != 1 || n.Days[0].Total != 4 || len(n.Days[0].Units) != 4 {
		t.Errorf("%+v", n.Days)
	}
	if n.Yield.Good != 1 || n.Yield.Of != 3 || n.Today.Of != 3 {
		t.Errorf("yield %+v, today %+v", n.Yield, n.Today)
	}
	var waiting []string
	for _, u := range n.Waiting {
		waiting = append(waiting, u.Serial+" "+u.Last+": "+u.NextStep)
	}
	slices.Sort(waiting)
	if len(waiting) != 2 || !strings.HasPrefix(waiting[0], "B fail: find the cause") || waiting[1] != "W waiting: measure what is missing" {
		t.Errorf("%q", waiting)
	}
}

// Trying takes says what storing them would say.
func TestTryAgreesWithIntake(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	for name, shape := range map[string]func(float64) float64{
		"good":     flat,
		"leak":     func(hz float64) float64 { return -8 * one(hz < 200) },
		"near":     func(hz float64) float64 { return 2.8 * one(hz > 3000) },
		"dead":     func(float64) float64 { return -60 },
		"unlike":   func(hz float64) float64 { return 1.5 * one(hz > 400 && hz < 700) },
		"unstable": nil,
	} {
		takes := visit("U-"+name, flat, flat)
		if shape == nil {
			for k, hz := range takes[0].Curve.Hz {
				takes[0].Curve.DB[k] += 5 * one(hz < 200)
			}
		} else {
			takes = visit("U-"+name, shape, flat)
		}
		before, err := db.Site("main").LastEntry(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		tried, err := l.Try(t.Context(), "p1", takes)
		if err != nil {
			t.Fatal(err)
		}
		if after, _ := db.Site("main").LastEntry(t.Context()); after != before {
			t.Errorf("%s: trying wrote", name)
		}
		r := intake(t, l, takes)
		if r.Verdict == nil {
			t.Fatalf("%s: %q", name, refusals(r))
		}
		if r.Verdict.Word != tried.Verdict.Word || r.Verdict.Sentence != tried.Verdict.Sentence || !slices.Equal(r.Verdict.NotChecked, tried.Verdict.NotChecked) {
			t.Errorf("%s: tried %v %q, stored %v %q", name, tried.Verdict.Word, tried.Verdict.Sentence, r.Verdict.Word, r.Verdict.Sentence)
		}
	}
}

// Rehearsing the limits in force gives the verdicts that were given.
func TestRehearseAgreesWithVerdicts(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	given := map[envelope.Word]int{}
	for i, left := range []func(float64) float64{
		flat, flat,
		func(hz float64) float64 { return -4 * one(hz < 200) },
		func(hz float64) float64 { return 2.7 * one(hz > 5000) },            // in the guard band
		func(hz float64) float64 { return 1.3 * one(hz > 400 && hz < 700) }, // balance alone
		func(hz float64) float64 { return 0.5 * math.Sin(hz/500) },
		func(float64) float64 { return 1.4 }, // one channel louder: balance, which anchoring hides
	} {
		given[intake(t, l, visit(fmt.Sprint("U", i), left, flat)).Verdict.Word]++
	}
	if given[envelope.Pass] != 3 || given[envelope.Doubtful] != 1 || given[envelope.Fail] != 3 {
		t.Fatalf("given %v", given)
	}
	r, err := l.Rehearse(t.Context(), "p1", *product().Envelope)
	if err != nil {
		t.Fatal(err)
	}
	if r.Units != 7 || fmt.Sprint(r.Words) != fmt.Sprint(given) || fmt.Sprint(r.Today) != fmt.Sprint(given) || len(r.Changed) != 0 {
		t.Errorf("%+v, given %v", r, given)
	}
	wide := envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 9, Plus: 9}}}
	if r, err = l.Rehearse(t.Context(), "p1", wide); err != nil || r.Words[envelope.Pass] != 7 || strings.Join(r.Changed, " ") != "U6 U4 U3 U2" {
		t.Errorf("%v %v (%v)", r.Words, r.Changed, err)
	}
	if _, err := l.Rehearse(t.Context(), "p1", envelope.Envelope{}); err == nil {
		t.Error("an envelope without limits was rehearsed")
	}
}

func TestScreenIsWhatFreezeUses(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	rng := rand.New(rand.NewPCG(7, 8))
	produce(t, l, rng, 1, 22, flat)
	intake(t, l, visit("BAD", func(hz float64) float64 { return -9 * one(hz < 200) }, flat))
	intake(t, l, visit("OPEN", flat, flat)[:1])
	base := line.Baseline{Lot: "L1"}
	used, out, err := l.Screen(t.Context(), "p1", base)
	if err != nil {
		t.Fatal(err)
	}
	f, err := l.Freeze(t.Context(), tester, "p1", quick(base, "first"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(used, f.Used) || !slices.Equal(out, f.LeftOut) || len(out) != 2 {
		t.Errorf("screened %d and %v, frozen %d and %v", len(used), out, len(f.Used), f.LeftOut)
	}
}

func TestUnitDetail(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	rng := rand.New(rand.NewPCG(9, 10))
	produce(t, l, rng, 1, 24, flat)
	if _, err := l.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Lot: "L1"}, "first")); err != nil {
		t.Fatal(err)
	}
	intake(t, l, visit("X", func(hz float64) float64 { return -9 * one(hz < 200) }, flat))
	intake(t, l, visit("Y", flat, flat))
	d, err := l.UnitDetail(t.Context(), "X")
	if err != nil {
		t.Fatal(err)
	}
	if len(d.After) != 1 || d.After[0].Serial != "Y" || len(d.Before) != 4 || *d.Before[0].Place != *d.Place-1 || *d.Before[3].Place != *d.Place-4 {
		t.Errorf("neighbours %+v %+v", d.Before, d.After)
	}
	if len(d.Readings) != 1 || len(d.Readings[0].Channels) != 2 || len(d.Readings[0].Seatings[0]) != 2 || math.Abs(d.Readings[0].Channels[0].Deviation[0]+9) > 0.1 {
		t.Errorf("readings %+v", d.Readings)
	}
	if len(d.Fits) != 2 || d.Fits[0].Usual || !d.Fits[1].Usual || !strings.Contains(d.Fits[0].Words, "125 Hz") {
		t.Errorf("fits %+v", d.Fits)
	}
	for i := 1; i < len(d.Marks); i++ {
		if math.Abs(float64(d.Marks[i].Z)) > math.Abs(float64(d.Marks[i-1].Z)) {
			t.Errorf("marks %d and %d are out of order", i-1, i)
		}
	}
	if len(d.Marks) == 0 || !strings.HasPrefix(d.NextStep, "find the cause") {
		t.Errorf("%d marks, %q", len(d.Marks), d.NextStep)
	}
}
