package line_test

import (
	"slices"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"
)

// A rigStory is the simulated workshop with a check of the rig every working morning.
type rigStory struct {
	failed   []time.Time // checks that failed
	checks   int
	fails    int // first verdicts fail
	held     int // units on hold at the end
	verdicts map[envelope.Word]int
}

// live runs six weeks: five visits make the baseline on the first morning, then a check
// each morning at half past seven before the units of the day.
func live(t *testing.T, seed uint64, drifts ...sim.Drift) rigStory {
	t.Helper()
	story, err := sim.New(sim.Options{Seed: seed, Units: 12, Drifts: drifts})
	if err != nil {
		t.Fatal(err)
	}
	p := simulated(story.Product)
	p.RigCheck = &line.RigPolicy{Hours: 24, Tolerance: []envelope.Guard{{From: 20, To: 80, DB: 1.5}, {From: 100, To: 4000, DB: 0.6}, {From: 5000, To: 16000, DB: 2}}}
	l, _ := workshop(t, p)
	ref := sim.ReferenceSerial(1)
	if err := l.AddReference(t.Context(), tester, story.Product.Code, ref, line.InUse, ""); err != nil {
		t.Fatal(err)
	}
	y, m, d := story.Lots[0].Attempts[0].At.Date()
	monday := time.Date(y, m, d, 0, 0, 0, 0, story.Lots[0].Attempts[0].At.Location())
	for n := range 5 {
		intake(t, l, story.CheckTakes(1, monday.Add(5*time.Hour+time.Duration(n)*20*time.Minute), false))
	}
	if _, err := l.SetBaseline(t.Context(), tester, ref, sim.Station, 5, "calibrated"); err != nil {
		t.Fatal(err)
	}
	out := rigStory{verdicts: map[envelope.Word]int{}}
	day := monday
	for i := range story.Lots {
		for _, v := range line.Visits(slices.Collect(story.LotTakes(i))) {
			for !day.After(v[0].MeasuredAt) {
				if w := day.Weekday(); w != time.Saturday && w != time.Sunday {
					c := intake(t, l, story.CheckTakes(1, day.Add(7*time.Hour+30*time.Minute), false)).Checks[0]
					out.checks++
					if c.Word == "failed" {
						out.failed = append(out.failed, c.At)
					}
				}
				day = day.AddDate(0, 0, 1)
			}
			r := intake(t, l, v)
			out.verdicts[r.Verdict.Word]++
		}
	}
	trust, err := l.RigTrust(t.Context(), story.Product.Code)
	if err != nil {
		t.Fatal(err)
	}
	out.held = len(trust.Rigs[0].Held)
	return out
}

// A healthy rig is not stopped by seating alone; a left microphone that loses half a
// dB a week is, before it has lost 0.8 dB, and from then on no unit is failed or passed
// by it.
func TestSimulatedRigIsToldFromTheProduct(t *testing.T) {
	t.Parallel()
	from := time.Date(2026, 9, 14, 0, 0, 0, 0, time.FixedZone("UTC+1", 3600))
	for _, seed := range []uint64{1, 2} {
		healthy := live(t, seed)
		if len(healthy.failed) > 0 || healthy.checks != 30 || healthy.held != 0 {
			t.Errorf("seed %d, healthy: %+v", seed, healthy)
		}
		sick := live(t, seed, sim.Drift{Kind: sim.DriftMicrophone, Ear: "left", From: from, PerWeek: 0.5})
		if len(sick.failed) == 0 {
			t.Errorf("seed %d: the drift of the microphone was not found", seed)
			continue
		}
		lost := 0.5 * sick.failed[0].Sub(from).Hours() / 168
		t.Logf("seed %d: found at %s, when %.2f dB were lost; %d on hold; verdicts %v, healthy %v", seed, sick.failed[0].Format(time.DateOnly), lost, sick.held, sick.verdicts, healthy.verdicts)
		if lost > 0.8 || sick.held == 0 {
			t.Errorf("seed %d: found when %.2f dB were lost, %d units on hold", seed, lost, sick.held)
		}
	}
}
