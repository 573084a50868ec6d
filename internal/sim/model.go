package sim

import (
	"math"
	"math/cmplx"
)

// Air at 20 °C and the drive of the rig.
const (
	density   = 1.204    // kg/m³
	stiffness = 141814.6 // ρc², Pa
	viscosity = 1.82e-5  // Pa·s
	reference = 2e-5     // Pa, 0 dB SPL

	// Drive is the rms voltage, in V, at the unit's terminals.
	Drive = 0.2
)

// Params are the lumped elements of one cup on the ear, in SI units. Acoustic
// resistances and masses are per volume velocity: Pa·s/m³ and kg/m⁴.
type Params struct {
	Re  float64 // voice coil, direct current resistance, ohm
	Le  float64 // voice coil inductance, H
	Bl  float64 // force factor, T·m
	Mms float64 // moving mass, kg
	Fs  float64 // resonance of the bare driver, Hz
	Rms float64 // mechanical loss, N·s/m
	Sd  float64 // diaphragm area, m²

	V1 float64 // volume between diaphragm and front foam, m³
	Rf float64 // front foam, resistance
	Mf float64 // front foam, mass
	V2 float64 // volume between foam and ear, m³
	Rw float64 // loss in the ear volume's walls, resistance
	Rl float64 // pad leak, resistance
	Ml float64 // pad leak, mass

	V3  float64 // rear volume, m³
	Rm  float64 // mesh over the rear port, resistance
	Mp  float64 // rear port, mass
	Rpl float64 // tuning plate, resistance
	Mpl float64 // tuning plate, mass

	Rg float64 // glue gap from front to rear, resistance; +Inf when airtight
	Mg float64 // glue gap, mass
}

// Nominal returns the parameters of the check tables in testdata: plausible,
// not measured.
func Nominal() Params {
	return Params{
		Re: 38, Le: 8e-5, Bl: 2, Mms: 8e-5, Fs: 120, Rms: 0.08, Sd: 0.00126,
		V1: 8e-7, Rf: 250000, Mf: 5, V2: 6e-5, Rw: 600000, Rl: 500000, Ml: 2000,
		V3: 1e-4, Rm: 180000, Mp: 30, Rpl: 50000, Mpl: 40,
		Rg: math.Inf(1),
	}
}

// A Response is what the model gives at one frequency, as rms phasors.
type Response struct {
	P complex128 // pressure at the ear or jig microphone, Pa
	Z complex128 // impedance at the terminals, ohm
	X complex128 // diaphragm displacement, m
}

// SPL returns the pressure's level in dB SPL.
func (r Response) SPL() float64 { return 20 * math.Log10(cmplx.Abs(r.P)/reference) }

// driver returns the mechanical and the electrical impedance of the driver.
func (p Params) driver(s complex128) (zm, ze complex128) {
	w := 2 * math.Pi * p.Fs
	// 1/Cms is w² Mms.
	zm = s*c(p.Mms) + c(p.Rms) + c(w*w*p.Mms)/s
	ze = c(p.Re) + s*c(p.Le)
	return zm, ze
}

// Response returns the finished unit on the rig at f Hz, driven with Drive. It
// is the impedance analogy of a driver between a front cavity that is closed by
// foam and ear, and a rear cavity that is vented through plate, port and mesh.
// Good to about 3 kHz; above that cavities are no longer lumps and the values
// are only plausible.
func (p Params) Response(f float64) Response {
	s := complex(0, 2*math.Pi*f)
	zm, ze := p.driver(s)
	ear := c(p.Rw) + stiffness/(s*c(p.V2))
	leak := c(p.Rl) + s*c(p.Ml)
	z2 := ear * leak / (ear + leak)
	zf := c(p.Rf) + s*c(p.Mf)
	y1 := s*c(p.V1/stiffness) + 1/(zf+z2)
	y3 := s*c(p.V3/stiffness) + 1/(c(p.Rm+p.Rpl)+s*c(p.Mp+p.Mpl))
	var yg complex128
	if !math.IsInf(p.Rg, 1) {
		yg = 1 / (c(p.Rg) + s*c(p.Mg))
	}
	d := (y1+yg)*(y3+yg) - yg*yg
	load := c(p.Sd*p.Sd) * (y3 + y1) / d
	v := (c(p.Bl*Drive) / ze) / (zm + c(p.Bl*p.Bl)/ze + load)
	p1 := c(p.Sd) * v * y3 / d
	return Response{
		P: p1 * z2 / (zf + z2),
		Z: ze + c(p.Bl*p.Bl)/(zm+load),
		X: v / s,
	}
}

// Bare returns the driver alone on the incoming jig at f Hz: in a large baffle,
// open to both sides, microphone on axis at 5 cm.
func (p Params) Bare(f float64) Response {
	const distance = 0.05
	s := complex(0, 2*math.Pi*f)
	zm, ze := p.driver(s)
	v := (c(p.Bl*Drive) / ze) / (zm + c(p.Bl*p.Bl)/ze)
	return Response{
		P: s * c(density*p.Sd/(2*math.Pi*distance)) * v,
		Z: ze + c(p.Bl*p.Bl)/zm,
		X: v / s,
	}
}

func c(x float64) complex128 { return complex(x, 0) }

// Radiation returns, in dB, the direct radiation into the ear that a cavity
// model lacks at high frequency: 10 lg(1 + (f/7000)²).
func Radiation(f float64) float64 {
	return 10 * math.Log10(1+f*f/(7000*7000))
}
