package sim

import "math"

// A Slit is a leak with straight walls; width, gap and depth in m. Air flows
// along the depth, through an opening of width times gap.
type Slit struct {
	Width, Gap, Depth float64
}

// Impedance returns the slit's acoustic resistance in Pa·s/m³ and mass in kg/m⁴:
// laminar flow between parallel plates, 12µl/(wg³) and 1.2ρl/(wg).
func (s Slit) Impedance() (r, m float64) {
	r = 12 * viscosity * s.Depth / (s.Width * math.Pow(s.Gap, 3))
	m = 1.2 * density * s.Depth / (s.Width * s.Gap)
	return r, m
}

// PadLeak opens a slit between pad and head beside the leak every good pad has.
// A gap from the cup's front to the open air does the same.
func (p Params) PadLeak(s Slit) Params {
	r, m := s.Impedance()
	rl := 1 / (1/p.Rl + 1/r)
	p.Ml = rl * rl * (p.Ml/(p.Rl*p.Rl) + m/(r*r))
	p.Rl = rl
	return p
}

// GlueGap opens a slit in the seam between front and rear of the driver. It
// stands in for any gap there before.
func (p Params) GlueGap(s Slit) Params {
	p.Rg, p.Mg = s.Impedance()
	return p
}

// FoamDense puts in a front foam of another, denser sheet.
func (p Params) FoamDense() Params {
	p.Rf *= 1.8
	p.Mf *= 1.2
	return p
}

// FoamMissing leaves the front foam out: what remains is the driver's grille.
func (p Params) FoamMissing() Params {
	p.Rf, p.Mf = 3e4, 2
	return p
}

// PlateMissing leaves out the tuning plate of the rear port.
func (p Params) PlateMissing() Params {
	p.Rpl, p.Mpl = 0, 0
	return p
}

// ScaleFs changes the bare driver's resonance by a softer or stiffer suspension;
// the moving mass stays.
func (p Params) ScaleFs(factor float64) Params {
	p.Fs *= factor
	return p
}

// ScaleBl changes the force factor: a weaker magnet or a coil out of the gap.
func (p Params) ScaleBl(factor float64) Params {
	p.Bl *= factor
	return p
}

// ScaleMms changes the moving mass, as glue on the cone does; the suspension
// stays, so that the resonance moves too.
func (p Params) ScaleMms(factor float64) Params {
	p.Mms *= factor
	p.Fs /= math.Sqrt(factor)
	return p
}

// MeshBlocked closes a fraction, from 0 to below 1, of the rear mesh's area.
func (p Params) MeshBlocked(fraction float64) Params {
	p.Rm /= 1 - fraction
	p.Mp /= 1 - fraction
	return p
}

// MeshMissing leaves out the rear mesh.
func (p Params) MeshMissing() Params {
	p.Rm = 1e4
	return p
}

// ScaleV2 changes the volume between foam and ear.
func (p Params) ScaleV2(factor float64) Params {
	p.V2 *= factor
	return p
}
