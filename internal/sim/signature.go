package sim

import (
	"alike/spc/band"
)

// A Signature is the shape that a known fault gives a cup: what it adds to each
// of the product's bands in dB, not anchored, at the size named.
type Signature struct {
	Key   string // glue-gap
	Words string // what it is, with its size
	Check string // the first thing to look at, one sentence
	DB    []float64
}

// known are the faults of the product's signatures.
var known = []struct {
	key, words, check string
	fault             func(Params) Params
}{
	{"pad-leak", "pad leaks through a gap of 20 by 0.8 mm",
		"Seat the unit again: a pad leak changes from seat to seat, then look at the pad's seam and fold.",
		func(p Params) Params { return p.PadLeak(Slit{20e-3, 0.8e-3, 15e-3}) }},
	{"glue-gap", "glue seam between driver and baffle leaks through a gap of 15 by 0.5 mm",
		"Compare the seats: a glue gap is the same at each, then look at the seam and the glue gun's nozzle.",
		func(p Params) Params { return p.GlueGap(Slit{15e-3, 0.5e-3, 3e-3}) }},
	{"foam-dense", "front foam has 1.8 times the flow resistance",
		"Look up the foam batch and try a piece of the sheet before in one unit.",
		Params.FoamDense},
	{"foam-missing", "front foam is missing",
		"Open the cup and look whether the front foam is in place.",
		Params.FoamMissing},
	{"plate-missing", "tuning plate of the rear port is missing",
		"Open the cup and look whether the tuning plate is in place.",
		Params.PlateMissing},
	{"mesh-blocked", "rear mesh is blocked over 40 % of its area",
		"Look at the rear mesh from outside for glue or paint.",
		func(p Params) Params { return p.MeshBlocked(0.4) }},
	{"mesh-missing", "rear mesh is missing or torn",
		"Look at the rear mesh from outside for a tear.",
		Params.MeshMissing},
	{"sensitivity-low", "driver has 10 % less force factor",
		"Measure the bare driver's level and impedance peak against its batch.",
		func(p Params) Params { return p.ScaleBl(0.9) }},
	{"cone-heavy", "cone is 10 % heavier",
		"Look for glue on the cone, and measure the bare driver's resonance.",
		func(p Params) Params { return p.ScaleMms(1.1) }},
}

// Signatures returns the known faults of the product, computed from the model:
// the mean over both cups, which are built a little differently.
func (p *Product) Signatures() []Signature {
	bands := p.Bands()
	var out []Signature
	for _, k := range known {
		s := Signature{Key: k.key, Words: k.words, Check: k.check, DB: make([]float64, len(bands))}
		for _, cup := range p.Cups {
			good := band.Levels(p.measure(cup, modes), bands)
			bad := band.Levels(p.measure(k.fault(cup), modes), bands)
			for i := range bands {
				s.DB[i] += (bad[i].DB - good[i].DB) / float64(len(p.Cups))
			}
		}
		out = append(out, s)
	}
	return out
}
