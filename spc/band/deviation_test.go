package band_test

import (
	"math"
	"testing"

	"alike/spc/band"
)

func levels(ls []band.Level) []float64 {
	out := make([]float64, len(ls))
	for i, l := range ls {
		out[i] = l.DB
	}
	return out
}

// anchorOf marks the bands with nominal frequency from lo to hi.
func anchorOf(bands []band.Band, lo, hi float64) []bool {
	out := make([]bool, len(bands))
	for i, b := range bands {
		out[i] = b.Nominal() >= lo && b.Nominal() <= hi
	}
	return out
}

// A unit flat in level against the house tilt, anchored 500 Hz to 2 kHz (seven
// third-octave bands): deviation ∓3.33333 dB at 100 Hz and 10 kHz, 0 at 1 kHz,
// from the tilt's definition.
func TestHouseTilt(t *testing.T) {
	for _, tt := range []struct{ f, want float64 }{{20, 0}, {100, -2.32990}, {1000, -5.66323}, {20000, -10}} {
		if got := band.HouseTilt.At(tt.f); math.Abs(got-tt.want) > 5e-6 {
			t.Errorf("tilt at %v Hz = %v, want %v", tt.f, got, tt.want)
		}
	}
	bands, _ := band.Between(3, 25, 16000)
	flat := band.Curve{Hz: []float64{15, 25000}, DB: []float64{94, 94}}
	target := band.Target{Tilt: band.HouseTilt}
	r, err := band.Read(bands, levels(band.Levels(flat, bands)), levels(target.Levels(bands)), anchorOf(bands, 500, 2000))
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range bands {
		want := float64(b.Index) / 3 // 1 dB per base-ten octave
		if math.Abs(r.Deviation[i]-want) > 1e-9 {
			t.Errorf("deviation at %s = %v, want %v", b.Label(), r.Deviation[i], want)
		}
	}
	if math.Abs(r.Sensitivity-94) > 1e-12 {
		t.Errorf("sensitivity %v, want 94", r.Sensitivity)
	}
	// Slope per factor 2 of 1 dB per base-ten octave: 1/(0.3·log2 10) = 1.00343.
	if math.Abs(r.Tilt-1/(0.3*math.Log2(10))) > 1e-9 {
		t.Errorf("tilt %v dB/octave, want 1.00343", r.Tilt)
	}
	ss := 0.0
	for _, b := range bands {
		ss += float64(b.Index*b.Index) / 9
	}
	if want := math.Sqrt(ss / float64(len(bands))); math.Abs(r.Roughness-want) > 1e-9 {
		t.Errorf("roughness %v, want %v", r.Roughness, want)
	}
}

// The house target on a head-and-torso simulator's nominal diffuse-field table:
// table value - (10/3) lg(fm/20), computed in Python; at the table's own nodes.
func TestTargetAtTableNodes(t *testing.T) {
	at := func(x int, df float64) float64 { return df - 10.0/3*math.Log10(third(x).Mid()/20) }
	for _, tt := range []struct {
		x        int
		df, want float64
	}{{-10, 0, -2.3299}, {-6, 0.5, -3.1632}, {0, 5, -0.6632}, {4, 14, 7.0034}, {10, 10.5, 1.5034}, {13, -3, -12.9966}} {
		if got := tt.df + band.HouseTilt.At(third(tt.x).Mid()); math.Abs(got-tt.want) > 5e-5 || math.Abs(got-at(tt.x, tt.df)) > 1e-9 {
			t.Errorf("target at %s = %v, want %v", third(tt.x).Label(), got, tt.want)
		}
	}
}

// A unit that has the target's own response deviates by exactly nothing, also
// where the target is steep: take and target go through the same band rule.
func TestTargetOnItself(t *testing.T) {
	df := band.Curve{Hz: []float64{15, 500, 2700, 8000, 25000}, DB: []float64{0, 1.5, 14, 6, -5}}
	target := band.Target{Curve: df, Tilt: band.HouseTilt}
	bands, _ := band.Between(6, 25, 16000)
	unit := band.Curve{Hz: df.Hz}
	for i, f := range df.Hz {
		unit.DB = append(unit.DB, df.DB[i]+band.HouseTilt.At(f)+97)
	}
	r, err := band.Read(bands, levels(band.Levels(unit, bands)), levels(target.Levels(bands)), anchorOf(bands, 500, 2000))
	if err != nil {
		t.Fatal(err)
	}
	if r.Roughness > 1e-9 || math.Abs(r.Offset-97) > 1e-9 {
		t.Errorf("roughness %v, offset %v, want 0 and 97", r.Roughness, r.Offset)
	}
}

// A fault inside the anchor range leaks with the opposite sign into every other
// band, by its mean over the anchor, while the sensitivity shows it.
func TestAnchorMirrorsAFault(t *testing.T) {
	bands, _ := band.Between(3, 100, 10000)
	anchor := anchorOf(bands, 500, 2000)
	level, target := make([]float64, len(bands)), make([]float64, len(bands))
	for i := range level {
		level[i] = 100
		if bands[i].Nominal() == 1000 {
			level[i] += 3.5
		}
	}
	r, err := band.Read(bands, level, target, anchor)
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Deviation[0]; math.Abs(got+0.5) > 1e-12 {
		t.Errorf("100 Hz deviates by %v, want -0.5 (3.5 dB over seven anchor bands)", got)
	}
	if math.Abs(r.Sensitivity-100.5) > 1e-12 {
		t.Errorf("sensitivity %v, want 100.5", r.Sensitivity)
	}
}

func TestAbsentBands(t *testing.T) {
	bands, _ := band.Between(3, 500, 2000)
	nan := math.NaN()
	level := []float64{nan, 90, 92, nan, 94, 90, 90}
	target := []float64{0, 0, 0, 0, nan, 0, 0}
	r, err := band.Read(bands, level, target, anchorOf(bands, 500, 2000))
	if err != nil {
		t.Fatal(err)
	}
	if r.Sensitivity != 90.5 { // of 90, 92, 90, 90: the bands both have
		t.Errorf("sensitivity %v, want 90.5", r.Sensitivity)
	}
	for i, d := range r.Deviation {
		if math.IsNaN(d) != (math.IsNaN(level[i]) || math.IsNaN(target[i])) {
			t.Errorf("band %d: deviation %v", i, d)
		}
	}
	if _, err := band.Read(bands, []float64{nan, nan, nan, nan, 1, nan, nan}, target, anchorOf(bands, 500, 2000)); err != band.ErrNoAnchor {
		t.Errorf("got %v, want ErrNoAnchor", err)
	}
}

// Arithmetic mean of re-seats 94, 93, 95.5, 92.5, 94 dB is 93.8; their energy
// mean would be 93.9254 (both computed outside).
func TestAverage(t *testing.T) {
	got := band.Average([][]float64{{94, 1}, {93, 1}, {95.5, math.NaN()}, {92.5, 1}, {94, 1}})
	if math.Abs(got[0]-93.8) > 1e-12 || !math.IsNaN(got[1]) {
		t.Errorf("got %v, want 93.8 and NaN", got)
	}
	if band.Average(nil) != nil {
		t.Error("the mean of no seating is not nil")
	}
}

func TestCurveCheck(t *testing.T) {
	good := func() band.Curve {
		return band.Curve{Hz: []float64{20, 30, 40}, DB: []float64{1, 2, 3}, Phase: []float64{0, 0, 0}}
	}
	if err := good().Check(); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*band.Curve){
		"zero frequency": func(c *band.Curve) { c.Hz[0] = 0 },
		"falling":        func(c *band.Curve) { c.Hz[2] = 25 },
		"repeated":       func(c *band.Curve) { c.Hz[1] = 20 },
		"nan frequency":  func(c *band.Curve) { c.Hz[1] = math.NaN() },
		"inf frequency":  func(c *band.Curve) { c.Hz[2] = math.Inf(1) },
		"nan level":      func(c *band.Curve) { c.DB[1] = math.NaN() },
		"inf level":      func(c *band.Curve) { c.DB[0] = math.Inf(-1) },
		"nan phase":      func(c *band.Curve) { c.Phase[2] = math.NaN() },
		"one point":      func(c *band.Curve) { c.Hz, c.DB, c.Phase = c.Hz[:1], c.DB[:1], nil },
	} {
		c := good()
		spoil(&c)
		if c.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
