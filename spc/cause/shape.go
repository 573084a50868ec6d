// Package cause looks for the cause of a change: which part of the range moved
// together, which known faults it is made of, and what in the parts ledger and the
// record changed at the same place.
//
//	ShapeAt     the part of the range that moved, in words
//	Fits        each fault signature alone, best first
//	Mix         several signatures together, with amounts that are not negative
//	Confusable  signatures that shape does not tell apart
//	Coincide    batches, operators, machines and days ranked by a rotation test
//
// All fits work on the unanchored change of level in dB per band: anchoring would
// mirror a mid-band fault into bass and treble. A fit names what a change looks like;
// it proves nothing, and faults that are in no signature are made of others.
package cause

import (
	"fmt"
	"math"

	"alike/spc/band"
)

// A Shape is the part of the range around the worst band that moved the same way.
type Shape struct {
	From, To band.Band // first and last band of the part
	Bands    int       // bands in it
	Low      bool      // it reaches the lowest band measured
	High     bool      // it reaches the highest
	Falls    bool
}

// together is the share of the worst band's change that a neighbour must show to
// count as moving with it, and least the change in dB below which nothing counts:
// about twice the seating scatter of one band at mid frequencies.
const (
	together = 0.3
	least    = 0.3
)

// ShapeAt returns the shape of a change, in dB per band, around one band.
func ShapeAt(bands []band.Band, change []float64, at int) Shape {
	s := Shape{Falls: change[at] < 0}
	need := math.Max(together*math.Abs(change[at]), least)
	with := func(i int) bool {
		d := change[i]
		if s.Falls {
			d = -d
		}
		return i == at || d >= need
	}
	first, last := at, at
	for first > 0 && with(first-1) {
		first--
	}
	for last < len(bands)-1 && with(last+1) {
		last++
	}
	s.From, s.To, s.Bands = bands[first], bands[last], last-first+1
	s.Low = first == edge(change, 0, 1)
	s.High = last == edge(change, len(change)-1, -1)
	return s
}

// edge returns the first band from i on, in the given direction, that has a value.
func edge(change []float64, i, step int) int {
	for i >= 0 && i < len(change) && math.IsNaN(change[i]) {
		i += step
	}
	return i
}

// narrow reports whether the part is at most two thirds of an octave wide, or a single
// band.
func (s Shape) narrow() bool { return s.Bands <= max(1, 2*s.From.Fraction/3) }

// Words says what moved, as a clause: "everything up to 125 Hz falls together".
func (s Shape) Words() string {
	verb := "rises"
	if s.Falls {
		verb = "falls"
	}
	switch {
	case s.Low && s.High:
		return "the whole range " + verb + " together"
	case s.narrow():
		return fmt.Sprintf("only the range around %s %s", s.From.Name(), verb)
	case s.Low:
		return fmt.Sprintf("everything up to %s %s together", s.To.Name(), verb)
	case s.High:
		return fmt.Sprintf("everything from %s up %s together", s.From.Name(), verb)
	}
	return fmt.Sprintf("%s to %s %s together", s.From.Name(), s.To.Name(), verb)
}

// Check says what to look at first, as a clause: "check the pad and glue seal". It
// follows the lumped model of a closed cup: a leak takes bass and leaves treble, a
// dense foam takes the range from 400 Hz to 4 kHz, glue on the cone takes treble, a
// mesh or tuning plate shows around 500 Hz to 1 kHz, a weak driver shows everywhere.
func (s Shape) Check() string {
	switch {
	case s.Low && s.High:
		return "check the driver and the drive level"
	case s.narrow():
		return "check the seating, then mesh and tuning plate"
	case s.Low && s.Falls && s.To.Mid() <= band.Reference:
		return "check the pad and glue seal"
	case s.Low:
		return "check foam and mesh"
	case s.High && s.From.Mid() >= band.Reference:
		return "check the foam, and the driver for glue on its cone"
	}
	return "check foam, mesh and tuning plate"
}
