package api_test

import (
	"net/url"
	"testing"
	"time"
)

// refused posts a form that is wrong in one field, and looks for the reason there.
func (b *browser) refused(path, form, field string, sent url.Values) {
	b.t.Helper()
	p := b.post(path, sent)
	if p.status != 422 && p.status != 404 && p.status != 409 {
		b.t.Errorf("%s, %s: %d", path, field, p.status)
		return
	}
	p.wellMade()
	p.number("#"+form+"-"+field+"[aria-invalid=true][aria-describedby="+form+"-"+field+"-wrong]", 1)
	p.number("#"+form+"-"+field+"-wrong[role=alert]", 1)
}

// with copies a form and changes a field.
func with(sent url.Values, field, value string) url.Values {
	out := url.Values{}
	for k, v := range sent {
		out[k] = v
	}
	out.Set(field, value)
	return out
}

// What only the command line could do about rigs, by the page alone: a policy, looked at
// and put in force, a reference unit with its baseline, its use, work on the rig. What is
// wrong stands at its field, and what was typed stays.
func TestRigForms(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	now := time.Now()
	measure := func(serial, lot string, ago time.Duration, wiggle float64) {
		for seat := 1; seat <= 2; seat++ {
			if lot != "" && seat > 1 {
				continue
			}
			for i, ch := range []string{"left", "right"} {
				k := take(serial, ch, wiggle)
				when := now.Add(-ago).Add(time.Duration(i+2*seat) * time.Second)
				k.Station, k.MeasuredAt, k.Seating, k.Lot = "rig-a", &when, seat, lot
				for j := range k.Levels {
					k.Levels[j] += 0.01*float64((j*seat)%3) + 0.003*float64(i) + 0.001*ago.Hours()
				}
				b.take(k)
			}
		}
	}
	policy := url.Values{
		"product": {"p1"}, "deed": {"put"}, "hours": {"24"}, "seatings": {"2"}, "from-1": {"63"}, "to-1": {"8000"}, "db-1": {"0,5"}, "from-2": {""}, "to-2": {""}, "db-2": {""},
		"risk": {""}, "temperature-low": {"18"}, "temperature-high": {"26"}, "noise": {"35"}, "humidity-low": {""}, "humidity-high": {""}, "reason": {"one check a day"}, "by": {"Ada"},
	}
	for field, value := range map[string]string{
		"hours": "none", "seatings": "2.5", "from-1": "-5", "to-1": "20", "db-1": "0", "db-2": "1x", "risk": "2", "temperature-low": "30", "noise": "loud", "reason": "", "by": "",
	} {
		b.refused("/rig/policy", "policy", field, with(policy, field, value))
	}
	b.refused("/rig/policy", "policy", "hours", with(policy, "hours", "0"))
	p := b.post("/rig/policy", with(with(policy, "deed", "look"), "reason", ""))
	p.is(200)
	p.wellMade()
	p.says("#rehearsal", "Looked at, nothing is changed.")
	p.number(`#policy-db-1[value="0,5"]`, 1)
	p = b.get("/rig")
	p.says("#policy + p", "No version is in force yet")
	p = b.post("/rig/policy", policy)
	p.is(200)
	p.says("#policy + p", "Version 1 is in force")
	p.number(`#policy-db-1[value="0.5"]`, 1)
	p.number(`#policy-temperature-high[value="26"]`, 1)

	reference := url.Values{"product": {"p1"}, "serial": {"REF"}, "state": {"in use"}, "note": {"cupboard"}, "by": {"Ada"}}
	b.refused("/rig/references", "reference", "serial", with(reference, "serial", "a/b"))
	b.refused("/rig/references", "reference", "state", with(reference, "state", "retired"))
	b.refused("/rig/references", "reference", "by", with(reference, "by", ""))
	p = b.post("/rig/references", reference)
	p.is(200)
	p.says(`[aria-label="Reference units"]`, "REF in use")
	b.refused("/rig/references", "reference", "serial", reference)

	measure("U1", "L 1", time.Minute, 0.2)
	p = b.get("/rig")
	p.number(`input[type=checkbox][name=serial]`, 1)
	baseline := url.Values{"product": {"p1"}, "serial": {"REF"}, "rig": {"rig-a"}, "visits": {"5"}, "reason": {"calibrated today"}, "by": {"Ada"}}
	b.refused("/rig/references/baseline", "baseline", "visits", baseline) // no visit yet
	for i := range 4 {
		measure("REF", "", time.Duration(12-3*i)*time.Hour, 0)
	}
	b.refused("/rig/references/baseline", "baseline", "visits", with(baseline, "visits", "five"))
	b.refused("/rig/references/baseline", "baseline", "reason", with(baseline, "reason", ""))

	// A longer life of a check would change nothing yet; without checks the unit goes on.
	p = b.post("/rig/policy", with(with(policy, "deed", "look"), "off", "yes"))
	p.is(200)
	p.says("#rehearsal", "U1 would be let go and judged")
	p = b.get("/units/U1")
	p.says("h1", "hold")
	p = b.post("/rig/references/baseline", baseline)
	p.is(200)
	if p.path != "/rig/references/REF?rig=rig-a" && p.path != "/rig/references/REF" {
		t.Errorf("leads to %s", p.path)
	}
	p = b.get("/units/U1")
	p.says("h1", "pass")

	state := url.Values{"product": {"p1"}, "serial": {"REF"}, "state": {"retired"}, "reason": {"dropped"}, "by": {"Ada"}}
	b.refused("/rig/references/state", "state", "reason", with(state, "reason", ""))
	b.refused("/rig/references/state", "state", "state", with(state, "state", "lost"))
	b.refused("/rig/references/state", "state", "serial", with(state, "serial", "U1"))
	p = b.post("/rig/references/state", state)
	p.is(200)
	p.says(`[aria-label="Reference units"]`, "REF retired")

	work := url.Values{"product": {"p1"}, "kind": {"work"}, "rig": {"rig-a"}, "subject": {"coupler"}, "note": {"new pads"}, "at": {""}, "by": {"Ada"}}
	b.refused("/rig/entries", "work", "note", with(work, "note", ""))
	b.refused("/rig/entries", "work", "at", with(work, "at", "yesterday"))
	p = b.post("/rig/entries", with(work, "at", now.AddDate(0, 0, -1).Format("2006-01-02T15:04")))
	p.is(200)
	p.says(`[aria-label="Entries of rig-a"]`, "work on coupler "+now.AddDate(0, 0, -1).Format("2006-01-02"))
	b.refused("/rig/studies", "plan", "who", url.Values{"product": {"p1"}, "study": {"RC"}, "kind": {"rigs"}, "units": {"A B"}, "who": {"rig-a"}, "seatings": {"2"}, "reason": {"r"}, "by": {"Ada"}})

	// A maker keeps reference units and entries; policies, baselines and uses are judged.
	maker := b.as(l, "Mia", "maker")
	for path, sent := range map[string]url.Values{"/rig/policy": policy, "/rig/references/baseline": baseline, "/rig/references/state": state, "/rig/transfers": {"rig": {"rig-a"}, "reason": {"r"}}} {
		if p := maker.post(path, sent); p.status != 403 {
			t.Errorf("a maker at %s: %d", path, p.status)
		}
	}
	p = maker.post("/rig/references", with(with(reference, "serial", "REF-2"), "state", "spare"))
	p.is(200)
	p.says(`[aria-label="Reference units"]`, "REF-2 spare")
	p.number(`form[action^="/rig/policy"]`, 0)
}
