package sim

import (
	"math"
	"math/rand/v2"

	"alike/spc/band"
)

// A Spread says how far pieces differ: standard deviations of the logarithm,
// which is to say relative, unless dB is said. All are common practice without
// a source.
type Spread struct {
	// Between units of one batch. Drivers are paired at the workshop: Bl is the
	// spread of one driver, Pair that of left minus right within a unit, which
	// for two drivers picked at random would be Bl times the root of two.
	Bl, Pair                   float64 // dB
	Fs, Mms, Re                float64
	Rf, Rm, Mp, Mpl, Rpl       float64
	V2, V3, Rl                 float64
	ModeHz                     float64
	ModeDB                     float64 // dB
	SeatRl, SeatV2, SeatRw     float64 // between seatings of one unit
	SeatModeHz                 float64
	SeatModeDB                 float64 // dB
	Noise, NoiseLow, NoiseKnee float64 // of one point, dB: everywhere; more at low frequency; below about, Hz
}

func usual() Spread {
	return Spread{
		Bl: 0.35, Pair: 0.15,
		Fs: 0.04, Mms: 0.02, Re: 0.015,
		Rf: 0.10, Rm: 0.07, Mp: 0.03, Mpl: 0.04, Rpl: 0.05,
		V2: 0.02, V3: 0.01, Rl: 0.15,
		ModeHz: 0.015, ModeDB: 0.6,
		SeatRl: 0.25, SeatV2: 0.025, SeatRw: 0.04,
		SeatModeHz: 0.015, SeatModeDB: 0.8,
		Noise: 0.02, NoiseLow: 0.1, NoiseKnee: 40,
	}
}

// A Key names the random streams of one unit.
type Key struct {
	Seed      uint64
	Lot, Unit int
}

// Streams of a unit; a stream of a seating adds channel, attempt and seating.
const (
	streamPair = iota
	streamCup
	streamSeat
	streamClock
)

// stream returns the generator of one purpose. Mixing every part of the key, one
// after the other, keeps streams apart whatever the parts are (the finaliser is
// that of SplitMix64, Steele, Lea and Flood 2014, from memory).
func (k Key) stream(parts ...int) *rand.Rand {
	mix := func(x uint64) uint64 {
		x += 0x9e3779b97f4a7c15
		x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
		x = (x ^ x>>27) * 0x94d049bb133111eb
		return x ^ x>>31
	}
	h := mix(k.Seed)
	for _, v := range append([]int{k.Lot, k.Unit}, parts...) {
		h = mix(h ^ uint64(v))
	}
	return rand.New(rand.NewPCG(h, mix(h)))
}

// A Change alters the parts of one channel, given by its index in Channels.
type Change func(channel int, p Params) Params

// A Unit is one headphone: two cups with their own parts.
type Unit struct {
	Cups [2]Params

	// Reversed channels have the driver's wires exchanged: phase turns by 180°.
	Reversed [2]bool

	// Swapped units have left and right exchanged at final assembly: each cup is
	// measured under the other channel's name.
	Swapped bool

	product *Product
	key     Key
	modes   [2][]mode
}

// Draw builds the unit of a key: parts drawn around the design's, then the
// changes of batches and faults, in order.
func (p *Product) Draw(k Key, changes ...Change) *Unit {
	u := &Unit{product: p, key: k}
	s := p.Spread
	common := math.Sqrt(s.Bl*s.Bl-s.Pair*s.Pair/2) * k.stream(streamPair).NormFloat64()
	for ch := range u.Cups {
		r := k.stream(streamCup, ch)
		bl := common + s.Pair/math.Sqrt2*r.NormFloat64()
		cup := p.Cups[ch].ScaleBl(math.Pow(10, bl/20))
		for _, part := range []struct {
			value  *float64
			spread float64
		}{
			{&cup.Fs, s.Fs}, {&cup.Mms, s.Mms}, {&cup.Re, s.Re},
			{&cup.Rf, s.Rf}, {&cup.Rm, s.Rm}, {&cup.Mp, s.Mp}, {&cup.Mpl, s.Mpl}, {&cup.Rpl, s.Rpl},
			{&cup.V2, s.V2}, {&cup.V3, s.V3}, {&cup.Rl, s.Rl},
		} {
			*part.value *= math.Exp(part.spread * r.NormFloat64())
		}
		u.modes[ch] = shake(r, modes, s.ModeHz, s.ModeDB)
		for _, change := range changes {
			cup = change(ch, cup)
		}
		u.Cups[ch] = cup
	}
	return u
}

func shake(r *rand.Rand, modes []mode, hz, db float64) []mode {
	out := make([]mode, len(modes))
	for i, m := range modes {
		out[i] = mode{m.hz * math.Exp(hz*r.NormFloat64()), m.db + db*r.NormFloat64()}
	}
	return out
}

// Curve measures one channel at one seating of one attempt, both from 1: level
// in dB SPL at Drive, phase in degrees. The changes act at this seating only.
// Pad leak, ear volume and modes differ from seat to seat; the rest of the unit
// does not. Levels and phases are rounded to 0.001, as the rig exports them, so
// that a file holds the same numbers. Curves share the slice of frequencies: do not write into it.
func (u *Unit) Curve(channel, attempt, seating int, changes ...Change) band.Curve {
	ch := channel
	if u.Swapped {
		ch = 1 - channel
	}
	s := u.product.Spread
	r := u.key.stream(streamSeat, channel, attempt, seating)
	cup := u.Cups[ch]
	cup.Rl *= math.Exp(s.SeatRl * r.NormFloat64())
	cup.V2 *= math.Exp(s.SeatV2 * r.NormFloat64())
	cup.Rw *= math.Exp(s.SeatRw * r.NormFloat64())
	for _, change := range changes {
		cup = change(channel, cup)
	}
	c := u.product.measure(cup, shake(r, u.modes[ch], s.SeatModeHz, s.SeatModeDB))
	for i, f := range c.Hz {
		// The room's noise rises below the knee, as a fourth-order slope.
		k := f / s.NoiseKnee
		c.DB[i] = decimals(c.DB[i]+(s.Noise+s.NoiseLow/(1+k*k*k*k))*r.NormFloat64(), dbDigits)
		if u.Reversed[ch] {
			c.Phase[i] = turned(c.Phase[i])
		}
		c.Phase[i] = decimals(c.Phase[i], dbDigits)
	}
	return c
}

// decimals returns x rounded to n decimals: the number that a text with as many
// reads back as.
func decimals(x float64, n int) float64 {
	scale := math.Pow10(n)
	return math.Round(x*scale) / scale
}

// turned returns a phase in degrees half a turn on, above -180 and up to 180.
func turned(deg float64) float64 {
	if deg > 0 {
		return deg - 180
	}
	return deg + 180
}
