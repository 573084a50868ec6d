package plot

import (
	"fmt"
	"sort"

	"alike/reports"
)

// BalanceOf chooses what is drawn of left minus right in a lot: the limits either side
// of zero and every unit's curve, the units beyond a limit named, those farthest beyond
// it first. beyond is how many these are. ok is false for a lot without balance.
func BalanceOf(l reports.Lot) (p EnvelopePlot, beyond int, ok bool) {
	if len(l.BalanceCurves) == 0 || len(l.Axis) == 0 {
		return p, 0, false
	}
	p = EnvelopePlot{Title: "Left minus right, unanchored", Axis: l.Axis, StrongLead: "beyond: "}
	for _, b := range l.BalanceLimits {
		p.Lower, p.Upper = append(p.Lower, -b), append(p.Upper, b)
	}
	type over struct {
		Curve
		by float64
	}
	var out []over
	for _, s := range l.BalanceCurves {
		c := Curve(s)
		by := 0.0
		for i, v := range c.Values {
			if i < len(p.Upper) && Finite(v) && Finite(p.Upper[i]) { // a NaN would win in max
				by = max(by, v-p.Upper[i], p.Lower[i]-v)
			}
		}
		if by > 0 {
			out = append(out, over{c, by})
		} else {
			p.Plain = append(p.Plain, c)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].by > out[j].by })
	for i, o := range out {
		if i < Named {
			p.Strong = append(p.Strong, o.Curve)
		} else {
			p.Plain = append(p.Plain, o.Curve)
		}
	}
	if len(l.BalanceCurves) > Most {
		p.spread()
	}
	lo, hi := p.levels()
	p.Levels = LevelTicks(lo-0.5, hi+0.5, mostLevels) // so that a limit is no edge of the picture
	p.Note = fmt.Sprintf("Left minus right of %d units.", len(l.BalanceCurves))
	if len(l.BalanceCurves) == 1 {
		p.Note = "Left minus right of the one unit."
	}
	if n := len(out); n > len(p.Strong) {
		p.Note += fmt.Sprintf(" Of %d units beyond a limit the %d farthest beyond it are named.", n, len(p.Strong))
	} else if n > 0 {
		p.Note += " The units beyond a limit are named."
	}
	p.Description = "Difference of the levels of left and right in dB over frequency in Hz on a logarithmic axis. " + p.Note
	return p, len(out), true
}
