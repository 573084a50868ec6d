package sim

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"alike/internal/curve"
	"alike/spc/band"
)

// A SecondRig stands beside the story's own and reads otherwise. What it does to a take
// is no fault of the unit.
type SecondRig struct {
	Name string
	// Above is how far it reads above the first rig, in dB over frequency in Hz, per ear
	// in the order of Channels; straight over log-frequency, level beyond the ends.
	Above [2]band.Curve
	// Scatter is how far units differ in that, since each sits on another ear in its own
	// way: the standard deviation of a level, and of a slope from 20 Hz to 20 kHz, in dB.
	Scatter float64
}

// UsualSecondRig differs from the first as another ear and another coupler would
// (invented): more bass, a dip at 3 kHz, and another top octave on each ear.
func UsualSecondRig() SecondRig {
	hz := []float64{20, 80, 200, 1000, 3000, 6000, 16000}
	return SecondRig{Name: "rig-2", Scatter: 0.05, Above: [2]band.Curve{
		{Hz: hz, DB: []float64{1.2, 0.8, 0.3, 0, -0.7, 0.5, 1.6}},
		{Hz: hz, DB: []float64{1.0, 0.7, 0.3, 0.1, -0.6, 0.6, 1.1}},
	}}
}

// Read returns a take of the first rig as this one would have read it.
func (r SecondRig) Read(t curve.Take) curve.Take {
	ear := slices.Index(Channels, t.Channel)
	if ear < 0 {
		panic("sim: a take of channel " + t.Channel)
	}
	h := fnv.New64a()
	fmt.Fprint(h, r.Name, "\x00", t.Serial, "\x00", t.Channel)
	rng := rand.New(rand.NewPCG(h.Sum64(), 1))
	level, slope := r.Scatter*rng.NormFloat64(), r.Scatter*rng.NormFloat64()
	t.Station = r.Name
	t.Curve.DB = slices.Clone(t.Curve.DB)
	for i, f := range t.Curve.Hz {
		across := math.Log10(f/20)/3 - 0.5 // from -0.5 at 20 Hz to 0.5 at 20 kHz
		t.Curve.DB[i] = decimals(t.Curve.DB[i]+between(r.Above[ear], f)+level+slope*across, dbDigits)
	}
	return t
}

// between reads a curve at a frequency, level beyond its ends.
func between(c band.Curve, hz float64) float64 {
	n := len(c.Hz)
	switch {
	case n == 0:
		return 0
	case hz <= c.Hz[0]:
		return c.DB[0]
	case hz >= c.Hz[n-1]:
		return c.DB[n-1]
	}
	db, _ := c.At(hz)
	return db
}

// GoodTakes returns the takes of one visit of the n-th good unit from beside the story's
// lots, with nothing wrong with it, at a moment.
func (s *Story) GoodTakes(n int, lot string, at time.Time) []curve.Take {
	u := s.Product.Draw(Key{s.Options.Seed, -2, n})
	var out []curve.Take
	for seating := 1; seating <= Seatings; seating++ {
		for ch, channel := range Channels {
			when := at.Add(time.Duration(seating-1)*seatTime + time.Duration(ch)*channelTime)
			t := curve.Take{Curve: u.Curve(ch, 1, seating)}
			t.Identity = curve.Identity{
				Product: s.Product.Code, Lot: lot, Serial: fmt.Sprintf("GOOD-%04d", n), Channel: channel, Seating: seating,
				Station: Station, Operator: Operators[n%len(Operators)], MeasuredAt: when,
			}
			out = append(out, t)
		}
	}
	return out
}

// StudySerial returns the serial of the n-th unit that is kept for studies, from 1.
func StudySerial(n int) string { return fmt.Sprintf("TB40-ST%d", n) }

// StudyTakes returns the takes of one run of a study on the first rig: both channels of
// the n-th unit at a trial, by an operator. Each operator seats a little in a way of their
// own: the pads of one seal better than those of another.
func (s *Story) StudyTakes(study string, n int, operator string, trial int, at time.Time) []curve.Take {
	u := s.Product.Draw(Key{s.Options.Seed, -3, n})
	who := slices.Index(Operators, operator)
	seal := []float64{1, 1.1, 0.93}[max(0, who)%3]
	var out []curve.Take
	for ch, channel := range Channels {
		when := at.Add(time.Duration(ch) * channelTime)
		t := curve.Take{Curve: u.Curve(ch, 10+who, trial, func(_ int, p Params) Params { p.Rl *= seal; return p })}
		t.Identity = curve.Identity{
			Product: s.Product.Code, Lot: study, Serial: StudySerial(n), Channel: channel, Seating: trial,
			Station: Station, Operator: operator, MeasuredAt: when,
		}
		out = append(out, t)
	}
	return out
}
