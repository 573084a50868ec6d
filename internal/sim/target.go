package sim

import (
	"math"

	"alike/spc/band"
)

// bell is a smooth hump of height db at hz, falling over octaves on both sides.
type bell struct {
	hz, db, octaves float64
}

func (b bell) at(f float64) float64 {
	u := math.Log2(f/b.hz) / b.octaves
	return b.db * math.Exp(-u*u/2)
}

func sum(bells []bell, f float64) float64 {
	s := 0.0
	for _, b := range bells {
		s += b.at(f)
	}
	return s
}

// The diffuse-field response of the simulated rig: the gain of ear canal and
// pinna, and a fall at the end of the range. It belongs to no real rig.
var rigField = []bell{{2700, 13.4, 1.05}, {9400, 3.1, 0.3}, {26000, -7, 0.6}}

// The designers' voicing: what they built on purpose beside the target. It
// stays small from 5 to 9 kHz, where seating takes most of the tolerance.
var voicing = []bell{{70, 0.95, 1.1}, {230, -0.55, 0.6}, {630, 0.5, 0.5}, {3600, -0.8, 0.5}, {14000, -0.6, 0.4}}

// RigField returns the simulated rig's own diffuse-field response in dB, in 256
// points from 15 Hz to 23 kHz. Levels are rounded to 0.01 dB, frequencies to
// 0.01 Hz, so that a file holds the same numbers.
func RigField() band.Curve {
	const points = 256
	hz := logarithmic(15, 23000, points)
	c := band.Curve{Hz: hz, DB: make([]float64, points)}
	for i := range hz {
		hz[i] = decimals(hz[i], 2)
		c.DB[i] = decimals(sum(rigField, hz[i]), 2)
	}
	return c
}

// logarithmic returns n frequencies in equal ratios from low to high Hz.
func logarithmic(low, high float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = low * math.Pow(high/low, float64(i)/float64(n-1))
	}
	out[n-1] = high
	return out
}
