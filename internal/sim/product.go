package sim

import (
	"math"

	"alike/spc/band"
)

// Channels of the product, in the order of Product.Cups.
var Channels = []string{"left", "right"}

const (
	left  = 0
	right = 1
)

// A Product is a design: what it should sound like, what it is built of, and how
// much the parts differ from one piece to the next. Make one with TB40; treat it
// as read-only, since it holds sums over the measuring grid.
type Product struct {
	Code, Revision, Name string

	Fraction int        // bands are 1/Fraction octave
	Range    [2]float64 // lowest and highest nominal band, Hz
	Anchor   [2]float64 // lowest and highest nominal anchor band, Hz
	Target   band.Target

	// Mask is a limit for the anchored deviation of the mean over seatings, and
	// Balance, in dB, one for left minus right from 100 Hz to 4 kHz.
	Mask    []MaskPoint
	Balance float64

	Cups   [2]Params // by index in Channels
	Spread Spread

	grid []float64 // frequencies of a take, Hz
	// plain is what to add to 20 lg|p| and the modes of a cup at each frequency
	// so that the right cup, as drawn, has the design curve.
	plain []float64
}

// A MaskPoint is a corner of a limit that is straight in dB over log-frequency
// between its corners: the deviation must stay from Lower to Upper dB.
type MaskPoint struct {
	Hz, Lower, Upper float64
}

// A take's frequencies: the edges of the bands 20 Hz and 20 kHz, 17.78 Hz and
// 22387 Hz, lie inside, so that all 31 third-octave bands are whole.
const (
	takePoints = 480
	takeLow    = 17.5
	takeHigh   = 22500
)

// loudness is the design's level in dB SPL above its target, which gives 109 dB
// at 1 kHz at the ear.
const loudness = 109.5

// TB40 returns the workshop's product: a closed over-ear unit. The right cup is
// the plain one. The left carries the cable socket, which takes 3 % of the rear
// volume and leaves room for a shorter port only. On every good unit the left is
// therefore about 0.8 dB louder at 500 Hz and 0.7 dB softer at 800 Hz, so that
// exchanged channels show in the balance.
func TB40() *Product {
	plain := Nominal()
	plain.Rm, plain.Rpl, plain.Mpl = 100000, 90000, 65
	socket := plain
	socket.V3 *= 0.97
	socket.Mp *= 0.4
	p := &Product{
		Code: "tb40", Revision: "C", Name: "TB40 closed over-ear",
		Fraction: 3, Range: [2]float64{20, 20000}, Anchor: [2]float64{500, 2000},
		Target: band.Target{Curve: RigField(), Tilt: band.HouseTilt},
		Mask: []MaskPoint{
			{25, -5, 5}, {100, -3, 3}, {8000, -3, 3}, {14000, -5, 5},
		},
		Balance: 2,
		Cups:    [2]Params{left: socket, right: plain},
		Spread:  usual(),
		grid:    logarithmic(takeLow, takeHigh, takePoints),
	}
	for i := range p.grid {
		p.grid[i] = decimals(p.grid[i], hzDigits)
	}
	p.plain = make([]float64, len(p.grid))
	for i, f := range p.grid {
		p.plain[i] = p.Design(f) - plain.Response(f).SPL() - resonances(f, modes)
	}
	return p
}

// Design returns the design curve in dB SPL at f Hz: target and voicing at the
// drive of the rig.
func (p *Product) Design(f float64) float64 {
	return loudness + sum(rigField, f) + p.Target.Tilt.At(f) + sum(voicing, f)
}

// Bands returns the product's bands in rising order.
func (p *Product) Bands() []band.Band {
	bands, err := band.Between(p.Fraction, p.Range[0], p.Range[1])
	if err != nil {
		panic("sim: " + err.Error())
	}
	return bands
}

// measure returns the noiseless take of a cup with the given modes.
func (p *Product) measure(cup Params, modes []mode) band.Curve {
	c := band.Curve{
		Hz:    p.grid,
		DB:    make([]float64, len(p.grid)),
		Phase: make([]float64, len(p.grid)),
	}
	for i, f := range p.grid {
		r := cup.Response(f)
		c.DB[i] = r.SPL() + p.plain[i] + resonances(f, modes)
		c.Phase[i] = phase(r.P)
	}
	return c
}

// A mode is a resonance of cup, pad and ear cavity that the lumped model lacks.
type mode struct {
	hz, db float64
}

// modes as drawn; modeQ is their sharpness.
var modes = []mode{{5500, 2}, {8800, -3}, {13000, 2}}

const modeQ = 4

// resonances returns the sum of the modes in dB at f.
func resonances(f float64, modes []mode) float64 {
	s := 0.0
	for _, m := range modes {
		u := modeQ * (f/m.hz - m.hz/f)
		s += m.db / (1 + u*u)
	}
	return s
}

// phase returns the argument of p in degrees, above -180 and up to 180.
func phase(p complex128) float64 {
	return math.Atan2(imag(p), real(p)) * 180 / math.Pi
}
