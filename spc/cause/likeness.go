package cause

import (
	"math"
	"slices"
)

// A Likeness is how far two signatures have the same shape.
type Likeness struct {
	A, B string // keys, in the order of the signatures
	// Share is the part of either one's weighted sum of squares that the other explains
	// when its amount is free, 0 to 1; 0 when they point opposite ways.
	Share float64
	// Units is how many units after the change it takes to tell the two apart at A's
	// stated size, with a chance of 1 in 40 for error either way; +Inf when never. It
	// counts on bands that scatter independently and a sure level before, so that it is
	// the least number.
	Units float64
	// Amount is how much of B is most like A. At is the band in which A then differs most
	// from it, in sd, and Left by how much, in dB; -1 and 0 when there is none.
	Amount float64
	At     int
	Left   float64
}

// alike is the share from which two signatures count as confusable: what either leaves
// of the other is then within what the next size of the fault would change.
const alike = 0.9

// told is twice the normal quantile of 0.975: the two means, at best apart by the
// remainder, are each cut at the middle.
const told = 2 * 1.959964

// Between returns how alike two signatures are, with weight 1/sd² per band, where sd is
// the scatter of one unit in dB. Bands that either lacks are left out.
func Between(sd []float64, a, b Signature) Likeness {
	l := Likeness{A: a.Key, B: b.Key, Units: math.Inf(1), At: -1}
	at := usable(make([]float64, len(sd)), sd, []Signature{a, b})
	aa, ab, bb := 0.0, 0.0, 0.0
	for _, k := range at {
		x, y := a.Shape[k]/sd[k], b.Shape[k]/sd[k]
		aa, ab, bb = aa+x*x, ab+x*y, bb+y*y
	}
	if aa == 0 {
		return l
	}
	if bb > 0 && ab > 0 {
		l.Share, l.Amount = math.Min(1, ab/aa*(ab/bb)), ab/bb
	}
	if left := aa * (1 - l.Share); left > 1e-12*aa {
		l.Units = math.Ceil(told * told / left)
	}
	most := 0.0
	for _, k := range at {
		if d := a.Shape[k] - l.Amount*b.Shape[k]; math.Abs(d)/sd[k] > most {
			l.At, l.Left, most = k, d, math.Abs(d)/sd[k]
		}
	}
	return l
}

// Confusable reports whether shape hardly tells the two apart: each explains 90 % or more
// of the other.
func (l Likeness) Confusable() bool { return l.Share >= alike }

// Confusable returns the pairs of signatures that shape hardly tells apart (each
// explains 90 % or more of the other), most alike first, with weight 1/sd² per band,
// where sd is the scatter of one unit in dB. Name both when one of them fits: another
// sort of evidence has to decide, such as the seats for a pad leak against a glue gap.
func Confusable(sd []float64, signatures []Signature) []Likeness {
	var out []Likeness
	for i, a := range signatures {
		for _, b := range signatures[i+1:] {
			if l := Between(sd, a, b); l.Confusable() {
				out = append(out, l)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Likeness) int { return order(b.Share, a.Share) })
	return out
}
