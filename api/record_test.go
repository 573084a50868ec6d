package api_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/line"
	"alike/spc/envelope"
)

func TestLotIsDecidedAndSigned(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	for i := range 3 {
		k := fmt.Sprint("U", i)
		c.do("POST", "/api/v1/takes", takes{[]api.Take{take(k, "left", 0.1+float64(i)/20), take(k, "right", 0.11+float64(i)/20)}})
	}
	lot := "/api/v1/lots/" + url.PathEscape("L 1")
	var st api.Standing
	for _, bad := range []struct {
		q      api.StepRequest
		status int
		want   string
	}{
		{api.StepRequest{Step: "close"}, 422, "names no person"},
		{api.StepRequest{Step: "burn", Person: "Ada"}, 422, "use close, decide or reopen"},
		{api.StepRequest{Step: "decide", Outcome: "accept", Reason: "r", Person: "Ada"}, 409, "still open"},
		{api.StepRequest{Step: "reopen", Person: "Ada"}, 422, "only with a reason"},
	} {
		if a := c.do("POST", lot+"/steps", bad.q); a.status != bad.status || !strings.Contains(string(a.body), bad.want) {
			t.Errorf("%+v: %d %s", bad.q, a.status, a.body)
		}
	}
	if a := c.do("POST", "/api/v1/lots/none/steps", api.StepRequest{Step: "close", Person: "Ada"}); a.status != 404 {
		t.Errorf("no lot: %d", a.status)
	}
	if a := c.raw("POST", lot+"/steps", []byte(`{"step": "close", "persn": "x"}`), nil); a.status != 400 || !strings.Contains(string(a.body), "persn") {
		t.Errorf("unknown field: %d %s", a.status, a.body)
	}
	c.do("POST", lot+"/steps", api.StepRequest{Step: "close", Person: "Ada"}).into(t, &st)
	if st.State != "closed" || len(st.NotReady) != 0 {
		t.Errorf("%+v", st)
	}
	var twin struct {
		DataHash string `json:"data_hash"`
	}
	c.do("GET", lot+"/report.json", nil).into(t, &twin)
	if twin.DataHash != st.DataHash || len(st.DataHash) != 64 {
		t.Errorf("report says %s, standing %s", twin.DataHash, st.DataHash)
	}
	c.do("POST", lot+"/steps", api.StepRequest{Step: "decide", Outcome: "accept", Reason: "heard", Person: "Ada", DataHash: st.DataHash}).into(t, &st)
	if s := st.Signature; st.State != "decided" || s == nil || s.Person != "Ada" || !s.Matches || !s.Sound || !s.InForce {
		t.Errorf("%+v %+v", st, st.Signature)
	}
	if a := c.do("POST", "/api/v1/takes", takes{[]api.Take{take("U9", "left", 0.7)}}); a.status != 409 || !strings.Contains(string(a.body), "is decided") {
		t.Errorf("take for a decided lot: %d %s", a.status, a.body)
	}
	if a := c.do("POST", "/api/v1/units/U1/overrides", api.OverrideRequest{Verdict: "fail", Reason: "r", Person: "Ada"}); a.status != 409 {
		t.Errorf("override in a decided lot: %d %s", a.status, a.body)
	}
	c.do("POST", lot+"/steps", api.StepRequest{Step: "reopen", Reason: "one forgotten", Person: "Bo"}).into(t, &st)
	if st.State != "open" || st.Signature.InForce || len(st.Steps) != 3 {
		t.Errorf("%+v", st)
	}
	var o api.Override
	c.do("POST", "/api/v1/units/U1/overrides", api.OverrideRequest{Verdict: "fail", Reason: "rattles", Person: "Bo"}).into(t, &o)
	if o.Was != "pass" || !o.InForce {
		t.Errorf("%+v", o)
	}
	var u api.Unit
	c.do("GET", "/api/v1/units/U1", nil).into(t, &u)
	if len(u.Overrides) != 1 || u.Overrides[0].Person != "Bo" || u.Attempts[0].Verdict.Word != "pass" {
		t.Errorf("%+v", u)
	}
	var j struct {
		Head    string
		Entries []api.Entry
	}
	c.do("GET", "/api/v1/journal?subject="+url.QueryEscape("L 1"), nil).into(t, &j)
	if len(j.Entries) != 3 || j.Entries[1].Action != "decide lot" || j.Entries[1].Actor != "Ada" {
		t.Errorf("%+v", j)
	}
	for _, q := range []string{"limit=0", "after=-1", "limit=x"} {
		if a := c.do("GET", "/api/v1/journal?"+q, nil); a.status != 422 {
			t.Errorf("%s: %d", q, a.status)
		}
	}
	var v api.Verification
	c.do("GET", "/api/v1/journal/verification?kept="+url.QueryEscape(j.Head), nil).into(t, &v)
	if len(v.Faults) != 0 || v.Head != j.Head || v.Rows == 0 {
		t.Errorf("%+v", v)
	}
	if a := c.do("GET", "/api/v1/journal/verification?kept=1", nil); a.status != 422 {
		t.Errorf("bad head: %d", a.status)
	}
}

func TestUnitsAreDrawn(t *testing.T) {
	t.Parallel()
	c, l, _ := serve(t, "")
	q := api.DrawRequest{Product: "p1", Person: "Ada"}
	for i := range 60 {
		q.Units = append(q.Units, fmt.Sprintf("U%02d", i))
	}
	if a := c.do("POST", "/api/v1/lots/L1/draws", q); a.status != 409 || !strings.Contains(string(a.body), "has no sampling plan") {
		t.Errorf("%d %s", a.status, a.body)
	}
	p := line.Product{
		Code: "p2", Name: "Sampled", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
		Sampling: &line.SamplingWish{Good: 0.02, ProducerRisk: 0.05, Bad: 0.2, ConsumerRisk: 0.1},
	}
	if _, err := l.AddProduct(t.Context(), line.By{Actor: "tester"}, p); err != nil {
		t.Fatal(err)
	}
	q.Product = "p2"
	var d api.Draw
	c.do("POST", "/api/v1/lots/L1/draws", q).into(t, &d)
	if d.Draw != 1 || len(d.Pulled) != d.Sample || d.LotSize != 60 || d.Severity != "normal" || len(d.Seed) != 64 || d.ConsumerRisk > 0.1 || d.ProducerRisk > 0.05 {
		t.Errorf("%+v", d)
	}
	if a := c.do("POST", "/api/v1/lots/L1/draws", q); a.status != 409 || !strings.Contains(string(a.body), "until one pleases") {
		t.Errorf("a second draw: %d %s", a.status, a.body)
	}
}
