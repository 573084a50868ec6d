package api_test

import (
	"net/http"
	"strings"
	"testing"

	"alike/api"
)

// What a station could not read is kept once, with its reason and content.
func TestRefusals(t *testing.T) {
	t.Parallel()
	c, _, db := serve(t, "")
	r := api.Refusal{Source: "A1_left_1.txt", Line: 2, Field: "level", Reason: "\"loud\" is no number", Remedy: "write a number", Lot: "L1", Content: []byte("20\tloud\n\x00")}
	if a := c.do("POST", "/api/v1/refusals", r); a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if a := c.do("POST", "/api/v1/refusals", r); a.status != http.StatusOK || !strings.Contains(string(a.body), "known") {
		t.Errorf("again: %d %s", a.status, a.body)
	}
	rows, err := db.Site("main").Refused(t.Context(), "L1")
	if err != nil || len(rows) != 1 || rows[0].Source != r.Source || rows[0].Line != 2 || rows[0].Reason != r.Reason {
		t.Errorf("%+v (%v)", rows, err)
	}
	for field, bad := range map[string]api.Refusal{
		"source": {Reason: "x"},
		"reason": {Source: "x", Reason: strings.Repeat("x", 2001)},
		"remedy": {Source: "x", Reason: "x", Remedy: "a\x00b"},
		"line":   {Source: "x", Reason: "x", Line: -1},
		"lot":    {Source: "x", Reason: "x", Lot: "a/b"},
	} {
		a := c.do("POST", "/api/v1/refusals", bad)
		var p api.Problem
		a.into(t, &p)
		if a.status != http.StatusUnprocessableEntity || p.Field != field {
			t.Errorf("%s: %d %s", field, a.status, a.body)
		}
	}
	h := newHostile(t)
	for _, v := range values() {
		for _, field := range []string{"source", "line", "field", "reason", "remedy", "lot", "content", "unknown"} {
			m := `{"source":"s","reason":"r"}`
			if field != "source" && field != "reason" {
				m = `{"source":"s","reason":"r","` + field + `":` + v + `}`
			} else {
				m = strings.NewReplacer(`"`+field+`":"s"`, `"`+field+`":`+v, `"`+field+`":"r"`, `"`+field+`":`+v).Replace(m)
			}
			h.send("POST", "/api/v1/refusals", jsonKind, strings.NewReader(m))
		}
		h.send("POST", "/api/v1/refusals", jsonKind, strings.NewReader(v))
	}
	t.Logf("%d requests, answers by status: %v", h.tried, h.by)
}
