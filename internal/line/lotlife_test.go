package line_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/reports"
)

// ticking is a workshop whose clock moves on by a second with every look at it.
func ticking(t *testing.T, p line.Product) (*line.Line, *store.DB, string) {
	t.Helper()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	clock := moment
	l := line.New(db, "main", func() time.Time { clock = clock.Add(time.Second); return clock })
	if err := l.Open(t.Context(), tester, "Test workshop", "UTC"); err != nil {
		t.Fatal(err)
	}
	if _, err := l.AddProduct(t.Context(), tester, p); err != nil {
		t.Fatal(err)
	}
	return l, db, url
}

func wantRefusal(t *testing.T, err error, parts ...string) {
	t.Helper()
	var r *line.Refusal
	if !errors.As(err, &r) {
		t.Errorf("got %v, want a refusal with %q", err, parts)
		return
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("%q lacks %q", err, p)
		}
	}
	if r.Field == "" || r.Remedy == "" {
		t.Errorf("no field or remedy: %+v", r)
	}
}

func report(t *testing.T, l *line.Line, lot string) reports.Lot {
	t.Helper()
	r, err := l.LotReport(t.Context(), lot, "test")
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func fill(t *testing.T, l *line.Line, n int) {
	t.Helper()
	for i := range n {
		intake(t, l, visit(fmt.Sprintf("U%02d", i+1), flat, flat))
	}
}

// slightly is flat but for a little of its own: no two measurements give the same curve.
func slightly(k float64) func(float64) float64 {
	return func(hz float64) float64 { return 0.001 * k * hz / 8000 }
}

func step(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func honest(t testing.TB, db *store.DB) {
	t.Helper()
	v, err := db.Verify(context.Background(), "main", nil, func(store.VerifyStep) {})
	if err != nil || len(v.Faults) > 0 {
		t.Errorf("the journal does not hold: %+v (%v)", v.Faults, err)
	}
}

func TestLotFromOpenToDecidedAndBack(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, product())
	ctx := t.Context()
	fill(t, l, 12)
	good := line.Decision{Outcome: line.OutcomeAccept, Reason: "heard and good"}
	_, err := l.DecideLot(ctx, tester, "L1", "test", good)
	wantRefusal(t, err, "still open", "alike lot close L1")
	wantRefusal(t, l.ReopenLot(ctx, tester, "L1", "x"), "is open")
	wantRefusal(t, l.CloseLot(ctx, tester, "L9", ""), `there is no lot "L9"`)
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	wantRefusal(t, l.CloseLot(ctx, tester, "L1", ""), "closed already")

	// Closed: no new unit, retests and known takes go on.
	r, err := l.Intake(ctx, tester, visit("U99", flat, flat))
	if err != nil || r.New() || !strings.Contains(strings.Join(refusals(r), " "), "lot L1 is closed for measuring: unit U99 would come in new") {
		t.Errorf("%+v (%v)", r, err)
	}
	if r := intake(t, l, visit("U01", flat, flat)); r.New() || len(refusals(r)) > 0 {
		t.Errorf("known takes: %+v", r)
	}

	for _, bad := range []struct {
		by   line.By
		d    line.Decision
		want string
	}{
		{tester, line.Decision{Outcome: "maybe", Reason: "r"}, "use accept, concession, sort, rework, reject"},
		{tester, line.Decision{Outcome: "accept", Reason: "  "}, "typed reason"},
		{line.By{Actor: " "}, good, "needs a person"},
		{tester, line.Decision{Outcome: "accept", Reason: "r", DataHash: strings.Repeat("0", 64)}, "changed since the report that you read"},
	} {
		_, err := l.DecideLot(ctx, bad.by, "L1", "test", bad.d)
		wantRefusal(t, err, bad.want)
	}
	before := report(t, l, "L1")
	data, err := before.Data()
	step(t, err)
	good.DataHash = fmt.Sprintf("%x", reports.Hash(data))
	decided, err := l.DecideLot(ctx, tester, "L1", "test", good)
	step(t, err)
	s := decided.Life.Signature
	if s == nil || !s.Sound || !s.Matches || !s.InForce || s.DataHash != good.DataHash || s.Who != "tester" || decided.Life.State != "decided" {
		t.Fatalf("%+v, %+v", decided.Life, s)
	}
	_, err = l.DecideLot(ctx, tester, "L1", "test", good)
	wantRefusal(t, err, "decided already: accept, by tester")
	r, err = l.Intake(ctx, tester, again(visit("U01b", flat, flat), 0, ""))
	if err != nil || r.New() || !strings.Contains(strings.Join(refusals(r), " "), "is decided (accept by tester)") {
		t.Errorf("%+v (%v)", r, err)
	}
	_, err = l.Override(ctx, tester, line.Overriding{Serial: "U01", Verdict: "fail", Reason: "r"})
	wantRefusal(t, err, "is decided")

	wantRefusal(t, l.ReopenLot(ctx, tester, "L1", ""), "only with a reason")
	step(t, l.ReopenLot(ctx, tester, "L1", "two units were forgotten"))
	open := report(t, l, "L1")
	if open.Life.State != "open" || open.Life.Signature.InForce || !open.Life.Signature.Matches || len(open.Life.Steps) != 3 {
		t.Errorf("%+v, %+v", open.Life, open.Life.Signature)
	}
	intake(t, l, visit("U13", flat, flat))
	s = report(t, l, "L1").Life.Signature
	if s.Matches || !s.Sound || len(s.Changes) == 0 || !strings.Contains(strings.Join(s.Changes, "; "), "counts.attempts: 12, now 13") {
		t.Errorf("%+v", s)
	}
	honest(t, db)
}

// Data of the report are the same to the byte before and after the decision, whatever
// came in meanwhile that is not of the lot, and new limits do not read it anew.
func TestReportOfADecidedLotStays(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, product())
	ctx := t.Context()
	for i := range 24 {
		w := 0.02 * float64(i%7)
		intake(t, l, visit(fmt.Sprintf("U%02d", i+1), func(hz float64) float64 { return w * hz / 8000 }, flat))
	}
	step(t, l.CloseLot(ctx, tester, "L1", "week is over"))
	decided, err := l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeAccept, Reason: "good"})
	step(t, err)
	want, err := decided.Data()
	step(t, err)

	// A refused take, parts for other units, another lot, and limits from before on.
	_, err = l.Quarantine(ctx, tester, curve.Refusal{File: "late.txt", Line: 1, Field: "level", Reason: "r", Remedy: "m"}, "L1", []byte("x"))
	step(t, err)
	_, err = l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "pad", Batch: "B", First: "X01", Last: "X09"}})
	step(t, err)
	other := visit("V01", flat, flat)
	for i := range other {
		other[i].Lot = "L2"
	}
	intake(t, l, other)
	if _, err := l.Freeze(ctx, tester, "p1", line.Freezing{Baseline: line.Baseline{Lot: "L1"}, Reason: "r", Boards: 60}); err != nil {
		t.Fatal(err)
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
	twin, err := later.Twin()
	if err != nil || !strings.Contains(string(twin), later.Life.Signature.DataHash) || !strings.Contains(string(twin), `"form": 1`) {
		t.Errorf("twin: %v", err)
	}
	// Parts entered for its own units change what is known of it.
	_, err = l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "foam", Batch: "B", First: "U01", Last: "U09"}})
	step(t, err)
	if s := report(t, l, "L1").Life.Signature; s.Matches || !strings.Contains(strings.Join(s.Changes, " "), "parts 1") {
		t.Errorf("%+v", s)
	}
	honest(t, db)
}

// Whoever alters the decision itself by SQL breaks the signature as well as the journal.
func TestSignatureFindsAnAlteredDecision(t *testing.T) {
	t.Parallel()
	for name, sql := range map[string]string{
		"outcome": `UPDATE lot_steps SET outcome = 'reject' WHERE outcome <> ''`,
		"reason":  `UPDATE lot_steps SET reason = 'bad' WHERE outcome <> ''`,
		"who":     `UPDATE lot_steps SET actor = 'other' WHERE outcome <> ''`,
		"when":    `UPDATE lot_steps SET at = at - interval '1 microsecond' WHERE outcome <> ''`,
		"hash":    `UPDATE lot_steps SET data_hash = sha256('x') WHERE outcome <> ''`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l, db, url := ticking(t, product())
			fill(t, l, 3)
			step(t, l.CloseLot(t.Context(), tester, "L1", ""))
			_, err := l.DecideLot(t.Context(), tester, "L1", "test", line.Decision{Outcome: line.OutcomeAccept, Reason: "good"})
			step(t, err)
			forge(t, url, sql)
			if s := report(t, l, "L1").Life.Signature; s.Sound {
				t.Errorf("the signature holds: %+v", s)
			}
			v, err := db.Verify(t.Context(), "main", nil, func(store.VerifyStep) {})
			if err != nil || len(v.Faults) != 1 || v.Faults[0].Table != "lot_steps" || v.Faults[0].Row != "L1/2" {
				t.Errorf("%+v (%v)", v.Faults, err)
			}
		})
	}
}

func TestUnreadyLotIsNotAcceptedPlainly(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, product())
	ctx := t.Context()
	fill(t, l, 3)
	intake(t, l, visit("U04", flat, flat)[:3])              // waits
	_, err := l.AddParts(ctx, tester, "p1", []line.PartUse{ // U03 and U04 lack it
		{Kind: "foam", Channel: "left", Batch: "F", First: "U01", Last: "U02"}})
	step(t, err)
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	r := report(t, l, "L1")
	want := []string{"Takes are missing of U04.", "The parts ledger names no foam left for 2 units, U03 to U04."}
	if !slices.Equal(r.Life.NotReady, want) {
		t.Errorf("not ready: %q, want %q", r.Life.NotReady, want)
	}
	_, err = l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeAccept, Reason: "r"})
	wantRefusal(t, err, want[0], want[1], "decide concession")
	// The take that is missing may still come: the attempt had begun.
	if r := intake(t, l, visit("U04", flat, flat)); r.Verdict == nil {
		t.Errorf("%+v", r)
	}
	_, err = l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeConcession, Reason: "the foam is known from the invoice"})
	step(t, err)
	honest(t, db)
}

// A unit of a lot to be reworked comes back to the rig; new ones still do not.
func TestReworkBringsUnitsBack(t *testing.T) {
	t.Parallel()
	l, _, _ := ticking(t, product())
	ctx := t.Context()
	fill(t, l, 2)
	intake(t, l, visit("U03", bass, flat))
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	_, err := l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: line.OutcomeRework, Reason: "seal leaks"})
	step(t, err)
	if r := intake(t, l, again(visit("U03x", flat, flat), 0, "")); r.New() {
		t.Errorf("a new unit came in: %+v", r)
	}
	takes := again(visit("U03", slightly(1), slightly(1)), 2, "glued again")
	if r := intake(t, l, takes); r.Verdict == nil || r.Verdict.Word != "pass" {
		t.Errorf("%+v", r)
	}
	rep := report(t, l, "L1")
	if rep.Life.Signature.Matches || rep.Yield[0].Good != 2 || rep.Yield[1].Good != 3 {
		t.Errorf("%+v, %+v", rep.Life.Signature, rep.Yield)
	}
}

func TestFourthAttemptIsShownSo(t *testing.T) {
	t.Parallel()
	p := product()
	p.MaxAttempts = 4
	l, _, _ := ticking(t, p)
	off := func(k float64) func(float64) float64 {
		return func(hz float64) float64 {
			if hz < 100 {
				return -9 - k
			}
			return 0
		}
	}
	fill(t, l, 1)
	intake(t, l, visit("U02", off(0), flat))
	for i := 2; i <= 3; i++ {
		intake(t, l, again(visit("U02", off(float64(i)/10), slightly(float64(i))), i, "pad turned"))
	}
	intake(t, l, again(visit("U02", slightly(4), slightly(4)), 4, "glued"))
	r := report(t, l, "L1")
	u := r.Units[1]
	if u.Attempts != 4 || u.First != "fail" || u.Last != "pass" || !strings.HasPrefix(u.Sentence, "attempt 4, after fail, fail, fail; ") {
		t.Errorf("%+v", u)
	}
	if len(r.Attempts) != 5 || r.Attempts[4].Number != 4 || r.Attempts[4].Of != 4 || r.Attempts[4].Reason != "glued" || r.Attempts[1].Verdict != "fail" {
		t.Errorf("%+v", r.Attempts)
	}
	if r.Counts.FirstPass != 1 || r.Counts.Retested != 1 {
		t.Errorf("%+v", r.Counts)
	}
}
