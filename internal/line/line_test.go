package line_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/band"
	"alike/spc/envelope"
)

var (
	moment = time.Date(2026, 9, 7, 8, 0, 0, 0, time.UTC)
	tester = line.By{Actor: "tester", Origin: "test"}
)

// product is a small one: octaves, two channels, two seatings, flat target.
func product() line.Product {
	return line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1,
		Bands: line.Span{From: 63, To: 8000}, Anchor: line.Span{From: 1000, To: 1000},
		Seatings: 2, MaxAttempts: 3, Sensitivity: 100, FirstPassYield: 0.9, FalseAlarms: 500,
		SeatingSpread: []envelope.Guard{{From: 63, To: 8000, DB: 3}},
		Envelope: &envelope.Envelope{
			Around:  []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}},
			Guard:   []envelope.Guard{{From: 63, To: 8000, DB: 0.5}},
			Balance: []envelope.Guard{{From: 250, To: 4000, DB: 1}},
		},
	}
}

// workshop opens a line with the product on a database of the test's own. When the test
// ends, the journal has to speak for every row that it left.
func workshop(t testing.TB, p line.Product) (*line.Line, *store.DB) {
	t.Helper()
	db := storetest.Open(t)
	t.Cleanup(func() { honest(t, db) })
	l := line.New(db, "main", func() time.Time { return moment })
	if err := l.Open(t.Context(), tester, "Test workshop", "UTC"); err != nil {
		t.Fatal(err)
	}
	if added, err := l.AddProduct(t.Context(), tester, p); err != nil || !added {
		t.Fatalf("product added %v: %v", added, err)
	}
	return l, db
}

// take makes one: 100 dB plus the shape, and wiggle to make each content its own.
func take(serial, channel string, seating int, wiggle float64, shape func(hz float64) float64) curve.Take {
	t := curve.Take{Identity: curve.Identity{Lot: "L1", Serial: serial, Channel: channel, Seating: seating, MeasuredAt: moment}}
	for hz := 20.0; hz < 20000; hz *= 1.1 {
		t.Curve.Hz = append(t.Curve.Hz, hz)
		t.Curve.DB = append(t.Curve.DB, 100+wiggle+shape(hz))
	}
	t.Source.File = fmt.Sprintf("%s_%s_%d.txt", serial, channel, seating)
	return t
}

func flat(float64) float64 { return 0 }

// visit makes the four takes of one visit; left and right have their shapes.
func visit(serial string, left, right func(float64) float64) []curve.Take {
	w := 0.0
	for _, r := range serial {
		w = math.Mod(31*w+float64(r), 997)
	}
	w = math.Mod(613*w, 997) // serials that follow each other lie as apart as any: the charts learn from the first units on
	w /= 9970                // less than 0.1 dB, different for every serial
	return []curve.Take{
		take(serial, "left", 1, w, left), take(serial, "left", 2, w+0.001, left),
		take(serial, "right", 1, w+0.002, right), take(serial, "right", 2, w+0.003, right),
	}
}

func again(takes []curve.Take, attempt int, reason string) []curve.Take {
	out := append([]curve.Take(nil), takes...)
	for i := range out {
		out[i].Attempt, out[i].Reason = attempt, reason
	}
	return out
}

func intake(t testing.TB, l *line.Line, takes []curve.Take) line.Receipt {
	t.Helper()
	r, err := l.Intake(t.Context(), tester, takes)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestUnitWaitsUntilItsTakesAreThere(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	takes := visit("U1", flat, flat)
	r := intake(t, l, takes[:3])
	if r.Verdict != nil || r.Waiting != "right seating 2" {
		t.Fatalf("verdict %v, waiting for %q", r.Verdict, r.Waiting)
	}
	r = intake(t, l, takes[3:])
	if r.Verdict == nil || r.Verdict.Word != envelope.Pass || r.Waiting != "" {
		t.Fatalf("%+v", r)
	}
	u, err := l.Unit(t.Context(), "U1")
	if err != nil || len(u.Attempts) != 1 || len(u.Attempts[0].Takes) != 4 || u.Place == nil || *u.Place != 1 {
		t.Errorf("%+v (%v)", u, err)
	}
}

func TestSameTakesAgainChangeNothing(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	takes := visit("U1", flat, flat)
	first := intake(t, l, takes)
	before, err := db.Site("main").Journal(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	second := intake(t, l, takes)
	for i := range takes {
		if !second.Takes[i].Known || second.Takes[i].ID != first.Takes[i].ID {
			t.Errorf("take %d: %+v, first %+v", i, second.Takes[i], first.Takes[i])
		}
	}
	if second.New() {
		t.Error("the second call says that it stored something")
	}
	after, _ := db.Site("main").Journal(t.Context(), 0, 100)
	if len(after) != len(before) {
		t.Errorf("journal grew from %d to %d entries", len(before), len(after))
	}
}

// refusals collects what a receipt refused, as "field: reason".
func refusals(r line.Receipt) []string {
	var out []string
	for _, tk := range r.Takes {
		if tk.Refused != nil {
			out = append(out, tk.Refused.Field+": "+tk.Refused.Reason)
		}
	}
	return out
}

func TestContradictionsAreRefused(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	u1 := visit("U1", flat, flat)
	intake(t, l, u1)
	other := func(change func(*curve.Take)) []curve.Take {
		tk := take("U9", "left", 1, 0.5, flat)
		change(&tk)
		return []curve.Take{tk}
	}
	for _, tt := range []struct {
		name  string
		takes []curve.Take
		kind  line.Kind
		field string
		say   string
	}{
		{"curve of another unit", other(func(k *curve.Take) { k.Curve = u1[0].Curve }), line.Conflict, "content", "unit U9, left seating 1, is stored already as unit U1, left seating 1"},
		{"another curve in the same place", other(func(k *curve.Take) { k.Serial = "U1" }), line.Conflict, "attempt", "already has another curve for left seating 1"},
		{"same curve under another seating", other(func(k *curve.Take) { k.Curve, k.Serial, k.Seating, k.Attempt = u1[0].Curve, "U1", 2, 1 }), line.Conflict, "content", "stored already as unit U1, left seating 1"},
		{"retest without a reason", other(func(k *curve.Take) { k.Serial, k.Attempt = "U1", 2 }), line.Invalid, "reason", "has no reason"},
		{"attempt out of turn", other(func(k *curve.Take) { k.Serial, k.Attempt, k.Reason = "U1", 3, "r" }), line.Conflict, "attempt", "has 1 attempts"},
		{"too many attempts", other(func(k *curve.Take) { k.Serial, k.Attempt, k.Reason = "U1", 4, "r" }), line.Invalid, "attempt", "more than the 3"},
		{"unknown channel", other(func(k *curve.Take) { k.Channel = "centre" }), line.Invalid, "channel", "no channel \"centre\""},
		{"seating not said", other(func(k *curve.Take) { k.Seating = 0 }), line.Invalid, "seating", "not said"},
		{"too many seatings", other(func(k *curve.Take) { k.Seating = 3 }), line.Invalid, "seating", "more than the 2"},
		{"curve misses the anchor", other(func(k *curve.Take) { k.Curve = band.Curve{Hz: []float64{2000, 9000}, DB: []float64{1, 2}} }), line.Invalid, "frequency", "covers no band of the anchor range"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := intake(t, l, tt.takes)
			bad := r.Takes[0].Refused
			if bad == nil || bad.Kind != tt.kind || bad.Field != tt.field || !strings.Contains(bad.Reason, tt.say) || bad.Remedy == "" {
				t.Errorf("%+v", bad)
			}
		})
	}
	for _, tt := range []struct {
		name  string
		takes []curve.Take
		field string
	}{
		{"no lot", other(func(k *curve.Take) { k.Lot = "" }), "lot"},
		{"other lot", other(func(k *curve.Take) { k.Serial, k.Lot = "U1", "L2" }), "lot"},
		{"unknown product", other(func(k *curve.Take) { k.Product = "p9" }), "product"},
		{"nothing", nil, "takes"},
	} {
		_, err := l.Intake(t.Context(), tester, tt.takes)
		var r *line.Refusal
		if !errors.As(err, &r) || r.Field != tt.field {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := l.Unit(t.Context(), "U9"); err == nil {
		t.Error("a unit whose takes were all refused is there")
	}
}

// A bad take does not keep the good ones out.
func TestGoodTakesGoInBesideARefusedOne(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	takes := visit("U1", flat, flat)
	takes[2].Curve = takes[0].Curve // right seating 1 is a copy of left seating 1
	r := intake(t, l, takes)
	if got := refusals(r); len(got) != 1 || !strings.Contains(got[0], "same curve as left seating 1 and as right seating 1") {
		t.Errorf("refused %q", got)
	}
	if r.Waiting != "right seating 1" {
		t.Errorf("waiting for %q", r.Waiting)
	}
}

// Ten coarse points may coincide by chance; they are no proof of a copy.
func TestCoarseCurvesMayCoincide(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	coarse := band.Curve{Hz: []float64{20, 50, 100, 500, 700, 1500, 3000, 8000, 12000, 20000}, DB: []float64{100, 100, 100, 100, 100, 100, 100, 100, 100, 100}}
	for _, serial := range []string{"U1", "U2"} {
		for _, tk := range visit(serial, flat, flat) {
			tk.Curve = coarse
			if r := intake(t, l, []curve.Take{tk}); len(refusals(r)) > 0 {
				t.Fatalf("%s: %q", serial, refusals(r))
			}
		}
	}
}

func TestFirstAttemptDecidesYieldForEver(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	leak := func(hz float64) float64 { return -8 / (1 + hz/100) }
	if r := intake(t, l, visit("U1", leak, flat)); r.Verdict.Word != envelope.Fail {
		t.Fatalf("a leak reads %+v", r.Verdict)
	}
	r := intake(t, l, again(visit("U1x", flat, flat), 2, "pad replaced"))
	if r.Verdict == nil { // U1x was only for its content
		t.Log("unit U1x is its own")
	}
	retest := again(visit("U1", flat, flat), 2, "pad replaced")
	for i := range retest {
		retest[i].Curve.DB[0] += 0.01 // another measurement, not the same file
	}
	if r := intake(t, l, retest); r.Verdict == nil || r.Verdict.Word != envelope.Pass || r.Attempt != 2 {
		t.Fatalf("the retest reads %+v", r)
	}
	rep, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	c := rep.Counts
	if c.Units != 1 || c.Pass != 1 || c.Retested != 1 || c.Attempts != 2 || rep.Yield[0].Good != 0 || rep.Yield[1].Good != 1 {
		t.Errorf("counts %+v, yields %+v", c, rep.Yield)
	}
	if rep.Units[0].First != "fail" || rep.Units[0].Last != "pass" {
		t.Errorf("%+v", rep.Units[0])
	}
	if rep.Proposal.Accept {
		t.Error("a lot with 0 % first-pass yield is accepted")
	}
}

func TestVerdictInWords(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	quiet := func(float64) float64 { return -70 }
	leak := func(hz float64) float64 { return -8 / (1 + math.Pow(hz/100, 2)) }
	treble := func(hz float64) float64 { return 2.7 * one(hz > 3000) }
	for _, tt := range []struct {
		name        string
		left, right func(float64) float64
		word        envelope.Word
		say         string
	}{
		{"good", flat, flat, envelope.Pass, "all judged values lie inside; the nearest is left against right"},
		{"leak", leak, flat, envelope.Fail, "left, 63 Hz band: 2.5 dB under the lower limit"},
		{"leak, what to check", leak, flat, envelope.Fail, "; everything up to 125 Hz falls together: check the pad and glue seal"},
		{"guard band", treble, treble, envelope.Doubtful, "8 kHz band: only 0.3 dB inside the upper limit, nearer than the guard band"},
		{"dead", quiet, flat, envelope.Fail, "no sound on the left"},
		{"weak", flat, func(float64) float64 { return -9 }, envelope.Fail, "right is weak, 9 dB below the product's level"},
		{"balance", func(float64) float64 { return 1.5 }, flat, envelope.Fail, "left against right, 250 Hz band: 0.5 dB over the upper limit"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := intake(t, l, visit("W-"+tt.name, tt.left, tt.right)).Verdict
			if v.Word != tt.word || !strings.Contains(v.Sentence, tt.say) {
				t.Errorf("%s: %s", v.Word, v.Sentence)
			}
			if !strings.Contains(strings.Join(v.NotChecked, "; "), "polarity") {
				t.Errorf("not checked: %q, and the takes hold no phase", v.NotChecked)
			}
		})
	}
}

// one is 1 for true.
func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func TestSeatingsThatDisagreeAskForReseat(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	takes := visit("U1", flat, flat)
	takes[1] = take("U1", "left", 2, 0.3, func(hz float64) float64 { return -5 / (1 + math.Pow(hz/150, 2)) })
	v := intake(t, l, takes).Verdict
	if v.Word != envelope.Reseat || !strings.Contains(v.Sentence, "left, 63 Hz band: the seatings differ by") {
		t.Fatalf("%s: %s", v.Word, v.Sentence)
	}
	// A reseat needs no other reason than itself.
	second := again(visit("U1", flat, flat), 2, "")
	second[0].Curve.DB[3] += 0.02
	second[1].Curve.DB[3] += 0.02
	second[2].Curve.DB[3] += 0.02
	second[3].Curve.DB[3] += 0.02
	if r := intake(t, l, second); r.Verdict == nil || r.Verdict.Word != envelope.Pass {
		t.Errorf("%+v %q", r, refusals(r))
	}
}

func TestPolarityFromPhase(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	for _, tt := range []struct {
		serial string
		turn   float64
		word   envelope.Word
		say    string
	}{{"P1", 0, envelope.Pass, "inside"}, {"P2", 180, envelope.Fail, "opposite polarity"}} {
		takes := visit(tt.serial, flat, flat)
		for i := range takes {
			for _, hz := range takes[i].Curve.Hz {
				ph := -hz / 50
				if takes[i].Channel == "right" {
					ph += tt.turn
				}
				takes[i].Curve.Phase = append(takes[i].Curve.Phase, ph)
			}
		}
		v := intake(t, l, takes).Verdict
		if v.Word != tt.word || !strings.Contains(v.Sentence, tt.say) {
			t.Errorf("%s: %s %q", tt.serial, v.Word, v.Sentence)
		}
		if strings.Contains(strings.Join(v.NotChecked, "; "), "polarity") {
			t.Errorf("%s: polarity is said not to be checked", tt.serial)
		}
	}
}

// The same visit sent by many stations at once is stored and judged once.
func TestOneVisitFromManySides(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	var wg sync.WaitGroup
	for range 8 {
		for _, tk := range visit("U1", flat, flat) {
			wg.Go(func() {
				if r, err := l.Intake(context.Background(), tester, []curve.Take{tk}); err != nil || r.Takes[0].Refused != nil {
					t.Errorf("%v %+v", err, r.Takes)
				}
			})
		}
	}
	wg.Wait()
	u, err := l.Unit(t.Context(), "U1")
	if err != nil || len(u.Attempts) != 1 || len(u.Attempts[0].Takes) != 4 || u.Attempts[0].Verdict == nil {
		t.Errorf("%+v (%v)", u, err)
	}
}

func TestProductIsNotChangedUnderItsUnits(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	if added, err := l.AddProduct(t.Context(), tester, product()); added || err != nil {
		t.Errorf("the same product again: added %v, %v", added, err)
	}
	changed := product()
	changed.Seatings = 5
	var r *line.Refusal
	if _, err := l.AddProduct(t.Context(), tester, changed); !errors.As(err, &r) || r.Kind != line.Conflict {
		t.Errorf("another definition: %v", err)
	}
}

// A new envelope judges what comes after it; verdicts given before stand.
func TestEnvelopeVersions(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	bright := func(hz float64) float64 { return 2 * one(hz > 3000) }
	if v := intake(t, l, visit("U1", bright, bright)).Verdict; v.Word != envelope.Pass || v.Envelope != 1 {
		t.Fatalf("%+v", v)
	}
	tight := envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 1, Plus: 1}}}
	if _, err := l.AddEnvelope(t.Context(), tester, "p1", tight, ""); err == nil {
		t.Error("limits changed without a reason")
	}
	if n, err := l.AddEnvelope(t.Context(), tester, "p1", tight, "tighter"); err != nil || n != 2 {
		t.Fatalf("version %d, %v", n, err)
	}
	if v := intake(t, l, visit("U2", bright, bright)).Verdict; v.Word != envelope.Fail || v.Envelope != 2 {
		t.Errorf("%+v", v)
	}
	u, err := l.Unit(t.Context(), "U1")
	if err != nil || u.Attempts[0].Verdict.Word != envelope.Pass {
		t.Errorf("the verdict given before has changed: %+v (%v)", u, err)
	}
	wide := envelope.Envelope{Around: []envelope.Range{{From: 1, To: 2, Minus: 1, Plus: 1}}}
	if _, err := l.AddEnvelope(t.Context(), tester, "p1", wide, "r"); err == nil {
		t.Error("an envelope that limits no band is accepted")
	}
}
