package plot

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"alike/reports"
)

// Most is the largest number of units whose curves are drawn one by one. With
// more of them single lines no longer show anything, and spreadsheets grow slow.
const Most = 120

// An EnvelopePlot is what is drawn for one channel: values in dB over Axis in Hz.
// Slices have the length of Axis or are empty; NaN is a gap.
type EnvelopePlot struct {
	Title       string
	Channel     string
	Description string // for readers who cannot see the picture
	Note        string // printed below the picture
	Axis        []float64

	Lower, Upper               []float64 // limits
	WorkingLower, WorkingUpper []float64

	Areas  []Area    // drawn first, so the widest comes first
	Center []float64 // one line through the areas
	Middle string    // name of Center
	Bounds string    // name of Lower and Upper; empty for "limits"
	Plain  []Curve   // drawn thin and grey, all alike
	Strong []Curve   // named one by one, at most Named of them

	PlainName  string // of Plain in the legend; empty for units
	StrongLead string // before the names of Strong in the legend; empty for "fail: ", "-" for nothing

	units, failed int
	Levels        []float64 // ticks of the level axis, two or more; empty for its own
	Width, Height float64   // of the picture, 0 for 720 by 420
}

// An Area is filled from Low to High.
type Area struct {
	Name      string
	Low, High []float64
}

// A Curve is one line with its name.
type Curve struct {
	Name   string
	Values []float64
}

// OfLot chooses what is drawn for each channel of a lot, on the same level axis.
// It is empty for a lot without bands, and has one plot, of the limits alone,
// for a lot without channels. The lot must pass its Check. Up to Most units are
// drawn one by one. Of a larger lot the smallest and largest values, the middle
// 90 % and the median stand for the units. The failing units are named in both,
// those with the smallest margin first, at most Named of them; the note says so.
func OfLot(l reports.Lot) []EnvelopePlot {
	if len(l.Axis) == 0 {
		return nil
	}
	channels := l.Channels()
	if len(channels) == 0 {
		channels = []string{""}
	}
	var plots []EnvelopePlot
	lo, hi := 0.0, 0.0
	for _, c := range channels {
		p := ofChannel(l, c)
		plo, phi := p.levels()
		lo, hi = math.Min(lo, plo), math.Max(hi, phi)
		plots = append(plots, p)
	}
	for i := range plots {
		plots[i].Levels = LevelTicks(lo, hi, mostLevels)
		plots[i].describe()
	}
	return plots
}

const mostLevels = 9

func ofChannel(l reports.Lot, channel string) EnvelopePlot {
	p := EnvelopePlot{
		Channel: channel,
		Title:   "Deviation from the target, " + channel,
		Axis:    l.Axis,
		Lower:   l.Limits.Lower, Upper: l.Limits.Upper,
		WorkingLower: l.Limits.WorkingLower, WorkingUpper: l.Limits.WorkingUpper,
	}
	if channel == "" {
		p.Title = "Deviation from the target"
	}
	var failed []failure
	for _, u := range l.Units {
		for _, c := range u.Curves {
			if c.Name != channel {
				continue
			}
			if u.Last == "fail" {
				failed = append(failed, failure{Curve{u.Serial, c.Values}, u.Margin})
			} else {
				p.Plain = append(p.Plain, Curve{u.Serial, c.Values})
			}
		}
	}
	// A margin that is not known sorts last.
	sort.SliceStable(failed, func(i, j int) bool {
		return failed[i].margin < failed[j].margin || (math.IsNaN(failed[j].margin) && !math.IsNaN(failed[i].margin))
	})
	for i, f := range failed {
		if i < Named {
			p.Strong = append(p.Strong, f.Curve)
		} else {
			p.Plain = append(p.Plain, f.Curve)
		}
	}
	p.units, p.failed = len(p.Plain)+len(p.Strong), len(failed)
	if p.units > Most {
		p.spread()
	}
	return p
}

type failure struct {
	Curve
	margin float64
}

// spread replaces the plain curves by what all curves have in common.
func (p *EnvelopePlot) spread() {
	all := append(append([]Curve{}, p.Plain...), p.Strong...)
	rows := make([][]float64, 5)
	for i := range rows {
		rows[i] = make([]float64, len(p.Axis))
	}
	for b := range p.Axis {
		var column []float64
		for _, c := range all {
			if Finite(c.Values[b]) {
				column = append(column, c.Values[b])
			}
		}
		sort.Float64s(column)
		for i, q := range []float64{0, 0.05, 0.5, 0.95, 1} {
			rows[i][b] = Quantile(column, q)
		}
	}
	p.Areas = []Area{
		{"smallest to largest", rows[0], rows[4]},
		{"middle 90 %", rows[1], rows[3]},
	}
	p.Center, p.Middle = rows[2], "median unit"
	p.Plain = nil
}

// Quantile returns the q-quantile, 0 to 1, of values in rising order, by linear
// interpolation between them (definition 7 of Hyndman and Fan 1996). It is NaN
// for no values.
func Quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := q * float64(len(sorted)-1)
	i := min(int(at), len(sorted)-1)
	j := min(i+1, len(sorted)-1)
	return sorted[i] + (at-float64(i))*(sorted[j]-sorted[i])
}

// PlainWidth returns the width in points of a plain curve: the fewer there are,
// the more weight each can bear.
func (p *EnvelopePlot) PlainWidth() float64 {
	switch n := len(p.Plain); {
	case n <= 10:
		return 1.25
	case n <= 50:
		return 0.75
	}
	return 0.5
}

// describe writes the note and the description.
func (p *EnvelopePlot) describe() {
	units, failed, channel := p.units, p.failed, p.Channel
	var s []string
	say := func(format string, a ...any) { s = append(s, fmt.Sprintf(format, a...)) }
	switch {
	case units == 0:
		say("No unit was measured.")
	case p.Areas != nil:
		say("%d units are too many for single lines: shown are the smallest and the largest value of each band, the middle 90 %% of the units and their median.", units)
	case units == 1:
		say("The line is the last attempt of the one unit.")
	default:
		say("Each line is the last attempt of one of %d units.", units)
	}
	switch {
	case failed > len(p.Strong):
		say("Of %d failing units the %d with the smallest margin are named, whichever channel fails.", failed, len(p.Strong))
	case failed == 1:
		say("The failing unit is named, whichever channel fails.")
	case failed > 1:
		say("All %d failing units are named, whichever channel fails.", failed)
	}
	if _, _, ok := Span(p.Lower, p.Upper); !ok {
		say("No limits are in force.")
	}
	if p.leaves() {
		say("Curves that leave the picture go on outside it.")
	}
	p.Note = strings.Join(s, " ")

	names := make([]string, len(p.Strong))
	for i, c := range p.Strong {
		names[i] = c.Name
	}
	p.Description = "Deviation in dB over frequency in Hz on a logarithmic axis"
	if channel != "" {
		p.Description += ", " + channel + " channel"
	}
	p.Description += ". " + p.Note
	if len(names) > 0 {
		p.Description += " Failing: " + strings.Join(names, ", ") + "."
	}
}

// rows returns all rows of values that belong to units.
func (p *EnvelopePlot) rows() [][]float64 {
	var rows [][]float64
	for _, a := range p.Areas {
		rows = append(rows, a.Low, a.High)
	}
	for _, c := range append(append([]Curve{}, p.Plain...), p.Strong...) {
		rows = append(rows, c.Values)
	}
	return rows
}

// Ticks returns the round values in dB of the level axis. They cover all limits
// and all curves, but no more than the limits' own span beyond the limits, so
// that a dead channel does not flatten all others.
func (p *EnvelopePlot) Ticks() []float64 {
	if len(p.Levels) > 1 {
		return p.Levels
	}
	lo, hi := p.levels()
	return LevelTicks(math.Min(lo, 0), math.Max(hi, 0), mostLevels)
}

func (p *EnvelopePlot) levels() (lo, hi float64) {
	lo, hi, ok := Span(p.Lower, p.Upper, p.WorkingLower, p.WorkingUpper)
	// A limit on the frame itself would not be seen.
	lo, hi = lo-0.02*(hi-lo), hi+0.02*(hi-lo)
	ulo, uhi, some := Span(p.rows()...)
	switch {
	case !ok && !some:
		return -1, 1
	case !ok:
		return ulo, uhi
	case !some:
		return lo, hi
	}
	span := math.Max(hi-lo, 1)
	return math.Min(lo, math.Max(ulo, lo-span)), math.Max(hi, math.Min(uhi, hi+span))
}

// leaves reports whether a curve goes beyond the level axis.
func (p *EnvelopePlot) leaves() bool {
	ticks := p.Ticks()
	lo, hi, ok := Span(p.rows()...)
	return ok && (lo < ticks[0] || hi > ticks[len(ticks)-1])
}
