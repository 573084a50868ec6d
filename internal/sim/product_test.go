package sim

import (
	"math"
	"testing"

	"alike/spc/band"
)

// levels returns the band levels of a curve, all covered.
func levels(t *testing.T, p *Product, c band.Curve) []float64 {
	t.Helper()
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	out := make([]float64, 0, 31)
	for i, l := range band.Levels(c, p.Bands()) {
		if !l.Covered || l.Sparse {
			t.Fatalf("band %s: covered %v, sparse %v", p.Bands()[i].Label(), l.Covered, l.Sparse)
		}
		out = append(out, l.DB)
	}
	return out
}

// reading anchors band levels and subtracts the product's target.
func reading(t *testing.T, p *Product, level []float64) band.Reading {
	t.Helper()
	bands := p.Bands()
	target, anchor := make([]float64, len(bands)), make([]bool, len(bands))
	for i, l := range p.Target.Levels(bands) {
		target[i] = l.DB
		anchor[i] = bands[i].Nominal() >= p.Anchor[0] && bands[i].Nominal() <= p.Anchor[1]
	}
	r, err := band.Read(bands, level, target, anchor)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// place returns the index of a band by its label.
func place(t *testing.T, p *Product, label string) int {
	t.Helper()
	for i, b := range p.Bands() {
		if b.Label() == label {
			return i
		}
	}
	t.Fatalf("no band %s", label)
	return 0
}

func within(t *testing.T, what string, got, low, high float64) {
	t.Helper()
	if !(got >= low && got <= high) {
		t.Errorf("%s: %.4g is not from %g to %g", what, got, low, high)
	}
}

func TestTakeCoversAllBands(t *testing.T) {
	p := TB40()
	if n := len(p.Bands()); n != 31 {
		t.Fatalf("product has %d bands", n)
	}
	c := p.measure(p.Cups[right], modes)
	if n := len(c.Hz); n != 480 {
		t.Errorf("take has %d points", n)
	}
	levels(t, p, c)
}

func TestDesignMeetsItsTarget(t *testing.T) {
	p := TB40()
	for ch, cup := range p.Cups {
		level := levels(t, p, p.measure(cup, modes))
		for i, d := range reading(t, p, level).Deviation {
			within(t, Channels[ch]+" deviation at "+p.Bands()[i].Label(), d, -1.5, 1.5)
		}
		within(t, Channels[ch]+" level at 1 kHz", level[place(t, p, "1k")], 108, 110)
	}
	for _, f := range p.grid {
		within(t, "voicing", sum(voicing, f), -1.2, 1.2)
	}
	// The right cup is the design, and modes as drawn are part of it.
	c := p.measure(p.Cups[right], modes)
	for i, f := range p.grid {
		within(t, "right cup against the design curve", c.DB[i]-p.Design(f), -1e-9, 1e-9)
	}
}

func TestCupsDifferOnPurpose(t *testing.T) {
	p := TB40()
	l, r := levels(t, p, p.measure(p.Cups[left], modes)), levels(t, p, p.measure(p.Cups[right], modes))
	diff := func(label string) float64 { i := place(t, p, label); return l[i] - r[i] }
	within(t, "balance at 500 Hz", diff("500"), 0.6, 1)
	within(t, "balance at 800 Hz", diff("800"), -1, -0.6)
	within(t, "balance at 100 Hz", diff("100"), -0.1, 0.1)
	within(t, "balance at 4 kHz", diff("4k"), -0.1, 0.1)
}

func TestRigField(t *testing.T) {
	c := RigField()
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	most := 0
	for i := range c.Hz {
		if c.DB[i] > c.DB[most] {
			most = i
		}
	}
	within(t, "peak in dB", c.DB[most], 13, 14)
	within(t, "peak in Hz", c.Hz[most], 2500, 2900)
	within(t, "lowest frequency", c.Hz[0], 15, 15)
	within(t, "highest frequency", c.Hz[len(c.Hz)-1], 23000, 23000)
	within(t, "level at 15 Hz", c.DB[0], 0, 0)
}

// TestSignatures gives the product two nominal cups, for which faults.csv holds
// the change at mid-bands; a band's mean differs a little from its middle.
func TestSignatures(t *testing.T) {
	_, rows := table(t, "faults.csv")
	p := TB40()
	p.Cups = [2]Params{Nominal(), Nominal()}
	checked := 0
	for _, s := range p.Signatures() {
		name, ok := map[string]string{
			"pad-leak": "pad leak, small", "foam-dense": "foam dense", "foam-missing": "foam missing",
			"plate-missing": "plate missing", "mesh-blocked": "mesh 40 % blocked", "mesh-missing": "mesh missing",
			"sensitivity-low": "Bl -10 %", "cone-heavy": "Mms +10 %",
		}[s.Key]
		if !ok {
			continue
		}
		checked++
		tol := 0.12
		if s.Key == "mesh-missing" {
			tol = 0.25 // steep between 630 and 1000 Hz
		}
		for i, r := range rows {
			near(t, s.Key+" at "+r["hz"], s.DB[i], r[name], tol)
		}
	}
	if checked != 8 {
		t.Errorf("checked %d signatures", checked)
	}
	for _, s := range TB40().Signatures() {
		if len(s.DB) != 31 || s.Words == "" || s.Check == "" {
			t.Errorf("%s: incomplete: %+v", s.Key, s)
		}
		if s.Key == "glue-gap" {
			// Between the table's gaps of 0.35 and 0.7 mm.
			within(t, "glue gap at 20 Hz", s.DB[0], -6.89, -1.16)
			within(t, "glue gap at 1 kHz", s.DB[17], -0.92, -0.5)
		}
	}
}

func TestModes(t *testing.T) {
	// A mode has its full level at its frequency and half of it, in dB, where
	// Q (f/f0 - f0/f) = 1, which for Q = 4 is sqrt(1 + 1/64) ± 1/8.
	m := []mode{{1000, 2}}
	for _, x := range []struct{ hz, db float64 }{
		{1000, 2}, {1000 * (math.Sqrt(1+1.0/64) + 1.0/8), 1}, {1000 * (math.Sqrt(1+1.0/64) - 1.0/8), 1},
	} {
		within(t, "mode", resonances(x.hz, m), x.db-1e-12, x.db+1e-12)
	}
}
