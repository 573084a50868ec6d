package line

import (
	"fmt"
	"math"
	"slices"

	"alike/spc/cause"
)

// An Untold is a known fault that a likely cause is not told from with the units so far.
type Untold struct {
	Key   string  `json:"key"`
	Words string  `json:"words"`
	Share float64 `json:"share"` // of their shapes that they have in common, 0 to 1
	Units int     `json:"units"` // after the change that would tell them apart, at the least; 0 when none would
	Text  string  `json:"text"`  // why, and what tells them apart
}

// untell says which faults the first cause is confused with: those whose curves are
// nearly the same, by the scatter of this product's units, and those that these units do
// not tell from it. The first looks tell them apart.
func (a *analysing) untell() {
	likely := a.fitted()
	if len(likely) == 0 {
		return
	}
	first := likely[0]
	amount, sd := a.amount(first.Key), a.scatter()
	if sd == nil {
		return
	}
	for _, other := range a.b.setup.Shapes {
		if other.Key == first.Key {
			continue
		}
		if u, ok := a.b.setup.untold(first.Key, other.Key, sd, amount, a.out.After, slices.Contains(first.Confused, other.Key)); ok {
			a.out.Untold = append(a.out.Untold, u)
		}
	}
}

// untold compares two known faults at a size of the first, seen on so many units; ok is
// false when their curves tell them apart. alike says that a fit did not.
func (s *Setup) untold(key, other string, sd []float64, amount float64, units int, alike bool) (u Untold, ok bool) {
	find := func(key string) cause.Signature {
		return s.Shapes[slices.IndexFunc(s.Shapes, func(g cause.Signature) bool { return g.Key == key })]
	}
	one, two := find(key), find(other)
	l := cause.Between(sd, one, two)
	need := math.Inf(1)
	if amount > 0 {
		need = math.Max(1, math.Ceil(l.Units/(amount*amount)))
	}
	if !alike && (!l.Confusable() || float64(units) >= need) {
		return u, false
	}
	u = Untold{Key: other, Words: two.Words, Share: l.Share}
	text := fmt.Sprintf("Its curve does not tell it from: %s (%.0f %% of their shape in common)", two.Words, 100*l.Share)
	switch {
	case l.Share == 0:
		text = fmt.Sprintf("These units do not tell it from: %s", two.Words)
	case math.IsInf(need, 1) || need > 1e6:
		text += ", and no number of units would"
	case need > float64(units):
		u.Units = int(need)
		text += fmt.Sprintf("; about %s of this size would, at the least", number(u.Units, "unit"))
	}
	u.Text = fmt.Sprintf("%s. What tells: %s", text, one.Check)
	if two.Check != one.Check {
		u.Text += " " + two.Check
	}
	return u, true
}

// amount is the size of a fault in the channel that shows most of it.
func (a *analysing) amount(key string) float64 {
	most := 0.0
	for _, m := range a.out.Channels {
		if !m.Moved {
			continue
		}
		for _, f := range cause.Fits(m.Change, m.Scatter, a.b.setup.Shapes) {
			if f.Key == key {
				most = math.Max(most, f.Amount)
			}
		}
	}
	return most
}

// scatter is the root mean square of a unit's scatter over the channels that moved; nil
// when none did.
func (a *analysing) scatter() []float64 {
	var out []float64
	n := 0.0
	for _, m := range a.out.Channels {
		if !m.Moved {
			continue
		}
		if out == nil {
			out = make([]float64, len(m.Scatter))
		}
		for i, sd := range m.Scatter {
			out[i] += sd * sd
		}
		n++
	}
	for i := range out {
		out[i] = math.Sqrt(out[i] / n)
	}
	return out
}
