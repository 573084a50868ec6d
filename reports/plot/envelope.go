package plot

import (
	"fmt"
	"io"
	"math"

	"alike/spc/band"
)

// Envelope writes the picture of one channel: the limits, every unit's curve and
// the curves that are named. It returns an error when a row does not have one
// value per frequency, or when w does.
func Envelope(w io.Writer, p EnvelopePlot) error {
	if err := p.check(); err != nil {
		return err
	}
	if p.Width == 0 {
		p.Width = 720
	}
	legend := p.legend()
	note := Wrap(p.Note, p.Width-40, 11)
	rows := layLegend(legend, p.Width-80)
	below := 46 + 18*float64(rows) + 14*float64(len(note))
	if p.Height == 0 {
		p.Height = 370 + below
	}
	c := begin(p.Width, p.Height, p.Title, p.Description)
	c.text(16, 24, "start", p.Title, "font-size", 15, "font-weight", "bold")
	top, bottom := 40.0, math.Max(p.Height-below, 100)
	x, y := p.axes(c, 60, p.Width-20, top, bottom)
	p.curves(c, x, y)
	c.drawLegend(legend, 60, bottom+50)
	for i, line := range note {
		c.text(16, bottom+54+18*float64(rows)+14*float64(i), "start", line, "font-size", 11, "fill", Muted)
	}
	return c.end(w)
}

func (p *EnvelopePlot) check() error {
	for i, f := range p.Axis {
		if !(f > 0) || math.IsInf(f, 0) || (i > 0 && f <= p.Axis[i-1]) {
			return fmt.Errorf("picture %q: frequency %d (%v Hz) does not rise above the one before", p.Title, i+1, f)
		}
	}
	rows := append(p.rows(), p.Lower, p.Upper, p.WorkingLower, p.WorkingUpper, p.Center)
	for _, r := range rows {
		if len(r) != 0 && len(r) != len(p.Axis) {
			return fmt.Errorf("picture %q: a row of %d values for %d frequencies", p.Title, len(r), len(p.Axis))
		}
	}
	return nil
}

// axes draws grid and labels and returns the two scales.
func (p *EnvelopePlot) axes(c *canvas, left, right, top, bottom float64) (x, y scale) {
	lo, hi := FrequencyRange(p.Axis)
	x = scale{lo, hi, left, right, true}
	ticks := p.Ticks()
	y = scale{ticks[0], ticks[len(ticks)-1], bottom, top, false}
	for _, f := range decades(lo, hi, 1, 2, 3, 4, 5, 6, 7, 8, 9) {
		c.line(x.at(f), top, x.at(f), bottom, Rule, 0.5, "")
	}
	for _, f := range FrequencyTicks(lo, hi) {
		c.line(x.at(f), top, x.at(f), bottom, Rule, 1, "")
		c.text(x.at(f), bottom+16, "middle", band.Hertz(f), "font-size", 11)
	}
	step := ticks[1] - ticks[0]
	for _, v := range ticks {
		colour, width := Rule, 1.0
		if math.Abs(v) < step/1e6 {
			colour, width = Faint, 1.0
		}
		c.line(left, y.at(v), right, y.at(v), colour, width, "")
		c.text(left-6, y.at(v)+4, "end", Level(v, step), "font-size", 11)
	}
	c.text((left+right)/2, bottom+32, "middle", "frequency, Hz", "font-size", 11, "fill", Muted)
	c.text(16, (top+bottom)/2, "middle", "dB", "font-size", 11, "fill", Muted,
		"transform", "rotate(-90 16 "+num((top+bottom)/2)+")")
	return x, y
}

// curves draws what the plot holds, cut at the frame.
func (p *EnvelopePlot) curves(c *canvas, x, y scale) {
	w, h := x.to-x.from, y.from-y.to
	c.open("svg", "x", x.from, "y", y.to, "width", w, "height", h, "viewBox",
		num(x.from)+" "+num(y.to)+" "+num(w)+" "+num(h), "overflow", "hidden")
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
	for i, a := range p.Areas {
		c.area(xs, on(a.Low), on(a.High), areaColours[min(i, 1)])
	}
	for _, u := range p.Plain {
		c.curve(xs, on(u.Values), Faint, p.PlainWidth(), "")
	}
	c.curve(xs, on(p.Center), Muted, 1.6, "")
	for _, row := range [][]float64{p.WorkingLower, p.WorkingUpper} {
		c.curve(xs, on(row), Text, 1.1, "dash")
	}
	for _, row := range [][]float64{p.Lower, p.Upper} {
		c.curve(xs, on(row), Black, 2.2, "")
	}
	for i, u := range p.Strong {
		s := StrokeOf(i)
		c.curve(xs, on(u.Values), s.Colour, 1.6, s.Dash)
	}
	c.close("svg")
	c.empty("rect", "x", x.from, "y", y.to, "width", w, "height", h, "fill", "none", "stroke", Faint)
}

var areaColours = []string{"#E3E8EB", "#C3CDD3"}
