package line_test

import (
	"fmt"
	"testing"

	"alike/internal/line"
)

// A plan is put in force in versions: findings follow it, a bad one changes nothing, and
// the product file's own is version 1.
func TestActionPlanInVersions(t *testing.T) {
	t.Parallel()
	w := bench(t, func(p *line.Product) { p.Plan = []line.PlanRow{{Check: "Ask who worked.", Minutes: 3}} })
	ctx := t.Context()
	w.build(2, nil, nil)
	w.build(12, leak, nil)
	n := w.findings()[0].Number
	checks := func() (out []string) {
		for _, c := range w.finding(n).Analysis.Checks {
			out = append(out, c.Check)
		}
		return out
	}
	if got := fmt.Sprint(checks()); got != "[Ask who worked. Look at the seal.]" {
		t.Fatalf("checks %s", got)
	}
	rows := []line.PlanRow{{Check: " Strip the cup. ", Minutes: 90, For: []string{"leak"}}, {Check: "Weigh the cone.", Minutes: 1, For: []string{"dull", "operator"}}, {Check: "Wait.", Minutes: 2}}
	for _, c := range []struct {
		rows   []line.PlanRow
		by     line.By
		reason string
		say    string
	}{
		{rows, tester, " ", "needs a reason"},
		{rows, line.By{}, "r", "needs a person"},
		{[]line.PlanRow{{Check: " "}}, tester, "r", "check must not be empty"},
		{[]line.PlanRow{{Check: "x", Minutes: -1}}, tester, "r", "minutes -1"},
		{[]line.PlanRow{{Check: "x", For: []string{"nothing"}}}, tester, "r", `is for "nothing"`},
		{make([]line.PlanRow, 201), tester, "r", "plan 1"},
	} {
		_, err := w.PutPlan(ctx, c.by, "p1", c.rows, c.reason)
		wantRefusal(t, err, c.say)
	}
	v, err := w.PutPlan(ctx, tester, "p1", rows, "the seal is quick to look at")
	if err != nil || v != 2 {
		t.Fatal(v, err)
	}
	if got := fmt.Sprint(checks()); got != "[Wait. Strip the cup.]" {
		t.Errorf("checks %s", got)
	}
	d, err := w.ActionPlan(ctx, "p1")
	step(t, err)
	if len(d.Versions) != 2 || d.Versions[0].Version != 2 || d.Versions[1].Rows[0].Check != "Ask who worked." || d.Rows[0].Check != "Weigh the cone." || d.General {
		t.Errorf("%+v", d)
	}
	var keys []string
	for _, c := range d.Choices {
		keys = append(keys, c.Key)
	}
	if got := fmt.Sprint(keys); got != "[leak dull swapped reversed operator station day]" {
		t.Errorf("choices %s", got)
	}
	if got := fmt.Sprint(d.Setup.PlanFor(rows, "dull")); got != "[{Weigh the cone. 1 [dull operator]} {Wait. 2 []}]" {
		t.Errorf("for dull: %s", got)
	}
	// An empty one gives way to the general plan.
	if v, err = w.PutPlan(ctx, tester, "p1", nil, "start over"); err != nil || v != 3 {
		t.Fatal(v, err)
	}
	if got := checks(); len(got) != 3 || got[2] != "Look at the seal." {
		t.Errorf("checks %q", got)
	}
	if d, _ = w.ActionPlan(ctx, "p1"); !d.General || len(d.Rows) != 2 {
		t.Errorf("%+v", d.Rows)
	}
}

func TestParsePlan(t *testing.T) {
	t.Parallel()
	rows, err := line.ParsePlan([]byte(`[{"check": "Look.", "minutes": 2, "for": ["leak"]}]`))
	if err != nil || len(rows) != 1 || rows[0].For[0] != "leak" {
		t.Error(rows, err)
	}
	for text, say := range map[string]string{"[\n{\"chek\": 1}]": "line 2", `{}`: "needs a", `[] []`: "more after the end"} {
		if _, err := line.ParsePlan([]byte(text)); err == nil {
			t.Errorf("%q is a plan", text)
		} else {
			mustHold(t, text, err.Error(), say)
		}
	}
}
