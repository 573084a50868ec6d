package band

import (
	"errors"
	"math"
)

// A Reading is what one channel's band levels say about the unit. Slices run over
// the bands; a band that was not covered, by take or by target, is NaN.
type Reading struct {
	Deviation   []float64 // level - target - anchor offset, dB
	Offset      float64   // mean of level - target over the anchor bands, dB
	Sensitivity float64   // mean level over the anchor bands, dB SPL
	Roughness   float64   // RMS of Deviation over the bands present, dB
	Tilt        float64   // least-squares slope of Deviation, dB per octave (factor 2)
}

// ErrNoAnchor means that no anchor band is covered by both take and target.
var ErrNoAnchor = errors.New("the curve covers no band of the anchor range: measure from below it to above it")

// Read compares band levels with the target's, both in dB over the same bands.
// The offset that makes the anchor bands agree on average (arithmetic mean of dB)
// is taken out of the deviation, and kept: anchoring hides a change of
// sensitivity and mirrors a fault inside the anchor range into all other bands,
// so Offset and Sensitivity belong beside the deviation wherever it is shown.
// Roughness and tilt leave out NaN bands; tilt is NaN below two of them.
func Read(bands []Band, level, target []float64, anchor []bool) (Reading, error) {
	if len(level) != len(bands) || len(target) != len(bands) || len(anchor) != len(bands) {
		panic("band: levels, target, anchor and bands differ in length")
	}
	var offset, sens float64
	n := 0
	for i := range bands {
		if d := level[i] - target[i]; anchor[i] && !math.IsNaN(d) {
			offset += d
			sens += level[i]
			n++
		}
	}
	if n == 0 {
		return Reading{}, ErrNoAnchor
	}
	r := Reading{
		Deviation:   make([]float64, len(bands)),
		Offset:      offset / float64(n),
		Sensitivity: sens / float64(n),
	}
	for i := range bands {
		r.Deviation[i] = level[i] - target[i] - r.Offset
	}
	r.Roughness, r.Tilt = shape(bands, r.Deviation)
	return r, nil
}

// shape returns the RMS and the slope per octave of a deviation.
func shape(bands []Band, dev []float64) (rms, slope float64) {
	var n, ss, sx, sy float64
	for i, d := range dev {
		if !math.IsNaN(d) {
			n++
			ss += d * d
			sx += math.Log2(bands[i].Mid())
			sy += d
		}
	}
	var sxx, sxy float64
	for i, d := range dev {
		if !math.IsNaN(d) {
			x := math.Log2(bands[i].Mid()) - sx/n
			sxx += x * x
			sxy += x * (d - sy/n)
		}
	}
	if n < 2 {
		return math.Sqrt(ss / n), math.NaN()
	}
	return math.Sqrt(ss / n), sxy / sxx
}

// Average returns the arithmetic mean in dB, band by band, of several seatings.
// Averaging dB, not power, keeps differences additive and does not let the
// best-sealed seat count more. A band is NaN when any seating lacks it: a mean
// over fewer seatings would not be comparable.
func Average(seatings [][]float64) []float64 {
	if len(seatings) == 0 {
		return nil
	}
	out := make([]float64, len(seatings[0]))
	for i := range out {
		for _, s := range seatings {
			out[i] += s[i]
		}
		out[i] /= float64(len(seatings))
	}
	return out
}
