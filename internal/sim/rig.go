package sim

import (
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/curve"
)

// Kinds of drift of a rig.
const (
	DriftMicrophone = "microphone" // loses sensitivity, alike at all frequencies
	DriftCoupler    = "coupler"    // a worn pad seat: the leak grows, the bass falls
)

// A Drift is how the rig itself changes while the story goes on. What it does to a
// take is no fault of the unit.
type Drift struct {
	Kind    string
	Ear     string    // left or right; empty for both
	From    time.Time // before it nothing changes
	PerWeek float64   // microphone: dB of sensitivity lost; coupler: mm of leak gap gained
}

func (d Drift) check() error {
	switch {
	case d.Kind != DriftMicrophone && d.Kind != DriftCoupler:
		return fmt.Errorf("drift %q is not %s or %s", d.Kind, DriftMicrophone, DriftCoupler)
	case d.Ear != "" && !slices.Contains(Channels, d.Ear):
		return fmt.Errorf("drift of ear %q: use left, right, or nothing for both", d.Ear)
	case math.IsNaN(d.PerWeek) || math.Abs(d.PerWeek) > 10:
		return fmt.Errorf("drift of %v per week is not plausible", d.PerWeek)
	}
	return nil
}

// on returns how far a drift has gone for an ear at a moment, in its unit.
func (d Drift) on(ear string, at time.Time) float64 {
	if d.Ear != "" && d.Ear != ear || at.Before(d.From) {
		return 0
	}
	return d.PerWeek * at.Sub(d.From).Hours() / (24 * 7)
}

// couplerSlit is the leak of a worn pad seat at a gap in mm: as wide as a finger.
func couplerSlit(mm float64) Slit { return Slit{Width: 20e-3, Gap: mm * 1e-3, Depth: 10e-3} }

// measure takes a unit's curve as the story's rig reads it at a moment.
func (s *Story) measure(u *Unit, channel, attempt, seating int, at time.Time, changes []Change) curve.Take {
	ear := Channels[channel]
	loss := 0.0
	changes = slices.Clone(changes)
	for _, d := range s.Options.Drifts {
		x := d.on(ear, at)
		switch {
		case x <= 0:
		case d.Kind == DriftMicrophone:
			loss += x
		default:
			changes = append(changes, on(channel, func(p Params) Params { return p.PadLeak(couplerSlit(x)) }))
		}
	}
	t := curve.Take{Curve: u.Curve(channel, attempt, seating, changes...)}
	if loss != 0 {
		for i := range t.Curve.DB {
			t.Curve.DB[i] = decimals(t.Curve.DB[i]-loss, dbDigits)
		}
	}
	return t
}

// ReferenceSerial returns the serial of the n-th reference unit, from 1.
func ReferenceSerial(n int) string { return fmt.Sprintf("TB40-REF%d", n) }

// CheckTakes returns the takes of a visit of the n-th reference unit to the rig at a
// moment. A turned unit sits left on right: the channel is then the ear, and the
// reason says so. Reference units do not age.
func (s *Story) CheckTakes(n int, at time.Time, turned bool) []curve.Take {
	u := *s.Product.Draw(Key{s.Options.Seed, -1, n})
	u.Swapped = turned
	visit := int(at.Sub(s.monday) / time.Minute) // seats it anew each time
	var out []curve.Take
	for seating := 1; seating <= Seatings; seating++ {
		for ch, channel := range Channels {
			when := at.Add(time.Duration(seating-1)*seatTime + time.Duration(ch)*channelTime)
			t := s.measure(&u, ch, visit, seating, when, nil)
			t.Identity = curve.Identity{
				Product: s.Product.Code, Serial: ReferenceSerial(n), Channel: channel, Seating: seating,
				Station: Station, Operator: Operators[(visit%len(Operators)+len(Operators))%len(Operators)], MeasuredAt: when,
			}
			if turned {
				t.Reason = "turned"
			}
			out = append(out, t)
		}
	}
	return out
}
