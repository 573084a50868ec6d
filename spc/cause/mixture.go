package cause

import (
	"math"
	"slices"
)

// A Part is what one signature has in a change.
type Part struct {
	Signature
	Amount float64 // times the signature's stated size
	Share  float64 // of the change's weighted sum of squares, 0 to 1; parts add up to Explained
}

// A Mixture is a change explained by several signatures at once.
type Mixture struct {
	Parts     []Part  // those above zero, largest share first
	Explained float64 // share of the weighted sum of squares, 0 to 1
	// Left is what remains of the change in dB per band, NaN where it was not used;
	// LeftAt is the band where most remains, in sd, -1 when none was used.
	Left   []float64
	LeftAt int
	Bands  int // used
	// Warnings are whole sentences.
	Warnings []string
}

// Mix explains an unanchored change in dB per band by signatures, all together, with
// amounts that are not negative, by least squares with weight 1/sd² per band (see
// NonNegative). Bands where change, sd or any shape is NaN, or sd is not positive, are
// left out.
//
// It assumes that faults add in dB and grow in proportion, which holds for small ones;
// a leak of three times its stated size has another shape and leaves a remainder.
// Signatures of like shape share an amount that no fit can divide: see Confusable.
// Noise too gets parts: read small shares as nothing.
func Mix(change, sd []float64, signatures []Signature) Mixture {
	m := Mixture{LeftAt: -1, Left: make([]float64, len(change))}
	at := usable(change, sd, signatures)
	m.Bands = len(at)
	b := make([]float64, len(at))
	columns := make([][]float64, len(signatures))
	for j := range columns {
		columns[j] = make([]float64, len(at))
	}
	whole := 0.0
	for k, i := range at {
		b[k] = change[i] / sd[i]
		whole += b[k] * b[k]
		for j, s := range signatures {
			columns[j][k] = s.Shape[i] / sd[i]
		}
	}
	for i := range m.Left {
		m.Left[i] = math.NaN()
	}
	for _, i := range at {
		m.Left[i] = change[i]
	}
	if whole > 0 {
		m.fit(columns, b, signatures, whole)
		for _, i := range at {
			for _, p := range m.Parts {
				m.Left[i] -= p.Amount * p.Shape[i]
			}
		}
	}
	most := -1.0
	for _, i := range at {
		if v := math.Abs(m.Left[i] / sd[i]); v > most {
			m.LeftAt, most = i, v
		}
	}
	return m
}

func (m *Mixture) fit(columns [][]float64, b []float64, signatures []Signature, whole float64) {
	x, rest, err := NonNegative(columns, b)
	if err != nil {
		m.Warnings = append(m.Warnings, "The signatures could not be fitted together: "+err.Error()+".")
		return
	}
	m.Explained = math.Max(0, 1-rest*rest/whole)
	for j, amount := range x {
		if amount == 0 {
			continue
		}
		// The remainder is at right angles to every part, so that the projections on the
		// change add up to the explained sum.
		share := 0.0
		for k, v := range columns[j] {
			share += amount * v * b[k] / whole
		}
		m.Parts = append(m.Parts, Part{signatures[j], amount, share})
	}
	slices.SortStableFunc(m.Parts, func(a, b Part) int {
		switch {
		case a.Share > b.Share:
			return -1
		case a.Share < b.Share:
			return 1
		}
		return 0
	})
}

// usable returns the bands that change, sd and all signatures have.
func usable(change, sd []float64, signatures []Signature) []int {
	if len(sd) != len(change) {
		panic("cause: change and sd differ in length")
	}
	var out []int
	for i, d := range change {
		ok := !math.IsNaN(d) && !math.IsInf(d, 0) && sd[i] > 0 && !math.IsInf(sd[i], 1)
		for _, s := range signatures {
			if len(s.Shape) != len(change) {
				panic("cause: signature " + s.Key + " is for other bands")
			}
			ok = ok && !math.IsNaN(s.Shape[i])
		}
		if ok {
			out = append(out, i)
		}
	}
	return out
}
