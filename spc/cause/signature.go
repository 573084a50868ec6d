package cause

import (
	"fmt"
	"math"
	"sort"
)

// A Signature is the known effect of one fault on a channel: the unanchored change
// of level in dB per band, at a stated size of the fault. It belongs to a product;
// the maker edits it and learns new ones from units built faulty on purpose.
type Signature struct {
	Key   string    `json:"key"`
	Words string    `json:"words"` // "glue gap behind the driver"
	Check string    `json:"check"` // first thing to look at
	Shape []float64 `json:"shape"`
}

// A Fit says how well a signature explains a change.
type Fit struct {
	Signature
	Amount    float64 // times the signature's stated size, never negative
	Explained float64 // share of the weighted sum of squares, 0 to 1
}

// Fits returns all signatures fitted one at a time to a change in dB per band, by
// least squares with weight 1/sd² per band and an amount that is not negative,
// best first. Bands where change, sd or shape is NaN, or sd is not positive, are
// left out. Anchoring would mirror a mid-band fault into bass and treble, so the
// change must be the unanchored one.
func Fits(change, sd []float64, signatures []Signature) []Fit {
	if len(sd) != len(change) {
		panic("cause: change and sd differ in length")
	}
	var out []Fit
	for _, s := range signatures {
		if len(s.Shape) != len(change) {
			panic("cause: signature " + s.Key + " is for other bands")
		}
		var dd, ds, ss float64
		for i, d := range change {
			v := s.Shape[i]
			if math.IsNaN(d) || math.IsNaN(v) || !(sd[i] > 0) {
				continue
			}
			w := 1 / (sd[i] * sd[i])
			dd, ds, ss = dd+w*d*d, ds+w*d*v, ss+w*v*v
		}
		f := Fit{Signature: s}
		if ds > 0 && ss > 0 && dd > 0 {
			f.Amount, f.Explained = ds/ss, ds*ds/(ss*dd)
		}
		out = append(out, f)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Explained > out[j].Explained })
	return out
}

// A fit below enough is no likeness; two fits closer than apart cannot be told from
// each other by shape alone (chosen on simulated faults of half to twice their
// stated size under the scatter of good units).
const (
	enough = 0.7
	apart  = 0.05
)

// Words names the fault a change looks like, as a clause, and what to check first.
// Both are empty when no signature explains enough of the change. Signatures that
// explain it almost as well are named too: shape alone does not tell them apart.
func Words(fits []Fit) (looksLike, check string) {
	if len(fits) == 0 || fits[0].Explained < enough {
		return "", ""
	}
	best := fits[0]
	looksLike = fmt.Sprintf("looks like %s (explains %.0f %%)", best.Words, 100*best.Explained)
	for _, f := range fits[1:] {
		if f.Explained >= enough && best.Explained-f.Explained < apart {
			looksLike += fmt.Sprintf(" or %s (%.0f %%)", f.Words, 100*f.Explained)
		}
	}
	return looksLike, best.Check
}
