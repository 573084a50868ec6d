package plot

import (
	"fmt"
	"io"
	"math"

	"alike/spc/band"
)

// A SmallPlot is one curve over log-frequency with its interval, small enough to stand
// among others of its kind.
type SmallPlot struct {
	Title, Description string    // for readers who cannot see it
	Axis               []float64 // Hz, rising
	Values             []float64 // dB, NaN for a gap
	Low, High          []float64 // of the interval; nil for none
}

// Size of a small picture, and the least range of levels that it shows either way.
const (
	smallWidth  = 270
	smallHeight = 150
	smallLevels = 1.0
)

// Small writes a small picture. It returns an error when a row does not have one value per
// frequency, or when w does.
func Small(w io.Writer, p SmallPlot) error {
	for _, row := range [][]float64{p.Values, p.Low, p.High} {
		if row != nil && len(row) != len(p.Axis) || p.Values == nil {
			return fmt.Errorf("picture %q: a row of %d values for %d frequencies", p.Title, len(row), len(p.Axis))
		}
	}
	lo, hi := -smallLevels, smallLevels
	for _, row := range [][]float64{p.Values, p.Low, p.High} {
		for _, v := range row {
			if Finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	ticks := LevelTicks(lo, hi, 5)
	c := begin(smallWidth, smallHeight, p.Title, p.Description)
	low, high := FrequencyRange(p.Axis)
	x := scale{low, high, 40, smallWidth - 8, true}
	y := scale{ticks[0], ticks[len(ticks)-1], smallHeight - 30, 8, false}
	for _, f := range decades(low, high, 1) {
		c.line(x.at(f), y.to, x.at(f), y.from, Rule, 1, "")
		c.text(x.at(f), y.from+14, "middle", band.Hertz(f), "font-size", 11)
	}
	c.text(smallWidth-8, y.from+26, "end", "Hz", "font-size", 11, "fill", Muted)
	c.text(4, 18, "start", "dB", "font-size", 11, "fill", Muted)
	step := ticks[1] - ticks[0]
	for _, v := range ticks {
		colour := Rule
		if math.Abs(v) < step/1e6 {
			colour = Muted
		}
		c.line(x.from, y.at(v), x.to, y.at(v), colour, 1, "")
		c.text(x.from-5, y.at(v)+4, "end", Level(v, step), "font-size", 11)
	}
	xs := make([]float64, len(p.Axis))
	for i, f := range p.Axis {
		xs[i] = x.at(f)
	}
	on := func(values []float64) []float64 {
		ys := make([]float64, len(values))
		for i, v := range values {
			ys[i] = y.at(v)
		}
		return ys
	}
	if p.Low != nil && p.High != nil {
		c.area(xs, on(p.Low), on(p.High), "#B8D3E3")
	}
	c.curve(xs, on(p.Values), Blue, 2, "")
	return c.end(w)
}
