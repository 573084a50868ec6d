package browsertest

import (
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"
)

// sickRig returns a workshop with a reference unit measured every morning, whose left
// microphone has lost half a dB this morning, units that wait for it, a calibration that
// is due, and a gauge study.
func sickRig(t *testing.T) *workshop {
	t.Helper()
	w := empty(t)
	start := time.Now().Add(-5 * 24 * time.Hour).Truncate(time.Hour)
	story, err := sim.New(sim.Options{Seed: 1, Units: 12, Start: start, Drifts: []sim.Drift{{Kind: sim.DriftMicrophone, Ear: "left", From: start.Add(78 * time.Hour), PerWeek: 9}}})
	if err != nil {
		t.Fatal(err)
	}
	w.story = story
	ctx := t.Context()
	p := product(story.Product)
	p.RigCheck = &line.RigPolicy{Hours: 30, Tolerance: []envelope.Guard{{From: 100, To: 8000, DB: 0.5}}, Ambient: &line.Ambient{Temperature: [2]float64{19, 25}}}
	if _, err := w.line.AddProduct(ctx, tester, p); err != nil {
		t.Fatal(err)
	}
	take := func(all []curve.Take) {
		if _, err := w.line.Intake(ctx, tester, all); err != nil {
			t.Fatal(err)
		}
	}
	for i, state := range []string{line.InUse, line.Spare} {
		if err := w.line.AddReference(ctx, tester, p.Code, sim.ReferenceSerial(i+1), state, "kept in the cupboard"); err != nil {
			t.Fatal(err)
		}
	}
	for d := range 5 {
		take(story.CheckTakes(1, start.Add(time.Duration(d-6)*24*time.Hour), false))
	}
	if _, err := w.line.SetBaseline(ctx, tester, sim.ReferenceSerial(1), sim.Station, 5, "calibrated today"); err != nil {
		t.Fatal(err)
	}
	for d := range 5 {
		take(story.CheckTakes(1, start.Add(time.Duration(d)*24*time.Hour), false))
	}
	u := story.Product.Draw(sim.Key{Seed: 9})
	for i, serial := range []string{"W1", "W2"} {
		var all []curve.Take
		for seat := 1; seat <= sim.Seatings; seat++ {
			for ch, name := range sim.Channels {
				k := curve.Take{Curve: u.Curve(ch, i+1, seat)}
				k.Identity = curve.Identity{Lot: "L1", Serial: serial, Channel: name, Seating: seat, Station: sim.Station, Operator: "Pelle", MeasuredAt: start.Add(time.Duration(97+i) * time.Hour)}
				all = append(all, k)
			}
		}
		take(all)
	}
	level, warm, due := 94.02, 26.5, start.AddDate(0, 0, -2)
	for _, e := range []line.Entry{
		{Rig: sim.Station, Kind: "calibration", Subject: "microphone left", Level: &level, Certificate: "C-17", Due: &due},
		{Rig: sim.Station, Kind: "ambient", Temperature: &warm},
	} {
		if _, err := w.line.AddEntry(ctx, tester, e); err != nil {
			t.Fatal(err)
		}
	}
	gaugeStudy(t, w, start, take)
	comparedRigs(t, w, start, take)
	return w
}

func gaugeStudy(t *testing.T, w *workshop, start time.Time, take func([]curve.Take)) {
	t.Helper()
	plan := line.StudyPlan{Code: "GS-1", Product: w.story.Product.Code, Kind: line.GaugeStudy, Units: []string{"A", "B", "C", "D"}, By: []string{"Jorun", "Pelle"}, Trials: 2, Seed: 1, Reason: "new pads"}
	if err := w.line.AddStudy(t.Context(), tester, plan); err != nil {
		t.Fatal(err)
	}
	state, err := w.line.Study(t.Context(), "GS-1")
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range state.Runs {
		u := w.story.Product.Draw(sim.Key{Seed: 5, Unit: int(r.Part[0])})
		var all []curve.Take
		for ch, name := range sim.Channels {
			k := curve.Take{Curve: u.Curve(ch, i+1, r.Trial)}
			k.Identity = curve.Identity{Lot: "GS-1", Serial: r.Part, Channel: name, Seating: r.Trial, Station: sim.Station, Operator: r.Operator, MeasuredAt: start.Add(time.Duration(i) * time.Minute)}
			all = append(all, k)
		}
		take(all)
	}
}

// comparedRigs measures six units on a second rig too.
func comparedRigs(t *testing.T, w *workshop, start time.Time, take func([]curve.Take)) {
	t.Helper()
	other := sim.UsualSecondRig()
	plan := line.StudyPlan{Code: "RC-1", Product: w.story.Product.Code, Kind: line.RigsStudy, By: []string{sim.Station, other.Name}, Trials: 1, Seed: 1, Reason: "a second rig"}
	for n := range 6 {
		plan.Units = append(plan.Units, sim.StudySerial(n+1))
	}
	if err := w.line.AddStudy(t.Context(), tester, plan); err != nil {
		t.Fatal(err)
	}
	for n := range plan.Units {
		take(w.story.StudyTakes("RC-1", n+1, "Pelle", 1, start))
		again := w.story.StudyTakes("RC-1", n+1, "Pelle", 2, start)
		for i := range again {
			again[i] = other.Read(again[i])
			again[i].Seating = 1
		}
		take(again)
	}
}

// unfold opens what a page has folded away, so that its forms are looked at too.
const unfold = `(document.querySelectorAll("main details").forEach(d => d.open = true), true)`

// The rig's pages at both widths, with axe and by the Tab key.
func TestRigPages(t *testing.T) {
	axe := axeScript(t)
	w := sickRig(t)
	for _, s := range []sight{
		{"rig", "/rig", "main form", ""},
		{"rig-unit", "/rig/references/" + sim.ReferenceSerial(1) + "?rig=" + sim.Station, "#chart + div svg", ""},
		{"rig-study", "/rig/studies/GS-1", "main .beside svg", ""},
		{"rig-forms", "/rig", "main form", unfold},
		{"rig-transfer", "/rig/studies/RC-1", "main .beside svg", unfold},
		{"line-with-a-sick-rig", "/", "main .rig", ""},
	} {
		look(t, w, s, axe)
	}
}
