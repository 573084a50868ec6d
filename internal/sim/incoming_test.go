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

// Two suppliers; what the script planted is in the numbers, and a smaller test leaves
// the drivers before it unchanged.
func TestIncomingDrivers(t *testing.T) {
	batches := IncomingDrivers(1, firstMonday, 0)
	if !reflect.DeepEqual(batches, IncomingDrivers(1, firstMonday, 0)) {
		t.Error("the same seed gave other drivers")
	}
	few := IncomingDrivers(1, firstMonday, 5)
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
	batches := IncomingDrivers(2, firstMonday, 3)
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
	for _, name := range []string{f.Values, f.Batches} {
		if _, err := os.Stat(filepath.Clean(name)); err != nil {
			t.Error(err)
		}
	}
}
