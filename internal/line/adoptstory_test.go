package line_test

import (
	"fmt"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"
)

// A secondRigStory is what became of good units, some of them measured on a second rig.
type secondRigStory struct {
	failed, doubtful int
	alarmed          int // units with chart signals of their own
	ofLine           int // findings of the line
}

func (s secondRigStory) String() string {
	return fmt.Sprintf("%d failed, %d doubtful, %d with signals, %d findings of the line", s.failed, s.doubtful, s.alarmed, s.ofLine)
}

const (
	goodBaseline = 40
	goodAfter    = 64
	narrower     = 0.235 // of the mask's height, at both sides
)

// secondRig lets good units be measured after a baseline on the first rig; second says
// which of them the second rig measures.
func secondRig(t *testing.T, seed uint64, adopted bool, second func(n int) bool) secondRigStory {
	t.Helper()
	story, err := sim.New(sim.Options{Seed: seed, Units: 12})
	if err != nil {
		t.Fatal(err)
	}
	other := sim.UsualSecondRig()
	// Limits so near that a good unit now and then touches them: ones it never reaches would
	// prove nothing.
	p := simulated(story.Product)
	for i, low := range p.Envelope.Mask.Lower {
		high := p.Envelope.Mask.Upper[i]
		p.Envelope.Mask.Lower[i].DB, p.Envelope.Mask.Upper[i].DB = low.DB+narrower*(high.DB-low.DB), high.DB-narrower*(high.DB-low.DB)
	}
	l, _ := workshop(t, p)
	at := moment
	const study = "RC-1"
	plan := line.StudyPlan{Code: study, Kind: line.RigsStudy, By: []string{sim.Station, other.Name}, Trials: 3, Seed: 5, Reason: "a second rig"}
	for n := range 10 {
		plan.Units = append(plan.Units, sim.StudySerial(n+1))
	}
	if adopted {
		if err := l.AddStudy(t.Context(), tester, plan); err != nil {
			t.Fatal(err)
		}
		for n := range plan.Units {
			for trial := 1; trial <= plan.Trials; trial++ {
				intake(t, l, story.StudyTakes(study, n+1, "", trial, at))
				takes := story.StudyTakes(study, n+1, "", trial+plan.Trials, at)
				for i := range takes {
					takes[i] = other.Read(takes[i])
					takes[i].Seating = trial
				}
				if r := intake(t, l, takes); len(refusals(r)) > 0 {
					t.Fatal(refusals(r))
				}
			}
		}
		adopt(t, l, line.Adoption{Study: study, Reason: "a second rig"})
	}
	var out secondRigStory
	for n := range goodBaseline + goodAfter {
		at = at.Add(10 * time.Minute)
		takes := story.GoodTakes(n, "L1", at)
		if n >= goodBaseline && second(n) {
			for i := range takes {
				takes[i] = other.Read(takes[i])
			}
		}
		r := intake(t, l, takes)
		if r.Verdict == nil {
			t.Fatal(refusals(r))
		}
		if n == goodBaseline-1 {
			if _, err := l.Freeze(t.Context(), tester, story.Product.Code, line.Freezing{Baseline: line.Baseline{Lot: "L1"}, Reason: "first", Boards: 200}); err != nil {
				t.Fatal(err)
			}
		}
		if n < goodBaseline {
			continue
		}
		switch r.Verdict.Word {
		case envelope.Fail:
			out.failed++
		case envelope.Doubtful:
			out.doubtful++
		}
		if len(r.Signals) > 0 {
			out.alarmed++
		}
		if (r.Verdict.ReadAs != nil) != (adopted && second(n)) {
			t.Errorf("unit %d: %+v", n, r.Verdict.ReadAs)
		}
	}
	all, err := l.Findings(t.Context(), "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.Kind == line.TheLine {
			out.ofLine++
		}
	}
	return out
}

// With the transfer good units on the second rig alarm and fail as they do on the first;
// without it they do not. Nor do units that change from rig to rig make a finding of the
// line.
func TestSecondRigReadsAsTheFirst(t *testing.T) {
	t.Parallel()
	for _, seed := range []uint64{1, 2} {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			never := func(int) bool { return false }
			always := func(int) bool { return true }
			turns := func(n int) bool { return n/8%2 == 1 } // a day on the one, a day on the other
			first := secondRig(t, seed, false, never)
			with, without := secondRig(t, seed, true, always), secondRig(t, seed, false, always)
			turnsWith, turnsWithout := secondRig(t, seed, true, turns), secondRig(t, seed, false, turns)
			t.Logf("first rig: %s\nsecond rig, transfer: %s\nsecond rig, as it is: %s\nin turns, transfer: %s\nin turns, as it is: %s", first, with, without, turnsWith, turnsWithout)
			if with.failed > first.failed+3 || with.alarmed > first.alarmed+2 || with.ofLine > first.ofLine || turnsWith.ofLine > 0 || turnsWith.failed > first.failed+3 || turnsWith.alarmed > first.alarmed+2 {
				t.Error("the transfer does not make the second rig read as the first")
			}
			if without.alarmed < goodAfter/2 || without.ofLine == 0 || turnsWithout.ofLine == 0 || without.failed <= first.failed+10 {
				t.Error("the second rig does not differ enough to prove anything")
			}
		})
	}
}
