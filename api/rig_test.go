package api_test

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"alike/api"
)

type fields map[string]any

var monday = time.Date(2026, 9, 7, 6, 0, 0, 0, time.UTC)

// at puts a take on a rig, so many hours after Monday morning; bend tells contents
// apart and shifts the level.
func at(t api.Take, hours float64, seating int, shift, bend float64) api.Take {
	when := monday.Add(time.Duration(hours * float64(time.Hour))).Add(time.Duration(seating) * 20 * time.Second)
	t.Station, t.MeasuredAt, t.Seating = "rig-a", &when, seating
	for i := range t.Levels {
		t.Levels[i] += shift + bend*math.Sin(float64(i))
	}
	return t
}

func visitOf(serial string, hours, shift, bend float64, seatings int) takes {
	var out takes
	for _, ch := range []string{"left", "right"} {
		for s := 1; s <= seatings; s++ {
			t := at(take(serial, ch, 0), hours, s, shift, bend+0.001*float64(s))
			if ch == "right" {
				t.Levels[0] += 0.01
			}
			t.Operator = "Jorun"
			out.Takes = append(out.Takes, t)
		}
	}
	return out
}

func (c *client) want(status int, method, path string, body any) answer {
	c.t.Helper()
	a := c.do(method, path, body)
	if a.status != status {
		c.t.Fatalf("%s %s: %d %s", method, path, a.status, a.body)
	}
	return a
}

// The "it must show", over HTTP: skipped check, hold with its reason, check,
// verdicts in order; then a sick rig, a release, and what the page needs to say so.
func TestRigOverHTTP(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/rigs/policy", fields{"product": "p1", "policy": fields{"hours": 0}, "reason": "r"})
	policy := fields{"hours": 24, "seatings": 2, "tolerance": []fields{{"from": 63, "to": 8000, "db": 0.5}}}
	c.want(http.StatusCreated, "POST", "/api/v1/rigs/policy", fields{"product": "p1", "policy": policy, "reason": "daily"})
	c.want(http.StatusCreated, "POST", "/api/v1/references", fields{"serial": "R 1", "note": "cupboard"})
	c.want(http.StatusConflict, "POST", "/api/v1/references", fields{"serial": "R 1"})
	c.want(http.StatusNotFound, "POST", "/api/v1/references/none/state", fields{"state": "spare", "reason": "r"})

	var out stored
	c.want(http.StatusCreated, "POST", "/api/v1/takes", visitOf("R 1", 0, 0, 0.01, 2)).into(t, &out)
	if k := out.Units[0].Checks; len(k) != 1 || k[0].Result != "recorded" || k[0].Rig != "rig-a" {
		t.Fatalf("%+v", out.Units)
	}
	c.want(http.StatusCreated, "POST", "/api/v1/references/R%201/baseline", fields{"rig": "rig-a", "reason": "calibrated"})
	for i := range 3 {
		c.want(http.StatusCreated, "POST", "/api/v1/takes", visitOf(fmt.Sprint("U", i), 30+float64(i), 0, 0.02+0.01*float64(i), 1)).into(t, &out)
		if v := out.Units[0].Verdict; v.Word != "hold" || !strings.Contains(v.Sentence, "measure reference unit R 1: once its check passes this unit is judged") {
			t.Fatalf("%+v", v)
		}
	}
	var rigs api.Rigs
	c.want(http.StatusOK, "GET", "/api/v1/rigs", nil).into(t, &rigs)
	if r := rigs.Rigs[0]; r.Trusted || !r.Checked || len(r.OnHold) != 3 || !strings.HasPrefix(r.Sentence, "not trusted: the last good check of rig rig-a was") {
		t.Errorf("%+v", r)
	}
	c.want(http.StatusCreated, "POST", "/api/v1/takes", visitOf("R 1", 34, 0, 0.05, 2)).into(t, &out)
	k := out.Units[0].Checks[0]
	if k.Result != "passed" || len(k.Changed) != 3 || k.Changed[0].Serial != "U0" || k.Changed[2].To != "pass" {
		t.Fatalf("%+v", k)
	}

	c.want(http.StatusCreated, "POST", "/api/v1/takes", visitOf("S1", 35, 0, 0.07, 1))
	c.want(http.StatusCreated, "POST", "/api/v1/takes", visitOf("R 1", 36, -2, 0.06, 2)).into(t, &out)
	if k := out.Units[0].Checks[0]; k.Result != "failed" || len(k.Changed) != 1 || k.Changed[0].To != "hold" {
		t.Fatalf("%+v", k)
	}
	c.want(http.StatusConflict, "POST", "/api/v1/rigs/release", fields{"serials": []string{"U0"}, "reason": "r"})
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/rigs/release", fields{"serials": []string{"S1"}, "reason": ""})
	c.want(http.StatusOK, "POST", "/api/v1/rigs/release", fields{"serials": []string{"S1"}, "reason": "measured before the knock"})
	var unit api.Unit
	c.want(http.StatusOK, "GET", "/api/v1/units/S1", nil).into(t, &unit)
	if x := unit.Changes; len(x) != 2 || x[0].To != "hold" || x[1].To != "pass" || !strings.Contains(x[1].Reason, "measured before the knock") {
		t.Errorf("%+v", x)
	}
	c.want(http.StatusCreated, "POST", "/api/v1/rigs/entries", fields{"rig": "rig-a", "kind": "work", "note": "microphone replaced", "at": monday.Add(37 * time.Hour)})
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/rigs/entries", fields{"rig": "rig-a", "kind": "calibration", "subject": "m", "level": 94, "due": "soon"})
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/rigs/entries", fields{"rig": "rig-a", "kind": "ambient", "humidity": 140})
	c.want(http.StatusBadRequest, "POST", "/api/v1/rigs/entries", fields{"rigg": "rig-a"})

	c.want(http.StatusCreated, "POST", "/api/v1/rigs/entries", fields{"rig": "rig-a", "kind": "calibration", "subject": "microphone left", "level": 94.01, "due": "2027-09-07", "certificate": "C-1"})
	var log struct{ Entries []api.RigEntry }
	c.want(http.StatusOK, "GET", "/api/v1/rigs/entries?rig=rig-a", nil).into(t, &log)
	if len(log.Entries) != 2 || log.Entries[1].Due != "2027-09-07" || *log.Entries[1].Level != 94.01 || !log.Entries[0].Changed {
		t.Errorf("%+v", log)
	}

	var ref api.ReferenceDetail
	c.want(http.StatusOK, "GET", "/api/v1/references/R%201?rig=rig-a", nil).into(t, &ref)
	if len(ref.Visits) != 3 || !ref.Visits[1].Passed || ref.Visits[2].Passed || len(ref.Charts) != 16 {
		t.Errorf("%+v", ref.Visits)
	}
	svg := c.want(http.StatusOK, "GET", "/api/v1/references/R%201/chart.svg?rig=rig-a&channel=left&band=1k", nil)
	if !strings.Contains(string(svg.body), "since the baseline") {
		t.Error("the chart does not say what its points are")
	}
	c.want(http.StatusNotFound, "GET", "/api/v1/references/R%201/chart.svg?rig=rig-a&channel=left&band=7", nil)
	c.want(http.StatusOK, "POST", "/api/v1/references/R%201/state", fields{"state": "retired", "reason": "dropped"})
}

func TestStudiesOverHTTP(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	plan := fields{"study": "GS 1", "kind": "gauge", "units": []string{"A", "B", "C"}, "operators": []string{"Jorun", "Pelle"}, "seatings": 2, "seed": 3, "reason": "new pads"}
	var s api.Study
	c.want(http.StatusCreated, "POST", "/api/v1/studies", plan).into(t, &s)
	if len(s.Runs) != 12 || s.Of != 12 {
		t.Fatalf("%+v", s)
	}
	c.want(http.StatusConflict, "POST", "/api/v1/studies", plan)
	c.want(http.StatusConflict, "POST", "/api/v1/studies/GS%201/guard", fields{"reason": "r"})
	c.want(http.StatusConflict, "GET", "/api/v1/studies/GS%201/picture.svg?channel=left", nil)
	var out stored
	for i, r := range s.Runs {
		var body takes
		for _, ch := range []string{"left", "right"} {
			u := float64(r.Unit[0]-'A') * 0.3
			tk := at(take(r.Unit, ch, 0), float64(i)/10, r.Seating, 0.05*math.Cos(float64(3*i)), u+0.05*math.Sin(float64(7*i)))
			tk.Lot, tk.Operator = "GS 1", r.Operator
			if ch == "right" {
				tk.Levels[1] += 0.02
			}
			body.Takes = append(body.Takes, tk)
		}
		c.want(http.StatusCreated, "POST", "/api/v1/takes", body).into(t, &out)
	}
	if x := out.Units[0].Study; x == nil || x.Measured != 12 {
		t.Fatalf("%+v", out.Units)
	}
	var studies struct{ Studies []api.Study }
	c.want(http.StatusOK, "GET", "/api/v1/studies", nil).into(t, &studies)
	if len(studies.Studies) != 1 || studies.Studies[0].Measured != 12 {
		t.Errorf("%+v", studies)
	}
	c.want(http.StatusOK, "GET", "/api/v1/studies/GS%201?risk=0.1", nil).into(t, &s)
	if len(s.Result) != 8*2+2+2+1 || s.Worth < 1 || len(s.Choices) != 10 {
		t.Errorf("%d rows, worth %d", len(s.Result), s.Worth)
	}
	c.want(http.StatusUnprocessableEntity, "GET", "/api/v1/studies/GS%201?risk=2", nil)
	c.want(http.StatusNotFound, "GET", "/api/v1/studies/none", nil)
	if a := c.want(http.StatusOK, "GET", "/api/v1/studies/GS%201/sheet.xlsx", nil); !strings.HasPrefix(string(a.body), "PK") {
		t.Error("no spreadsheet")
	}
	c.want(http.StatusOK, "GET", "/api/v1/studies/GS%201/picture.svg?channel=left", nil)
	c.want(http.StatusConflict, "GET", "/api/v1/studies/GS%201/transfer", nil)
	c.want(http.StatusCreated, "POST", "/api/v1/studies/GS%201/guard", fields{"reason": "after the new pads"})
	// The product takes one seating: there is nothing to compare.
	c.want(http.StatusConflict, "POST", "/api/v1/studies/GS%201/seating", fields{"reason": "after the new pads"})

	c.want(http.StatusCreated, "POST", "/api/v1/studies", fields{"study": "TR", "kind": "rigs", "units": []string{"A", "B"}, "operators": []string{"rig-a", "rig-b"}, "seatings": 2, "reason": "second site"})
	c.want(http.StatusConflict, "GET", "/api/v1/studies/TR/transfer", nil)
}
