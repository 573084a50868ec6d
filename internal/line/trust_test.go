package line

import (
	"slices"
	"testing"
	"time"

	"alike/internal/store"

	"pgregory.net/rapid"
)

var day0 = time.Date(2026, 9, 7, 0, 0, 0, 0, time.UTC)

func hours(h float64) time.Time { return day0.Add(time.Duration(h * float64(time.Hour))) }

// history writes events as "pass 8, fail 32, work 33".
func history(kinds string, at ...float64) []store.RigEvent {
	var out []store.RigEvent
	for i, r := range kinds {
		out = append(out, store.RigEvent{At: hours(at[i]), Kind: map[rune]string{'+': checkPassed, '-': checkFailed, 'w': rigWork}[r], Serial: "R1"})
	}
	return out
}

func TestWeigh(t *testing.T) {
	for _, tt := range []struct {
		name   string
		events []store.RigEvent
		at     float64
		good   bool
		doubt  doubt
	}{
		{"nothing known", nil, 1, false, unchecked},
		{"right at the check", history("+", 8), 8, true, sound},
		{"to the last moment of its validity", history("+", 8), 32, true, sound},
		{"just after it", history("+", 8), 32.001, false, expired},
		{"skipped, and later good", history("++", 8, 80), 60, true, sound},
		{"before the first good check", history("+", 80), 60, true, sound},
		{"before a failed check", history("+-", 8, 30), 20, false, suspect},
		{"after a failed check", history("+-", 8, 30), 31, false, failing},
		{"at the very moment of a failed check", history("+-", 8, 30), 30, false, failing},
		{"at the very moment of work", history("+w", 8, 30), 30, false, workedUpon},
		{"failed by mistake: good again with nothing changed", history("+-+", 8, 30, 31), 20, true, sound},
		{"failed, mended, good", history("+-w+", 8, 30, 31, 32), 20, false, suspect},
		{"measured on the sick rig, mended, good", history("-w+", 30, 31, 32), 30.5, false, failing},
		{"after the mending, before its check", history("+-w+", 8, 30, 31, 32), 31.5, true, sound},
		{"after the mending, no check yet", history("+w", 8, 31), 31.5, false, workedUpon},
		{"good, mended in time, good", history("+w+", 8, 20, 21), 15, true, sound},
		{"too old and mended before the next good one", history("+w+", 8, 60, 61), 50, false, expired},
		{"a check that failed after work speaks of the work", history("+w-", 8, 20, 21), 15, true, sound},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := weigh(tt.events, hours(tt.at), 24*time.Hour)
			if got.good != tt.good || !got.good && got.doubt != tt.doubt {
				t.Errorf("good %v, doubt %d, want %v, %d", got.good, got.doubt, tt.good, tt.doubt)
			}
		})
	}
}

// Laws that hold whatever happened to the rig.
func TestWeighLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 8).Draw(t, "n")
		var events []store.RigEvent
		at := 0.0
		for range n {
			at += rapid.Float64Range(0.5, 40).Draw(t, "gap")
			kind := rapid.SampledFrom([]string{checkPassed, checkFailed, rigWork}).Draw(t, "kind")
			events = append(events, store.RigEvent{At: hours(at), Kind: kind})
		}
		when := hours(rapid.Float64Range(0, at+30).Draw(t, "when"))
		valid := 24 * time.Hour
		got := weigh(events, when, valid)

		// A longer validity never loses trust.
		if got.good && !weigh(events, when, 2*valid).good {
			t.Fatal("a longer validity loses the trust")
		}
		// A check that passes right now wins trust for what came since the last work,
		// and a check that fails right now never wins any.
		end := hours(at + 31)
		pass := weigh(append(slices.Clone(events), store.RigEvent{At: end, Kind: checkPassed}), when, valid)
		fail := weigh(append(slices.Clone(events), store.RigEvent{At: end, Kind: checkFailed}), when, valid)
		worked := slices.ContainsFunc(events, func(e store.RigEvent) bool { return e.Kind == rigWork && e.At.After(when) })
		if got.good && !pass.good || !worked && !pass.good {
			t.Fatal("a good check does not speak for what was measured since the last work")
		}
		if fail.good && !got.good {
			t.Fatal("a failed check wins trust")
		}
		// Only what stands between the last good check and the moment, and after it, counts.
		from := 0
		for i, e := range events {
			if e.Kind == checkPassed && !e.At.After(when) {
				from = i
			}
		}
		if again := weigh(events[from:], when, valid); again.good != got.good || !got.good && again.doubt != got.doubt {
			t.Fatal("events before the last good check matter")
		}
	})
}
