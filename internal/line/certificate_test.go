package line_test

import (
	"strings"
	"testing"

	"alike/internal/line"
)

// Only good units of a lot that is decided to ship have certificates, and only as long
// as the decision fits the data.
func TestCertificates(t *testing.T) {
	t.Parallel()
	l, _, _ := ticking(t, product())
	ctx := t.Context()
	fill(t, l, 3)
	intake(t, l, visit("U04", bass, flat))
	intake(t, l, again(visit("U05", bass, slightly(9)), 0, ""))
	intake(t, l, again(visit("U05", slightly(1), slightly(2)), 2, "glued"))
	of := func(serial string) error {
		_, err := l.Certificates(ctx, "L1", serial, "test")
		return err
	}
	wantRefusal(t, of(""), "lot L1 is not decided: its units have no certificates yet")
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	decide := func(outcome string) {
		t.Helper()
		_, err := l.DecideLot(ctx, tester, "L1", "test", line.Decision{Outcome: outcome, Reason: "needed"})
		step(t, err)
	}
	decide(line.OutcomeRework)
	wantRefusal(t, of(""), "lot L1 is decided: rework; its units do not ship")
	step(t, l.ReopenLot(ctx, tester, "L1", "a second look"))
	wantRefusal(t, of("U01"), "is not decided")
	step(t, l.CloseLot(ctx, tester, "L1", ""))
	decide(line.OutcomeConcession)

	all, err := l.Certificates(ctx, "L1", "", "test")
	step(t, err)
	if len(all.Good) != 4 || len(all.LeftOut) != 1 || all.LeftOut[0].Serial != "U04" || all.LeftOut[0].Reason != "its last verdict is fail" {
		t.Fatalf("%d good, left out %+v", len(all.Good), all.LeftOut)
	}
	c := all.Good[3]
	if c.Serial != "U05" || c.Attempt != 2 || c.Verdict != "pass" || c.Envelope != 1 || c.Outcome != "concession" || c.DecidedBy != "tester" || len(c.Curves) != 2 || len(c.Limits.Upper) != len(c.Axis) {
		t.Errorf("%+v", c)
	}
	if !strings.Contains(c.Rig, "not checked") {
		t.Errorf("rig: %q", c.Rig)
	}
	twin, err := all.Twin()
	if err != nil || !strings.Contains(string(twin), `"serial": "U05"`) || !strings.Contains(string(twin), `"left_out"`) {
		t.Errorf("twin: %v %.200s", err, twin)
	}
	one, err := l.CertificateOf(ctx, "U02", "test")
	if err != nil || len(one.Good) != 1 || one.Good[0].Serial != "U02" {
		t.Errorf("%+v (%v)", one, err)
	}
	wantRefusal(t, of("U04"), "unit U04 has no certificate: its last verdict is fail")
	wantRefusal(t, of("U99"), `no measured unit "U99"`)
	_, err = l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "foam", Batch: "B", First: "U01", Last: "U09"}})
	step(t, err)
	wantRefusal(t, of(""), "does not fit its data any more")
}
