package api_test

import (
	"math"
	"net/http"
	"net/url"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/spc/envelope"
)

// The rig's page: nothing known, trusted by a check, units on hold with their reason and
// their release, a calibration that is due, and the strip on the line's page.
func TestRigPages(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	me := line.By{Actor: "tester"}
	p := b.get("/rig")
	p.is(200)
	p.says("h1", "Nothing is known of it")
	p.says("#rig-answer", "No rig policy is in force")

	if err := l.AddReference(t.Context(), me, "p1", "REF", line.InUse, "kept in the cupboard"); err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	measure := func(serial string, ago time.Duration, bend float64) {
		var all []api.Take
		seatings := 1
		if serial == "REF" {
			seatings = 2
		}
		for seat := 1; seat <= seatings; seat++ {
			for i, ch := range []string{"left", "right"} {
				k := take(serial, ch, 0)
				when := now.Add(-ago).Add(time.Duration(i+2*seat) * time.Second)
				k.Station, k.MeasuredAt, k.Operator, k.Seating = "rig-a", &when, "Jorun", seat
				for j := range k.Levels {
					k.Levels[j] += bend*math.Sin(float64(j+seat)) + 0.01*float64(i)
				}
				if serial == "REF" {
					k.Lot = ""
				}
				all = append(all, k)
			}
		}
		b.take(all...)
	}
	policy := line.RigPolicy{Hours: 24, Seatings: 2, Tolerance: []envelope.Guard{{From: 63, To: 8000, DB: 0.5}}}
	if _, _, err := l.AddRigPolicy(t.Context(), me, "p1", policy, "daily"); err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		measure("REF", time.Duration(80-3*i)*time.Hour, 0.01*float64(i+1))
	}
	if _, err := l.SetBaseline(t.Context(), me, "REF", "rig-a", 4, "calibrated"); err != nil {
		t.Fatal(err)
	}
	measure("U1", time.Hour, 0.2)
	measure("U2", time.Minute, 0.3)
	p = b.get("/rig")
	p.is(200)
	p.wellMade()
	p.says("h1", "rig-a: Not trusted")
	p.number(`input[type=checkbox][name=serial]`, 2)
	p.says("form.sheet table", "measure reference unit REF: once its check passes this unit is judged")
	p = b.get("/")
	p.says(".rig", "Rig rig-a : not trusted")

	for form, want := range map[*url.Values]string{
		{"serial": {"U1"}, "reason": {"heard it"}}:             "Nobody is named",
		{"serial": {"U1"}, "by": {"Ada"}}:                      "without a reason",
		{"reason": {"heard it"}, "by": {"Ada"}}:                "no unit is named",
		{"serial": {"U9"}, "reason": {"heard"}, "by": {"Ada"}}: `no unit "U9"`,
	} {
		p = b.post("/rig/release", *form)
		if p.status < 400 {
			t.Errorf("%v answers %d", *form, p.status)
		}
		if p.status == 422 || p.status == 404 {
			p.says(".wrong", want[1:])
		}
	}
	p = b.post("/rig/release", url.Values{"serial": {"U1"}, "reason": {"measured on the other rig too"}, "by": {"Ada"}})
	p.is(200)
	p.number(`input[type=checkbox][name=serial]`, 1)

	p = b.post("/rig/entries", url.Values{"kind": {"calibration"}, "rig": {"rig-a"}, "subject": {"microphone left"}, "level": {"ninety"}, "by": {"Ada"}})
	p.is(422)
	p.says("#calibration-level-wrong", `Level "ninety" is not a number`)
	p = b.post("/rig/entries", url.Values{"kind": {"calibration"}, "rig": {"rig-a"}, "subject": {"microphone left"}, "level": {"94,02"}, "certificate": {"C-17"}, "due": {"2020-01-31"}, "by": {"Ada"}})
	p.is(200)
	p.says("#rig-answer", "Calibration of microphone left was due on 2020-01-31.")
	p.says(`[aria-label="Entries of rig-a"]`, "94.02 C-17 2020-01-31 overdue")
	p = b.post("/rig/entries", url.Values{"kind": {"ambient"}, "rig": {"rig-a"}, "temperature": {"21.5"}, "humidity": {"44"}, "by": {"Ada"}})
	p.is(200)
	p.says("#rig-answer", "21.5 °C, 44 % relative humidity")

	measure("REF", 0, 0.025)
	p = b.get("/rig")
	p.says("h1", "rig-a: Trusted")
	p.says("#hold + p", "No unit of p1 waits")
	p = b.get("/")
	p.says(".rig", "trusted")
	p = b.get("/rig/references/REF?rig=rig-a")
	p.is(200)
	p.wellMade()
	p.says(".lead", "Its last check passed")
	p.number("#chart + div svg", 1)
	b.get("/rig/references/REF?rig=rig-a&channel=left&band=1+Hz").is(http.StatusNotFound)
	b.get("/rig/references/NONE?rig=rig-a").is(http.StatusNotFound)

	p = b.post("/rig/studies", url.Values{"product": {"p1"}, "study": {"GS"}, "kind": {"gauge"}, "units": {"A, B C"}, "who": {"Jorun Pelle"}, "seatings": {"2"}, "reason": {"new pads"}, "by": {"Ada"}})
	p.is(200)
	p.wellMade()
	p.says(".lead", "0 of 12 runs are measured; 12 are left.")
	state, err := l.Study(t.Context(), "GS")
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range state.Runs {
		var all []api.Take
		for _, ch := range []string{"left", "right"} {
			u := float64(r.Part[0]-'A') * 0.3
			k := at(take(r.Part, ch, 0), float64(i)/10, r.Trial, 0.05*math.Cos(float64(3*i)), u+0.05*math.Sin(float64(7*i)))
			k.Lot, k.Operator = "GS", r.Operator
			if ch == "right" {
				k.Levels[1] += 0.02
			}
			all = append(all, k)
		}
		b.take(all...)
	}
	p = b.get("/rig/studies/GS")
	p.is(200)
	p.wellMade()
	p.says(".lead", "All 12 runs are measured.")
	p.number(".beside > div", 2)
	p = b.post("/rig/studies/GS", url.Values{"deed": {"guard"}, "by": {"Ada"}})
	p.is(422)
	p = b.post("/rig/studies/GS", url.Values{"deed": {"guard"}, "reason": {"after the new pads"}, "by": {"Ada"}})
	p.is(200)
	if p.path != "/products/p1" {
		t.Errorf("leads to %s", p.path)
	}
	p.says("main", "after the new pads")
}
