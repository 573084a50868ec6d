package envelope

import (
	"fmt"
	"math"
)

// Levels by which plausibility is judged before any statistics (common practice,
// no source): a channel this far below what the product should give is dead or
// weak, whatever its shape.
const (
	Dead = 20.0 // dB below nominal: no sound
	Weak = 6.0  // dB below nominal: broken cable, plug, or driver
)

// Plausible looks for a dead, weak or far too loud channel, before bands are
// judged: a cut cable is one sentence, not thirty failing bands. Nominal is the
// product's sensitivity in dB SPL; when it is NaN channels are held against the
// loudest one. It returns nil, or one Result per channel at fault with its Word
// Fail and Value the sensitivity.
func Plausible(channels []Channel, nominal float64) []Result {
	if math.IsNaN(nominal) {
		for _, c := range channels {
			if math.IsNaN(nominal) || c.Sensitivity > nominal {
				nominal = c.Sensitivity
			}
		}
	}
	var out []Result
	for _, c := range channels {
		r := Result{Quantity: Level, Channel: c.Name, Band: -1, Value: c.Sensitivity, Word: Fail}
		switch {
		case c.Sensitivity < nominal-Weak:
			r.Limit, r.Margin = nominal-Weak, c.Sensitivity-(nominal-Weak)
		case c.Sensitivity > nominal+Weak:
			r.Limit, r.Over, r.Margin = nominal+Weak, true, nominal+Weak-c.Sensitivity
		default:
			continue
		}
		out = append(out, r)
	}
	return out
}

// LevelText says an implausible level in words.
func LevelText(r Result) string {
	switch {
	case r.Over:
		return fmt.Sprintf("%s is %.0f dB louder than the product can be: check the drive level and the rig's calibration", r.Channel, Weak-r.Margin)
	case r.Margin < Weak-Dead:
		return fmt.Sprintf("no sound on the %s: check the cable, the plug and the driver's solder joints", r.Channel)
	}
	return fmt.Sprintf("%s is weak, %.0f dB below the product's level: check the cable, the plug and the driver", r.Channel, Weak-r.Margin)
}

// Opposed reports whether two channels' phases, in degrees at the same
// frequencies, say that one of them is reversed: the mean of the phase difference
// on the unit circle points to the other side. It is only asked between low and
// high Hz, where both channels move together; ok is false when either phase is
// missing or the difference has no clear direction.
func Opposed(hz, left, right []float64, low, high float64) (opposed, ok bool) {
	if left == nil || right == nil {
		return false, false
	}
	var c, s, n float64
	for i, f := range hz {
		if f >= low && f <= high {
			d := (left[i] - right[i]) * math.Pi / 180
			c, s, n = c+math.Cos(d), s+math.Sin(d), n+1
		}
	}
	// A mean vector shorter than half means that the difference turns round within
	// the range: no statement.
	if n == 0 || math.Hypot(c, s) < n/2 {
		return false, false
	}
	return c < 0, true
}
