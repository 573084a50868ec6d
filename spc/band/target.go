package band

import (
	"fmt"
	"math"
)

// A Target is the response a unit should have: a curve, such as the rig's own
// diffuse-field response, plus a straight tilt over log-frequency.
type Target struct {
	Curve Curve // empty for a flat response over the tilt's range
	Tilt  Tilt
}

// A Tilt is a straight line in dB over log-frequency that is 0 dB at From and DB
// at To. The zero Tilt is flat.
type Tilt struct {
	From float64 `json:"from"` // Hz
	To   float64 `json:"to"`   // Hz
	DB   float64 `json:"db"`
}

// HouseTilt falls by 10 dB from 20 Hz to 20 kHz, 1 dB per base-ten octave
// (common practice, no source).
var HouseTilt = Tilt{From: 20, To: 20000, DB: -10}

// At returns the tilt in dB at f, on the line continued beyond From and To.
func (t Tilt) At(f float64) float64 {
	if t.DB == 0 {
		return 0
	}
	return t.DB * math.Log(f/t.From) / math.Log(t.To/t.From)
}

// Check returns an error unless the tilt's range rises and its curve is good.
func (t Target) Check() error {
	if t.Tilt.DB != 0 && !(t.Tilt.From > 0 && t.Tilt.To > t.Tilt.From) {
		return fmt.Errorf("tilt from %v to %v Hz does not rise", t.Tilt.From, t.Tilt.To)
	}
	if len(t.Curve.Hz) == 0 {
		return nil
	}
	return t.Curve.Check()
}

// Levels returns the target's level in each band, by the same rule as a take:
// comparing a banded take with a target sampled at mid-band would leave a bias.
// A band that the target's curve does not cover is absent.
func (t Target) Levels(bands []Band) []Level {
	c := t.Curve
	if len(c.Hz) == 0 {
		// Two points beyond every band stand for a line without end.
		c = Curve{Hz: []float64{1e-3, 1e9}, DB: []float64{0, 0}}
	}
	sum := Curve{Hz: c.Hz, DB: make([]float64, len(c.DB))}
	for i, f := range c.Hz {
		sum.DB[i] = c.DB[i] + t.Tilt.At(f)
	}
	return Levels(sum, bands)
}
