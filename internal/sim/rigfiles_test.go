package sim_test

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/sim"
)

// What keeps the rig trustworthy reads back whole: visits for the baselines, one of them
// turned, a check of every working day, at noon where nobody thought of it, and the runs
// of both studies.
func TestWriteRig(t *testing.T) {
	t.Parallel()
	story, err := sim.New(sim.Options{Seed: 1, Units: 12})
	if err != nil {
		t.Fatal(err)
	}
	f, err := story.WriteRig(t.Context(), filepath.Join(t.TempDir(), "rig"))
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) []curve.Take {
		t.Helper()
		entries, refused, err := curve.Plan([]string{name}, curve.Options{Zone: time.UTC})
		if err != nil || len(refused) > 0 || len(entries) != 1 {
			t.Fatalf("%s: %v %v", name, refused, err)
		}
		takes, refused := entries[0].Takes()
		if len(refused) > 0 {
			t.Fatalf("%s: %v", name, refused)
		}
		return takes
	}
	const visit = 2 * sim.Seatings
	turned := 0
	for _, k := range read(f.Baseline) {
		if k.Reason == "turned" {
			turned++
		}
		if !k.MeasuredAt.Before(story.Monday()) {
			t.Errorf("%s of the baseline is measured at %s, after the story began", k.Serial, k.MeasuredAt)
		}
	}
	if n := len(read(f.Baseline)); n != 11*visit || turned != visit {
		t.Errorf("%d takes of the baseline, %d turned", n, turned)
	}
	if n := len(read(f.Gauge)); n != 2*sim.GaugeUnits*sim.GaugeTrials*len(sim.Operators) {
		t.Errorf("%d takes of the gauge study", n)
	}
	rigs := map[string]int{}
	for _, k := range read(f.Compare) {
		rigs[k.Station]++
		if k.Lot != sim.CompareCode || k.Seating < 1 || k.Seating > sim.CompareTrials {
			t.Errorf("%+v", k.Identity)
		}
	}
	if n := 2 * sim.CompareUnits * sim.CompareTrials; rigs[sim.Station] != n || rigs["rig-2"] != n {
		t.Errorf("takes by rig: %v", rigs)
	}
	late, day := sim.SkippedCheck()
	for lot, days := range f.Checks {
		for d, name := range days {
			takes := read(name)
			hour := takes[0].MeasuredAt.In(story.Monday().Location()).Hour()
			if want := 7; (lot == late && d == day) != (hour == 12) || hour != 12 && hour != want {
				t.Errorf("lot %d, day %d is checked at %d o'clock", lot, d, hour)
			}
			if want := visit; len(takes) != want && !(d == 4 && len(takes) == 2*want) {
				t.Errorf("%s: %d takes", name, len(takes))
			}
		}
	}
	if _, err := story.WriteRig(t.Context(), f.Dir); err == nil {
		t.Error("files that are there were written over")
	}
	if _, err := os.Stat(f.Baseline); err != nil {
		t.Error(err)
	}
}

// The second rig reads what the first one does, and the stated curve above it; units
// scatter around that as stated.
func TestSecondRigReadsAbove(t *testing.T) {
	t.Parallel()
	story, err := sim.New(sim.Options{Seed: 1, Units: 12})
	if err != nil {
		t.Fatal(err)
	}
	r := sim.UsualSecondRig()
	sum, square, n := 0.0, 0.0, 0.0
	for unit := range 200 {
		k := story.GoodTakes(unit, "L", story.Monday())[0]
		got := r.Read(k)
		if got.Station != r.Name || k.Station != sim.Station {
			t.Fatalf("%s and %s", got.Station, k.Station)
		}
		for i, f := range k.Curve.Hz {
			if math.Abs(f-632) < 10 { // the middle, where only the level scatters
				above := (r.Above[0].DB[2]*math.Log(1000/f) + r.Above[0].DB[3]*math.Log(f/200)) / math.Log(5)
				d := got.Curve.DB[i] - k.Curve.DB[i] - above
				sum, square, n = sum+d, square+d*d, n+1
				break
			}
		}
	}
	mean, sd := sum/n, math.Sqrt(square/n)
	// Both within four standard errors of what was stated.
	if n != 200 || math.Abs(mean) > 4*r.Scatter/math.Sqrt(n) || math.Abs(sd/r.Scatter-1) > 4/math.Sqrt(2*n) {
		t.Errorf("%v units: mean %v, scatter %v, want 0 and %v", n, mean, sd, r.Scatter)
	}
}
