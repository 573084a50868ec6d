// Package envelope holds the tolerance limits of a product per frequency band,
// tightens them by a guard band, and judges one unit against them.
//
// Limits bound the deviation from the target in dB. A band without a limit is not
// judged, which is said, and never counts as a pass.
package envelope

import (
	"fmt"
	"math"

	"alike/spc/band"
)

// An Envelope is one version of a product's limits. Exactly one of Mask and
// Around must be given; the scalar limits are optional. The JSON form is what a
// maker writes.
type Envelope struct {
	Mask   *Mask   `json:"mask,omitempty"`
	Around []Range `json:"around_target,omitempty"`
	// Guard is the width in dB by which acceptance limits lie inside the tolerance
	// limits, per range; a value between the two is doubtful.
	Guard       []Guard `json:"guard,omitempty"`
	Sensitivity *Scalar `json:"sensitivity,omitempty"` // dB SPL, each channel
	Balance     []Guard `json:"balance,omitempty"`     // largest |left-right| per band, dB, unanchored
	Roughness   float64 `json:"roughness,omitempty"`   // largest RMS deviation of a channel, dB; 0 for none
}

// A Mask is a lower and an upper limit, each a line through breakpoints that is
// straight in dB over log-frequency. It judges the bands whose mid-band frequency
// lies between its outermost breakpoints. Either line may be left out.
type Mask struct {
	Lower []Breakpoint `json:"lower,omitempty"`
	Upper []Breakpoint `json:"upper,omitempty"`
}

// A Breakpoint is one corner of a Mask.
type Breakpoint struct {
	Hz float64 `json:"hz"`
	DB float64 `json:"db"`
}

// A Range allows Minus dB below and Plus dB above the target in the bands whose
// nominal frequency lies from From to To Hz, both included.
type Range struct {
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Minus float64 `json:"minus"`
	Plus  float64 `json:"plus"`
}

// A Guard is a width in dB for the bands from From to To Hz.
type Guard struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
	DB   float64 `json:"db"`
}

// A Scalar bounds one number.
type Scalar struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
	Guard float64 `json:"guard,omitempty"`
}

// Check returns an error that names the field at fault and the remedy.
func (e Envelope) Check() error {
	switch {
	case e.Mask == nil && len(e.Around) == 0:
		return fmt.Errorf("the envelope has no limits: give mask or around_target")
	case e.Mask != nil && len(e.Around) > 0:
		return fmt.Errorf("the envelope gives both mask and around_target: keep one")
	}
	if e.Mask != nil {
		if err := e.Mask.check(); err != nil {
			return err
		}
	}
	for i, r := range e.Around {
		if err := checkRange("around_target", i, r.From, r.To); err != nil {
			return err
		}
		if !(r.Minus >= 0) || !(r.Plus >= 0) || r.Minus+r.Plus == 0 || math.IsInf(r.Minus+r.Plus, 0) {
			return fmt.Errorf("around_target %d: minus %v and plus %v must not be negative, nor both zero", i+1, r.Minus, r.Plus)
		}
	}
	for name, gs := range map[string][]Guard{"guard": e.Guard, "balance": e.Balance} {
		for i, g := range gs {
			if err := checkRange(name, i, g.From, g.To); err != nil {
				return err
			}
			if !(g.DB >= 0) || math.IsInf(g.DB, 0) {
				return fmt.Errorf("%s %d: db %v must not be negative", name, i+1, g.DB)
			}
		}
	}
	if s := e.Sensitivity; s != nil && (!(s.Lower < s.Upper) || !(s.Guard >= 0) || 2*s.Guard >= s.Upper-s.Lower) {
		return fmt.Errorf("sensitivity: lower %v must lie below upper %v, with room for the guard %v on both sides", s.Lower, s.Upper, s.Guard)
	}
	if !(e.Roughness >= 0) {
		return fmt.Errorf("roughness %v must not be negative", e.Roughness)
	}
	return nil
}

func checkRange(name string, i int, from, to float64) error {
	if !(from > 0 && to >= from) || math.IsInf(to, 0) {
		return fmt.Errorf("%s %d: from %v to %v Hz is not a rising pair of positive frequencies", name, i+1, from, to)
	}
	return nil
}

func (m Mask) check() error {
	if len(m.Lower) == 0 && len(m.Upper) == 0 {
		return fmt.Errorf("mask has neither a lower nor an upper line")
	}
	for name, line := range map[string][]Breakpoint{"lower": m.Lower, "upper": m.Upper} {
		if len(line) == 1 {
			return fmt.Errorf("mask %s: a line needs at least 2 breakpoints", name)
		}
		for i, p := range line {
			if !(p.Hz > 0) || math.IsInf(p.Hz, 0) || math.IsNaN(p.DB) || math.IsInf(p.DB, 0) {
				return fmt.Errorf("mask %s breakpoint %d: hz %v, db %v are not usable numbers", name, i+1, p.Hz, p.DB)
			}
			if i > 0 && p.Hz < line[i-1].Hz {
				return fmt.Errorf("mask %s breakpoint %d: %v Hz does not rise above %v", name, i+1, p.Hz, line[i-1].Hz)
			}
		}
	}
	// Both are piecewise straight: where one corner lies inside the other line, the
	// lines may not have crossed.
	for _, p := range append(append([]Breakpoint(nil), m.Lower...), m.Upper...) {
		lo, hi := lineAt(m.Lower, p.Hz), lineAt(m.Upper, p.Hz)
		if lo >= hi {
			return fmt.Errorf("mask: at %v Hz the lower line (%v dB) is not below the upper one (%v dB)", p.Hz, lo, hi)
		}
	}
	return nil
}

// lineAt returns the line's level at f, NaN outside. At a step (two breakpoints at
// one frequency) the later one counts.
func lineAt(line []Breakpoint, f float64) float64 {
	n := len(line)
	if n == 0 || f < line[0].Hz || f > line[n-1].Hz {
		return math.NaN()
	}
	i := 0
	for i+1 < n && line[i+1].Hz <= f {
		i++
	}
	if i == n-1 {
		return line[i].DB
	}
	a, b := line[i], line[i+1]
	return a.DB + (b.DB-a.DB)*math.Log(f/a.Hz)/math.Log(b.Hz/a.Hz)
}

// Limits are an Envelope's limits in the bands of a product, in dB of deviation.
// A side without a limit holds NaN.
type Limits struct {
	Lower, Upper []float64 // tolerance limits
	Guard        []float64 // width by which acceptance limits lie inside
	Balance      []float64 // largest |left-right|
	Sensitivity  *Scalar
	Roughness    float64
	// BalanceGuard per band and RoughnessGuard are those of readings that carry more
	// uncertainty than the envelope's guard knows of; nil and 0 for none.
	BalanceGuard   []float64
	RoughnessGuard float64
}

// On returns the envelope's limits in the given bands. A mask is read at the exact
// mid-band frequency. Of ranges that overlap the last one counts. It is an error
// if the guard leaves no room in a band, or no band is limited.
func (e Envelope) On(bands []band.Band) (Limits, error) {
	if err := e.Check(); err != nil {
		return Limits{}, err
	}
	l := Limits{
		Lower: filled(len(bands), math.NaN()), Upper: filled(len(bands), math.NaN()),
		Guard: filled(len(bands), 0), Balance: filled(len(bands), math.NaN()),
		Sensitivity: e.Sensitivity, Roughness: e.Roughness,
	}
	limited := false
	for i, b := range bands {
		if e.Mask != nil {
			l.Lower[i], l.Upper[i] = lineAt(e.Mask.Lower, b.Mid()), lineAt(e.Mask.Upper, b.Mid())
		}
		f := b.Nominal()
		for _, r := range e.Around {
			if f >= r.From && f <= r.To {
				l.Lower[i], l.Upper[i] = -r.Minus, r.Plus
			}
		}
		for _, g := range e.Guard {
			if f >= g.From && f <= g.To {
				l.Guard[i] = g.DB
			}
		}
		for _, g := range e.Balance {
			if f >= g.From && f <= g.To {
				l.Balance[i] = g.DB
			}
		}
		limited = limited || !math.IsNaN(l.Lower[i]) || !math.IsNaN(l.Upper[i])
		if l.Upper[i]-l.Lower[i] <= 2*l.Guard[i] {
			return Limits{}, fmt.Errorf("%s band: the guard of %v dB on both sides leaves nothing of %v to %v dB: narrow the guard or widen the limits", b.Name(), l.Guard[i], l.Lower[i], l.Upper[i])
		}
	}
	if !limited {
		return Limits{}, fmt.Errorf("the envelope limits none of the product's bands: check its frequencies")
	}
	return l, nil
}

// Working returns the acceptance limits: the tolerance limits less the guard.
func (l Limits) Working() (lower, upper []float64) {
	lower, upper = filled(len(l.Lower), 0), filled(len(l.Upper), 0)
	for i := range lower {
		lower[i], upper[i] = l.Lower[i]+l.Guard[i], l.Upper[i]-l.Guard[i]
	}
	return lower, upper
}

func filled(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}
