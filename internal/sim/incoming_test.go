package sim

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"alike/internal/curve"
)

var firstMonday = time.Date(2026, 9, 7, 0, 0, 0, 0, time.UTC)

func story(t *testing.T, seed uint64, units int) *Story {
	t.Helper()
	s, err := New(Options{Seed: seed, Units: units, Start: firstMonday})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The drivers of a batch that the ledger names are those of its units: what the jig
// reads of two drivers foretells the balance of the unit they are in.
func TestDriversAreThoseOfTheUnits(t *testing.T) {
	for _, units := range []int{12, 40} {
		s := story(t, 3, units)
		batches := s.Incoming(0)
		at := map[string]*Unit{}
		for n, serial := range s.serial {
			at[serial] = s.units[n]
		}
		pairs := map[string][2]*BareDriver{}
		for i := range batches[0].Drivers {
			d := &batches[0].Drivers[i]
			ch := 0
			if d.Channel == Channels[1] {
				ch = 1
			}
			p := pairs[d.Unit]
			if p[ch] != nil || at[d.Unit] == nil {
				t.Fatalf("%s is in %s %s", d.Serial, d.Unit, d.Channel)
			}
			p[ch] = d
			pairs[d.Unit] = p
			cup := at[d.Unit].Cups[ch]
			if d.Params.Bl != cup.Bl || d.Params.Fs != cup.Fs || d.Params.Mms != cup.Mms || d.Params.Re != cup.Re {
				t.Errorf("%s is another driver than that of %s", d.Serial, d.Unit)
			}
		}
		if want := min(30, s.number(mark{5, 0.5})-s.number(mark{3, 0.7})); len(pairs) != want || len(batches[0].Drivers) != 2*want {
			t.Errorf("%d units of %d drivers, want %d", len(pairs), len(batches[0].Drivers), want)
		}
		for _, b := range batches[1:] {
			if b.Drivers[0].Unit != "" || len(b.Drivers) != 60 {
				t.Errorf("%s: %+v", b.Code, b.Drivers[0].Unit)
			}
		}
		if batches[0].Certificate[0] != (Certified{"resonance frequency", "Hz", 119}) {
			t.Errorf("%+v", batches[0].Certificate)
		}
	}
}

// Two suppliers; what the script planted is in the numbers, and a smaller test leaves
// the drivers before it unchanged.
func TestIncomingDrivers(t *testing.T) {
	batches := story(t, 1, 40).Incoming(0)
	if !reflect.DeepEqual(batches, story(t, 1, 40).Incoming(0)) {
		t.Error("the same seed gave other drivers")
	}
	few := story(t, 1, 40).Incoming(5)
	if len(batches) != 3 || len(few[2].Drivers) != 5 || !reflect.DeepEqual(few[2].Drivers, batches[2].Drivers[:5]) {
		t.Error("fewer drivers are other drivers")
	}
	suppliers := map[string]bool{}
	var level, resonance [3]float64
	for i, b := range batches {
		suppliers[b.Supplier] = true
		for _, d := range b.Drivers {
			at := 0
			for k, f := range d.Curve.Hz {
				if f < 1000 {
					at = k
				}
			}
			level[i] += d.Curve.DB[at] / float64(len(b.Drivers))
			resonance[i] += d.Resonance / float64(len(b.Drivers))
			if err := d.Curve.Check(); err != nil {
				t.Fatal(err)
			}
			if math.Abs(d.Impedance-38) > 5 || d.Distortion <= 0 {
				t.Errorf("%s: %v ohm, %v %%", d.Serial, d.Impedance, d.Distortion)
			}
		}
	}
	if len(suppliers) != 2 || level[0]-level[2] < 0.35 || level[0]-level[2] > 0.75 || resonance[2]/resonance[0] < 1.03 {
		t.Errorf("levels %.2f, resonances %.1f", level, resonance)
	}
	if !batches[2].Drivers[22].Reversed || batches[1].Drivers[16].Resonance < 140 {
		t.Error("what was planted is not there")
	}
	a, b := batches[2].Drivers[21].Curve, batches[2].Drivers[22].Curve
	if turn := math.Abs(math.Remainder(a.Phase[150]-b.Phase[150]-180, 360)); turn > 15 {
		t.Errorf("the reversed driver's phase is %.0f° from half a turn", turn)
	}
}

// What is written reads back as the same drivers.
func TestWriteDrivers(t *testing.T) {
	batches := story(t, 2, 40).Incoming(3)
	dir := t.TempDir()
	f, err := WriteDrivers(t.Context(), dir, batches)
	if err != nil {
		t.Fatal(err)
	}
	entries, refused, err := curve.Plan([]string{f.Takes}, curve.Options{})
	if err != nil || len(refused) > 0 || len(entries) != 9 {
		t.Fatalf("%d takes, %v, %v", len(entries), refused, err)
	}
	takes, bad := entries[4].Takes()
	want := batches[1].Drivers[1]
	if len(bad) > 0 || takes[0].Serial != want.Serial || takes[0].Lot != "NV-2447" || !reflect.DeepEqual(takes[0].Curve, want.Curve) {
		t.Errorf("%+v, %v", takes[0].Identity, bad)
	}
	if _, err := WriteDrivers(t.Context(), dir, batches); err == nil {
		t.Error("written over")
	}
	for _, name := range []string{f.Values, f.Batches, f.Built} {
		if _, err := os.Stat(filepath.Clean(name)); err != nil {
			t.Error(err)
		}
	}
}
