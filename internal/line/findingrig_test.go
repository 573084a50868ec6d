package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/internal/line"
)

// watched measures 30 baseline units, 10 good ones and 10 with a change on the left, a
// good check of the rig between, on a rig that is checked.
func watched(t *testing.T, change func(float64) float64) *line.Line {
	t.Helper()
	l, _ := trusted(t)
	rng := rand.New(rand.NewPCG(8, 1))
	for i := 1; i <= 50; i++ {
		wobble := func(extra func(float64) float64) func(float64) float64 {
			level, tilt, low := 0.08*rng.NormFloat64(), 0.04*rng.NormFloat64(), 0.1*rng.NormFloat64()
			return func(hz float64) float64 { return level + tilt*math.Log2(hz/1000) + low/(1+hz/200) + extra(hz) }
		}
		shape := flat
		if i > 40 {
			shape = change
		}
		if i == 41 {
			intake(t, l, reference(20, 4.05, flat, flat))
		}
		intake(t, l, on(visit(fmt.Sprintf("S%04d", i), wobble(shape), wobble(flat)), float64(i)/10))
		if i == 30 {
			if _, err := l.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
				t.Fatal(err)
			}
		}
	}
	return l
}

// theFinding returns the only finding of the line, as list and look have it: the same.
func theFinding(t *testing.T, l *line.Line) line.Finding {
	t.Helper()
	all, err := l.Findings(t.Context(), "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	var out line.Finding
	n := 0
	for _, f := range all {
		g, err := l.Finding(t.Context(), f.Number)
		if err != nil {
			t.Fatal(err)
		}
		if f.Analysis.Sentence != g.Analysis.Sentence || f.Signals != g.Signals {
			t.Errorf("the list says %q of %d signals, a look %q of %d", f.Analysis.Sentence, f.Signals, g.Analysis.Sentence, g.Signals)
		}
		if f.Kind == line.TheLine {
			out, n = g, n+1
		}
	}
	if n != 1 {
		t.Fatalf("%d findings of the line", n)
	}
	return out
}

// The reference unit tells the rig from the product, also where its check passes.
func TestReferenceUnitTellsRigFromProduct(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		word, say string
		ear       func(float64) float64
	}{
		{line.InProduct, "It is not rig rig-a: reference unit REF shows", flat},
		{line.InRig, "This is rig rig-a, not the product: reference unit REF shows", lower(0.4)},
	} {
		t.Run(tt.word, func(t *testing.T) {
			t.Parallel()
			l := watched(t, lower(0.4))
			if w := theFinding(t, l).Analysis.Rig; w == nil || w.Word != line.NotTold {
				t.Errorf("before any visit: %+v", w)
			}
			for i := range 3 {
				seated := func(hz float64) float64 { return tt.ear(hz) + 0.03*float64(i-1) }
				r := intake(t, l, reference(30+3*i, 5.2+float64(i)/10, seated, flat))
				if r.Checks[0].Word != "passed" {
					t.Fatalf("%+v", r.Checks)
				}
			}
			a := theFinding(t, l).Analysis
			if a.Rig == nil || a.Rig.Word != tt.word || a.Rig.After != 3 || !strings.Contains(a.Sentence, tt.say) {
				t.Errorf("%+v\n%s", a.Rig, a.Sentence)
			}
			if rig := strings.Contains(a.Checks[0].Check, "Seat reference unit REF again"); rig != (tt.word == line.InRig) {
				t.Errorf("checks %+v", a.Checks)
			}
		})
	}
}

// A finding is told when its units go on hold, then blames nothing, and when they come
// back.
func TestFindingIsToldOfWithdrawnSignals(t *testing.T) {
	t.Parallel()
	l := watched(t, lower(1.2))
	before := theFinding(t, l)
	r := intake(t, l, reference(30, 5.5, lower(1.2), flat))
	if r.Checks[0].Word != "failed" {
		t.Fatalf("%+v", r.Checks)
	}
	f := theFinding(t, l)
	last := f.Events[len(f.Events)-1]
	if f.Signals != 0 || !strings.HasPrefix(f.Analysis.Sentence, "Nothing of it stands now") || len(f.Analysis.Causes) > 0 ||
		last.Kind != "withdrawn" || !strings.Contains(last.Text, "10 units on hold (check of rig rig-a by REF") || !strings.Contains(last.Text, "0 signals of this finding stand") {
		t.Errorf("%d signals, %s; %s: %s", f.Signals, f.Analysis.Sentence, last.Kind, last.Text)
	}
	intake(t, l, reference(33, 5.7, flat, flat)) // it was the seating
	f = theFinding(t, l)
	last = f.Events[len(f.Events)-1]
	if f.Signals != before.Signals || last.Kind != "standing" || !strings.Contains(last.Text, "10 units judged again") {
		t.Errorf("%d signals of %d; %s: %s", f.Signals, before.Signals, last.Kind, last.Text)
	}
}
