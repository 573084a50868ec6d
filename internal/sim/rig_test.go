package sim

import (
	"math"
	"slices"
	"testing"
	"time"

	"alike/spc/band"
)

func drifting(t *testing.T, d ...Drift) *Story {
	t.Helper()
	s, err := New(Options{Seed: 5, Units: 12, Drifts: d})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Without a drift the story is what it was; with one, takes before it are untouched and
// those after it lose exactly what the microphone lost.
func TestMicrophoneLosesWhatItIsTold(t *testing.T) {
	from := time.Date(2026, 9, 21, 0, 0, 0, 0, time.FixedZone("UTC+1", 3600))
	plain, sick := drifting(t), drifting(t, Drift{DriftMicrophone, "left", from, 0.7})
	a, b := slices.Collect(plain.Takes()), slices.Collect(sick.Takes())
	lost := 0
	for i := range a {
		want := 0.0
		if a[i].Channel == "left" && a[i].MeasuredAt.After(from) {
			want = 0.7 * a[i].MeasuredAt.Sub(from).Hours() / 168
			lost++
		}
		for k := range a[i].Curve.DB {
			if d := a[i].Curve.DB[k] - b[i].Curve.DB[k]; math.Abs(d-want) > 0.0011 { // rounded twice
				t.Fatalf("take %d, point %d: lost %.4f dB, want %.4f", i, k, d, want)
			}
		}
	}
	if lost == 0 {
		t.Fatal("nothing was measured after the drift began")
	}
}

// A worn coupler takes the bass away and leaves the middle alone, on its ear only.
func TestCouplerLeaksInTheBass(t *testing.T) {
	start := drifting(t).monday
	s := drifting(t, Drift{DriftCoupler, "right", start, 1.0 / 6})
	at := start.AddDate(0, 0, 7*6)
	bands, err := band.Between(3, 20, 20000)
	if err != nil {
		t.Fatal(err)
	}
	good, worn := drifting(t).CheckTakes(1, at, false), s.CheckTakes(1, at, false)
	for i := range good {
		a, b := band.Levels(good[i].Curve, bands), band.Levels(worn[i].Curve, bands)
		low, mid := b[3].DB-a[3].DB, b[17].DB-a[17].DB // 40 Hz, 1 kHz
		if good[i].Channel == "left" && low != 0 || good[i].Channel == "right" && !(low < -1) || math.Abs(mid) > 0.1 {
			t.Errorf("%s: 40 Hz %+.2f dB, 1 kHz %+.2f dB", good[i].Channel, low, mid)
		}
	}
}

// The turned unit is the same unit on the other ears, and a visit repeats itself.
func TestTurnedReferenceUnit(t *testing.T) {
	s := drifting(t)
	at := s.monday.Add(7 * time.Hour)
	one, again, turned := s.CheckTakes(1, at, false), s.CheckTakes(1, at, false), s.CheckTakes(1, at, true)
	if !slices.Equal(one[0].Curve.DB, again[0].Curve.DB) || slices.Equal(one[0].Curve.DB, turned[0].Curve.DB) {
		t.Error("a visit does not repeat itself, or turning changes nothing")
	}
	if turned[0].Reason != "turned" || one[0].Reason != "" || one[0].Serial != "TB40-REF1" {
		t.Errorf("%+v %+v", one[0].Identity, turned[0].Identity)
	}
	// Left and right cups differ at 500 Hz by the socket (TB40): turned, the sign turns.
	bands, _ := band.Between(3, 500, 500)
	diff := func(l, r band.Curve) float64 { return band.Levels(l, bands)[0].DB - band.Levels(r, bands)[0].DB }
	if a, b := diff(one[0].Curve, one[1].Curve), diff(turned[0].Curve, turned[1].Curve); a*b >= 0 {
		t.Errorf("left against right at 500 Hz: %+.2f dB, turned %+.2f dB", a, b)
	}
}

func TestDriftIsChecked(t *testing.T) {
	for _, d := range []Drift{{Kind: "x"}, {Kind: DriftCoupler, Ear: "centre"}, {Kind: DriftMicrophone, PerWeek: math.NaN()}} {
		if _, err := New(Options{Drifts: []Drift{d}}); err == nil {
			t.Errorf("%+v is accepted", d)
		}
	}
}
