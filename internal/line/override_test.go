package line_test

import (
	"context"
	"strings"
	"testing"

	"alike/internal/line"

	"github.com/jackc/pgx/v5"
)

// forge edits the tables as their owner, past the program and its triggers.
func forge(t *testing.T, url, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	step(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), `SET session_replication_role = replica`)
	step(t, err)
	tag, err := conn.Exec(t.Context(), sql)
	step(t, err)
	if tag.RowsAffected() != 1 {
		t.Fatalf("%s changed %d rows", sql, tag.RowsAffected())
	}
}

func bass(hz float64) float64 {
	if hz < 100 {
		return -9
	}
	return 0
}

func TestOverrideNeedsAReasonAndKeepsTheFirst(t *testing.T) {
	t.Parallel()
	l, db, _ := ticking(t, product())
	ctx := t.Context()
	fill(t, l, 2)
	intake(t, l, visit("U03", bass, flat))
	for _, bad := range []struct {
		o    line.Overriding
		want string
	}{
		{line.Overriding{Serial: "U03", Verdict: "good", Reason: "r"}, "no verdict"},
		{line.Overriding{Serial: "U03", Verdict: "pass"}, "only with a reason"},
		{line.Overriding{Serial: "U44", Verdict: "pass", Reason: "r"}, `no unit "U44"`},
		{line.Overriding{Serial: "U03", Verdict: "pass", Reason: "r", Attempt: 2}, "no attempt 2"},
		{line.Overriding{Serial: "U03", Verdict: "fail", Reason: "r"}, "judged fail already"},
	} {
		_, err := l.Override(ctx, tester, bad.o)
		wantRefusal(t, err, bad.want)
	}
	o, err := l.Override(ctx, tester, line.Overriding{Serial: "U03", Verdict: "pass", Reason: "a cable lay under the pad"})
	if err != nil || !o.InForce || o.Was != "fail" || o.Attempt != 1 {
		t.Fatalf("%+v (%v)", o, err)
	}
	r := report(t, l, "L1")
	u := r.Units[2]
	if u.Last != "pass" || u.First != "fail" || !strings.HasPrefix(u.Sentence, "tester set fail to pass: a cable lay under the pad; measured: ") {
		t.Errorf("%+v", u)
	}
	if r.Counts.FirstPass != 2 || r.Counts.Pass != 3 || r.Attempts[2].Verdict != "fail" || r.Attempts[2].Stands != "pass" {
		t.Errorf("%+v, %+v", r.Counts, r.Attempts[2])
	}
	_, err = l.Confirm(ctx, line.By{Actor: "other"}, "U03", 1, "r")
	wantRefusal(t, err, "no override")
	honest(t, db)
}

func TestOverrideWaitsForASecondPerson(t *testing.T) {
	t.Parallel()
	p := product()
	p.SecondPerson = true
	l, db, _ := ticking(t, p)
	ctx := t.Context()
	fill(t, l, 2)
	intake(t, l, visit("U03", bass, flat))
	o, err := l.Override(ctx, tester, line.Overriding{Serial: "U03", Verdict: "pass", Reason: "cable"})
	if err != nil || o.InForce {
		t.Fatalf("%+v (%v)", o, err)
	}
	r := report(t, l, "L1")
	if r.Units[2].Last != "fail" || len(r.Life.NotReady) != 2 || r.Life.NotReady[1] != "A second person has to agree that unit U03, attempt 1, is pass." {
		t.Errorf("%+v, %q", r.Units[2], r.Life.NotReady)
	}
	_, err = l.Confirm(ctx, line.By{Actor: " TESTER "}, "U03", 1, "I am sure")
	wantRefusal(t, err, "another person")
	_, err = l.Confirm(ctx, line.By{Actor: "other"}, "U03", 1, "")
	wantRefusal(t, err, "needs a name and a reason")
	o, err = l.Confirm(ctx, line.By{Actor: "other"}, "U03", 0, "saw the cable")
	if err != nil || !o.InForce || o.Version != 2 {
		t.Fatalf("%+v (%v)", o, err)
	}
	r = report(t, l, "L1")
	if r.Units[2].Last != "pass" || !strings.Contains(r.Attempts[2].Override, "other agreed: saw the cable") || len(r.Life.NotReady) != 1 {
		t.Errorf("%+v %q", r.Attempts[2], r.Life.NotReady)
	}
	_, err = l.Confirm(ctx, line.By{Actor: "third"}, "U03", 1, "me too")
	wantRefusal(t, err, "no override")
	honest(t, db)
}
