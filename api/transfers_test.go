package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
)

// comparison returns the takes of units on two rigs: rig-b reads a dB above rig-a below the
// anchor and half a dB below it above, units differing a little in that.
func comparison(from, to int) (all []api.Take) {
	for u := from; u < to; u++ {
		for r, rig := range []string{"rig-a", "rig-b"} {
			for i, ch := range []string{"left", "right"} {
				k := take(fmt.Sprintf("T%d", u), ch, 0)
				when := monday.Add(time.Duration(u) * time.Minute)
				k.Lot, k.Station, k.Seating, k.MeasuredAt = "RC", rig, 1, &when
				for j := range k.Levels {
					k.Levels[j] += 0.02*float64((u*7+j*3+i)%5) + 0.05*float64(u)
					if r == 1 {
						k.Levels[j] += above(k.Frequencies[j]) + 0.03*float64((u+j)%3)
					}
				}
				all = append(all, k)
			}
		}
	}
	return all
}

var comparisonPlan = fields{"study": "RC", "kind": "rigs", "product": "p1", "units": []string{"T0", "T1", "T2", "T3", "T4", "T5"}, "operators": []string{"rig-a", "rig-b"}, "seatings": 1, "seed": 1, "reason": "a second rig"}

func above(hz float64) float64 {
	if hz < 700 {
		return 1
	}
	if hz > 1500 {
		return -0.5
	}
	return 0
}

// A transfer over HTTP and by the pages: refused with its reason at its field, put in
// force, told on every page that shows a corrected level, and withdrawn.
func TestTransferPages(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	plan := line.StudyPlan{Code: "RC", Kind: line.RigsStudy, By: []string{"rig-a", "rig-b"}, Trials: 1, Seed: 1, Reason: "a second rig"}
	for u := range 6 {
		plan.Units = append(plan.Units, fmt.Sprintf("T%d", u))
	}
	if err := l.AddStudy(t.Context(), line.By{Actor: "tester"}, plan); err != nil {
		t.Fatal(err)
	}
	for _, k := range comparison(0, 4) {
		b.take(k)
	}
	p := b.get("/rig/studies/RC")
	p.is(200)
	p.wellMade()
	p.says("#use ~ form", "Read the rig as the other one")
	p = b.post("/rig/studies/RC", url.Values{"deed": {"adopt"}, "rig": {"rig-b"}, "reason": {"two rigs"}, "by": {"Ada"}, "risk": {"0.05"}})
	p.is(409)
	p.says(".wrong", "4 units of study RC were measured on both rigs, and a transfer needs at least 5")
	for _, k := range comparison(4, 6) {
		b.take(k)
	}
	for field, form := range map[string]url.Values{
		"by":     {"by": {""}},
		"reason": {"reason": {""}},
		"risk":   {"risk": {"much"}},
		"from":   {"from": {"soon"}},
		"after":  {"after": {"U77"}},
	} {
		sent := url.Values{"deed": {"adopt"}, "rig": {"rig-b"}, "reason": {"two rigs"}, "by": {"Ada"}, "risk": {"0.05"}, "from": {""}, "after": {""}}
		for k, v := range form {
			sent[k] = v
		}
		p = b.post("/rig/studies/RC", sent)
		if p.status != 422 && p.status != 404 {
			t.Errorf("%s: %d", field, p.status)
		}
		if p.status == 422 {
			p.wellMade()
			p.number(`#adopt-`+field+`[aria-invalid=true][aria-describedby=adopt-`+field+`-wrong]`, 1)
			p.number(`#adopt-`+field+`-wrong`, 1)
		}
	}
	p = b.post("/rig/studies/RC", url.Values{"deed": {"adopt"}, "rig": {"rig-b"}, "reason": {"two rigs"}, "by": {"Ada"}, "risk": {"0.05"}, "from": {"2026-09-07T07:00"}, "after": {""}})
	p.is(200)
	p.wellMade()
	p.says(`[aria-label="Transfers"]`, "Rig rig-b is read as rig rig-a would from 2026-09-07 07:00:00 CEST on, by 6 units of study RC")
	for i, ch := range []string{"left", "right"} {
		k := take("U1", ch, 0)
		when := monday.Add(26 * time.Hour)
		k.Station, k.MeasuredAt = "rig-b", &when
		for j := range k.Levels {
			k.Levels[j] += above(k.Frequencies[j]) + 0.001*float64(i+j)
		}
		b.take(k)
	}
	for _, path := range []string{"/units/U1", "/lots/L%201", "/drift", "/streams/p1/deviation/left/63", "/rig/studies/RC"} {
		p = b.get(path)
		p.is(200)
		p.wellMade()
		p.says("main", "read as rig rig-a would")
	}
	p = b.get("/units/U1")
	p.says("#read-as", "Measured on rig rig-b and read as rig rig-a would: transfer 1 from study RC corrects up to 1.")
	p = b.post("/rig/transfers", url.Values{"product": {"p1"}, "rig": {"rig-b"}, "reason": {""}, "by": {"Ada"}, "after": {"U1"}})
	p.is(422)
	p.number("#withdraw-reason[aria-invalid=true]", 1)
	p = b.post("/rig/transfers", url.Values{"product": {"p1"}, "rig": {"rig-b"}, "reason": {"mended"}, "by": {"Ada"}, "after": {"U1"}})
	p.is(200)
	p.says(`[aria-label="Transfers"]`, "Withdrawn: rig rig-b is read as it is from")
}

// The same for programs; the description holds every answer.
func TestTransfersOverHTTP(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	c.want(http.StatusCreated, "POST", "/api/v1/studies", comparisonPlan)
	c.want(http.StatusOK, "GET", "/api/v1/rigs/transfers", nil)
	for _, k := range comparison(0, 6) {
		c.want(http.StatusCreated, "POST", "/api/v1/takes", takes{[]api.Take{k}})
	}
	c.want(http.StatusUnprocessableEntity, "POST", "/api/v1/rigs/transfers", fields{"study": "RC"})
	c.want(http.StatusNotFound, "POST", "/api/v1/rigs/transfers", fields{"study": "RX", "reason": "r"})
	c.want(http.StatusCreated, "POST", "/api/v1/rigs/transfers", fields{"study": "RC", "reason": "two rigs", "from": monday.Add(time.Hour)})
	var got struct{ Transfers []api.AdoptedTransfer }
	c.want(http.StatusOK, "GET", "/api/v1/rigs/transfers?product=p1", nil).into(t, &got)
	if len(got.Transfers) != 1 || !got.Transfers[0].InForce || got.Transfers[0].Curve[0] < 0.9 || got.Transfers[0].As != "rig-a" {
		t.Fatalf("%+v", got)
	}
	for i, ch := range []string{"left", "right"} {
		k := take("U1", ch, 0)
		when := monday.Add(26 * time.Hour)
		k.Station, k.MeasuredAt = "rig-b", &when
		for j := range k.Levels {
			k.Levels[j] += above(k.Frequencies[j]) + 0.001*float64(i+j)
		}
		c.want(http.StatusCreated, "POST", "/api/v1/takes", takes{[]api.Take{k}})
	}
	var u struct {
		Attempts []struct {
			Verdict struct {
				ReadAs struct {
					As      string
					Version int
				} `json:"read_as"`
			}
		}
	}
	c.want(http.StatusOK, "GET", "/api/v1/units/U1", nil).into(t, &u)
	if r := u.Attempts[0].Verdict.ReadAs; r.As != "rig-a" || r.Version != 1 {
		t.Errorf("%+v", u)
	}
	c.want(http.StatusCreated, "POST", "/api/v1/rigs/transfers/withdraw", fields{"rig": "rig-b", "after": "U1", "reason": "mended"})
	c.want(http.StatusNotFound, "POST", "/api/v1/rigs/transfers/withdraw", fields{"rig": "rig-b", "reason": "again"})
}
