package api_test

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"alike/api"
	"alike/internal/curve"
	"alike/internal/line"
)

// A fault from its plan over HTTP until it is known, and withdrawn.
func TestFaultsOverHTTP(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	plan := fields{"study": "FS 1", "key": "leak", "words": "seal leaks", "check": "Look at the seal.", "side": "left", "faulty": []string{"A", "B", "C"}, "good": []string{"G1", "G2", "G3", "G4", "G5"}, "seatings": 1, "seed": 3, "reason": "to know it"}
	var s api.FaultStudy
	c.want(http.StatusCreated, "POST", "/api/v1/faults/studies", plan).into(t, &s)
	if len(s.Runs) != 8 || s.Of != 8 || s.Teaches != nil || s.Why == "" {
		t.Fatalf("%+v", s)
	}
	c.want(http.StatusConflict, "POST", "/api/v1/faults/studies", plan)
	plan["key"] = "No Key"
	plan["study"] = "FS 2"
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/faults/studies", plan)
	c.want(http.StatusConflict, "POST", "/api/v1/faults/studies/FS%201/learn", fields{"reason": "r", "person": "Ada"})
	for i, r := range s.Runs {
		var body takes
		for k, ch := range []string{"left", "right"} {
			level := 0.0
			if ch == "left" && len(r.Unit) == 1 {
				level = -3
			}
			tk := at(take(r.Unit, ch, 0), float64(i)/10, r.Seating, 0.05*math.Cos(float64(3*i+k)), level+0.05*math.Sin(float64(7*i+k)))
			for n := range tk.Levels {
				tk.Levels[n] += 0.05 * math.Sin(float64(n*(i+2)+5*k))
			}
			tk.Lot = "FS 1"
			body.Takes = append(body.Takes, tk)
		}
		c.want(http.StatusCreated, "POST", "/api/v1/takes", body)
	}
	c.want(http.StatusOK, "GET", "/api/v1/faults/studies/FS%201", nil).into(t, &s)
	if s.Measured != 8 || s.Teaches == nil || s.Teaches.Clear == 0 || s.Teaches.Good != 5 || len(s.Teaches.Units) != 3 || s.Teaches.Odd != "" {
		t.Fatalf("%+v", s)
	}
	c.want(http.StatusNotFound, "GET", "/api/v1/faults/studies/none", nil)
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/faults/studies/FS%201/learn", fields{"reason": "r"})
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/faults/studies/FS%201/learn", fields{"reason": "r", "person": "Ada", "left_out": []fields{{"serial": "Z", "reason": "r"}}})
	c.want(http.StatusCreated, "POST", "/api/v1/faults/studies/FS%201/learn", fields{"reason": "two of three", "person": "Ada", "left_out": []fields{{"serial": "C", "reason": "torn"}}})
	var all struct{ Faults []api.KnownFault }
	c.want(http.StatusOK, "GET", "/api/v1/faults", nil).into(t, &all)
	if len(all.Faults) != 1 || all.Faults[0].Learnt == nil || fmt.Sprint(all.Faults[0].Learnt.LeftOut) != "[{C torn}]" || all.Faults[0].Learnt.Author != "Ada" || !all.Faults[0].InForce {
		t.Errorf("%+v", all)
	}
	c.want(http.StatusCreated, "POST", "/api/v1/faults/withdraw", fields{"key": "leak", "reason": "r", "person": "Ada"})
	c.want(http.StatusNotFound, "POST", "/api/v1/faults/withdraw", fields{"key": "leak", "reason": "r", "person": "Ada"})
	c.want(http.StatusOK, "GET", "/api/v1/faults", nil).into(t, &all)
	if len(all.Faults) != 1 || all.Faults[0].InForce {
		t.Errorf("%+v", all)
	}
}

// The same by hand on the pages, without a script.
func TestFaultsOnPages(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	p := b.get("/products/p1/faults")
	p.says("h1", "Known faults of")
	form := url.Values{"study": {"FS"}, "key": {"leak"}, "words": {"seal leaks"}, "check": {"Look at the seal."}, "side": {"left"}, "units": {"A, B C"}, "good": {"G1 G2 G3 G4"}, "seatings": {"1"}, "reason": {"to know it"}, "by": {"Ada"}}
	form.Set("seatings", "x")
	b.post("/products/p1/faults", form).says(".wrong", "is not a number")
	form.Set("seatings", "1")
	form.Set("by", "")
	b.post("/products/p1/faults", form).says(".wrong", "Nobody is named")
	form.Set("by", "Ada")
	p = b.post("/products/p1/faults", form)
	p.says("h1", "Study FS: seal leaks")
	p.says("main", "0 of 7 runs are measured")
	b.post("/products/p1/faults/studies/FS", url.Values{"do": {"learn"}, "by": {"Ada"}, "reason": {"r"}}).says(".wrong", "two of each are the least")
	for i, unit := range []string{"A", "B", "C", "G1", "G2", "G3", "G4"} {
		var takes []curve.Take
		for k, ch := range []string{"left", "right"} {
			tk := curve.Take{Identity: curve.Identity{Lot: "FS", Serial: unit, Channel: ch, Seating: 1, MeasuredAt: time.Now()}}
			for hz, n := 20.0, 0; hz < 20000; hz, n = hz*1.1, n+1 {
				db := 100 + 0.1*math.Sin(float64(n*(i+2)+5*k)) + 0.2*math.Sin(float64(3*i+k))
				if ch == "left" && len(unit) == 1 {
					db -= 3
				}
				tk.Curve.Hz, tk.Curve.DB = append(tk.Curve.Hz, hz), append(tk.Curve.DB, db)
			}
			takes = append(takes, tk)
		}
		if _, err := l.Intake(t.Context(), line.By{Actor: "tester"}, takes); err != nil {
			t.Fatal(err)
		}
	}
	p = b.get("/rig/studies/FS")
	p.says("main", "All 7 runs are measured")
	p.says("form.sheet", "Like them")
	p = b.post("/products/p1/faults/studies/FS", url.Values{"do": {"look"}, "unit": {"A", "B", "C"}, "why": {"", "", "torn"}})
	p.says("main", "This is without C; nothing is stored yet")
	p = b.post("/products/p1/faults/studies/FS", url.Values{"do": {"learn"}, "unit": {"A", "B", "C"}, "why": {"", "", "torn"}, "by": {"Ada"}, "reason": {"two of three"}})
	p.says(".done", "known from now on")
	p.says("#fault-leak", "Learnt in study FS from 2 units")
	p.says("main", "without C: torn")
	b.post("/products/p1/faults/withdraw", url.Values{"key": {"leak"}, "by": {"Ada"}}).says(".wrong", "needs a reason")
	b.post("/products/p1/faults/withdraw", url.Values{"key": {"leak"}, "by": {"Ada"}, "reason": {"no"}}).says("main", "1 withdrawn fault")
	if got := strings.Count(b.get("/products/p1/faults").text("main"), "withdrawn"); got < 2 {
		t.Errorf("withdrawn %d times", got)
	}
}
