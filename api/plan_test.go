package api_test

import (
	"net/url"
	"testing"

	"alike/internal/line"
)

// The action plan is edited on its page without a script: rows come and go, a fault's list
// is looked at, and nothing is stored before it has a reason and a name.
func TestActionPlanOnItsPage(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	_, err := l.AddProduct(t.Context(), line.By{Actor: "tester"}, line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 2, FirstPassYield: 0.9, FalseAlarms: 50, Components: []line.Component{{Kind: "foam"}},
		Signatures: []line.Signature{{Key: "leak", Words: "seal leaks", Check: "Look at the seal.", Points: []line.Point{{20, -3}, {20000, 0}}}, {Key: "dull", Words: "cone is heavy", Check: "Look at the cone.", Points: []line.Point{{20, 0}, {20000, -3}}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	const at = "/products/p1/plan"
	p := b.get(at)
	p.is(200)
	p.says(".lead", "no plan of its own yet")
	p.number(".plan-rows li", 2)
	p.number(".offers li", 2+2+1+3)
	p = b.post(at, url.Values{"do": {"offer:foam"}, "check": {"Ask."}, "minutes": {"3"}, "for": {""}, "fault": {"dull"}})
	p.number(".plan-rows li", 2)
	p.says("#look ~ ol, form > ol:not(.plan-rows)", "Ask.")
	p.says("form.sheet", "Nothing is stored yet")
	p = b.post(at, url.Values{"do": {"remove:0"}, "check": {"Ask.", "Try."}, "minutes": {"3", "x"}, "for": {"", "leak"}})
	p.number(".plan-rows li", 1)
	p.says(".plan-rows", "Try.")
	p = b.post(at, url.Values{"do": {"row"}, "check": {"Ask."}, "minutes": {"3"}, "for": {""}})
	p.number(".plan-rows li", 2)
	for want, form := range map[string]url.Values{
		`minutes "x" is not a number`: {"check": {"Try."}, "minutes": {"x"}, "for": {""}, "reason": {"r"}, "by": {"Ada"}},
		"Nobody is named":             {"check": {"Try."}, "minutes": {"1"}, "for": {""}, "reason": {"r"}},
		"needs a reason":              {"check": {"Try."}, "minutes": {"1"}, "for": {""}, "by": {"Ada"}},
		`is for "glue", which is no`:  {"check": {"Try."}, "minutes": {"1"}, "for": {"glue"}, "reason": {"r"}, "by": {"Ada"}},
		"Check 2 has no sentence":     {"check": {"", " "}, "minutes": {"", "1"}, "for": {"", "leak"}, "reason": {"r"}, "by": {"Ada"}},
		`Check 2: minutes "1e9" must`: {"check": {"", "Try."}, "minutes": {"", "1e9"}, "for": {"", ""}, "reason": {"r"}, "by": {"Ada"}},
	} {
		form.Set("do", "save")
		p = b.post(at, form)
		p.is(422)
		p.says(".wrong", want)
	}
	p = b.post(at, url.Values{"do": {"save"}, "check": {"Strip the cup.", "Try a foam.", ""}, "minutes": {"90", "1,5", ""}, "for": {"leak", "foam dull", ""}, "reason": {"learnt it"}, "by": {"Ada"}})
	p.is(200)
	p.says(".done", "The new plan is in force")
	p.says("#versions ~ .wide", "learnt it")
	d, err := l.ActionPlan(t.Context(), "p1")
	if err != nil || len(d.Rows) != 2 || d.Rows[0].Minutes != 1.5 || len(d.Rows[0].For) != 2 || d.Versions[0].Author != "Ada" {
		t.Errorf("%+v, %v", d.Rows, err)
	}
	b.get(at+"?fault=leak").says("form.sheet", "Strip the cup.")
}
