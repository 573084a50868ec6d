package line_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"alike/internal/line"
)

// Every cell of the map against the limit set that the database says was in force, and
// the rules that fired against the signals stored with each unit.
func TestDriftStandsOnTheLimitsInForce(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(5, 1))
	produce(t, l, rng, 1, 30, flat)
	if _, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
		t.Fatal(err)
	}
	moved := func(hz float64) float64 { return -0.9 / (1 + hz/150) }
	produce(t, l, rng, 31, 60, moved)
	var later line.Baseline
	for i := 31; i <= 55; i++ {
		later.Serials = append(later.Serials, serial(i))
	}
	if _, err := l.Freeze(ctx, tester, "p1", quick(later, "the new foam is wanted")); err != nil {
		t.Fatal(err)
	}
	d, err := l.Drift(ctx, "p1", math.MaxInt64, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Units) != 60 || d.Earlier || len(d.Sections) != 3 || d.Sections[0].Version != 0 || d.Sections[1].First != 30 || d.Sections[2].First != 55 || !d.Sections[2].Starts {
		t.Fatalf("%d units, sections %+v", len(d.Units), d.Sections)
	}
	s := db.Site("main")
	scored, fired := 0, 0
	for i, u := range d.Units {
		readings, err := s.ReadingsOf(ctx, "p1", []string{u.Serial})
		if err != nil || len(readings) != 1 {
			t.Fatal(err)
		}
		want := map[string]uint8{}
		version := 0
		if u.Place > 30 {
			set, err := s.LimitSetAt(ctx, "p1", u.Place)
			if err != nil {
				t.Fatal(err)
			}
			version = set.Version
			for row := range d.Streams {
				z := (float64(readings[0].Streams[row]) - set.Center[row]) / set.Sigma[row]
				got := d.Scores[row*60+i]
				if math.IsNaN(z) != (got == line.NoScore) || !math.IsNaN(z) && math.Abs(math.Max(-12.7, math.Min(12.7, z))-float64(got)/10) > 0.0501 {
					t.Errorf("%s %s: score %d, the limits give %v", u.Serial, d.Streams[row].Key, got, z)
				}
				scored++
			}
		}
		signals, err := s.SignalsOfUnit(ctx, u.Serial)
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range signals {
			for bit, k := range line.RuleKeys {
				if g.LimitSet == version && string(k) == g.Rule {
					want[g.Stream] |= 1 << bit
				}
			}
		}
		for row, st := range d.Streams {
			if got := d.Fired[row*60+i]; got != want[st.Key] {
				t.Errorf("%s %s: fired %08b, stored %08b", u.Serial, st.Key, got, want[st.Key])
			} else if got != 0 {
				fired++
			}
		}
	}
	if scored != 30*len(d.Streams) || fired < 25 {
		t.Errorf("%d cells scored, %d fired", scored, fired)
	}
	own, err := l.Drift(ctx, "p1", 30, 5) // a part of the map has the colours of the whole
	if err != nil {
		t.Fatal(err)
	}
	for row := range d.Streams {
		for i := range 5 {
			if got, want := own.Scores[row*5+i], d.Scores[row*60+25+i]; got != want {
				t.Errorf("%s: %d in a part of the map, %d in the whole", d.Streams[row].Key, got, want)
			}
		}
	}
	part, err := l.Drift(ctx, "p1", 40, 5)
	if err != nil || len(part.Units) != 5 || part.Units[4].Place != 40 || !part.Earlier || part.Sections[0].Starts {
		t.Errorf("the part up to place 40: %+v (%v)", part.Units, err)
	}
}

func TestDriftOfNothing(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	d, err := l.Drift(t.Context(), "p1", math.MaxInt64, 10)
	if err != nil || len(d.Units) != 0 || len(d.Streams) == 0 {
		t.Errorf("%+v (%v)", d, err)
	}
}
