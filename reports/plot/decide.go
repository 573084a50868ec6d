package plot

import (
	"fmt"
	"io"
	"math"

	"alike/reports"
	"alike/spc/band"
)

// frameOf is the ground of a small picture with two axes.
type frameOf struct {
	*canvas
	x, y                     scale
	left, right, top, bottom float64
}

// framed begins a picture with a level axis of the given ticks; more is the room in px
// below the axes.
func framed(width, height, more float64, title, description, unit string, levels []float64, x scale) frameOf {
	f := frameOf{canvas: begin(width, height+more, title, description), left: 52, right: width - 16, top: 40, bottom: height - 40}
	f.text(16, 24, "start", title, "font-size", 15, "font-weight", "bold")
	f.x, f.y = x, scale{levels[0], levels[len(levels)-1], f.bottom, f.top, false}
	f.x.from, f.x.to = f.left, f.right
	step := levels[1] - levels[0]
	for _, v := range levels {
		f.line(f.left, f.y.at(v), f.right, f.y.at(v), Rule, 1, "")
		f.text(f.left-6, f.y.at(v)+4, "end", Level(v, step), "font-size", 11)
	}
	f.text(14, (f.top+f.bottom)/2, "middle", unit, "font-size", 11, "fill", Muted, "transform", "rotate(-90 14 "+num((f.top+f.bottom)/2)+")")
	return f
}

func (f frameOf) below(text string) {
	f.text((f.left+f.right)/2, f.bottom+34, "middle", text, "font-size", 11, "fill", Muted)
	f.empty("rect", "x", f.left, "y", f.top, "width", f.right-f.left, "height", f.bottom-f.top, "fill", "none", "stroke", Faint)
}

// Chances writes the chance that a sampling plan accepts the lot, over the number of
// defective units in it, with the fractions that the plan was made for. width is in px.
// A plan without a curve is an error.
func Chances(w io.Writer, s reports.Sampling, width float64) error {
	if len(s.Curve) < 2 {
		return fmt.Errorf("sampling plan %q has no curve", s.CurveName)
	}
	end := s.Curve[len(s.Curve)-1].Defective
	for _, p := range s.Curve { // beyond it there is nothing to see
		if p.Accept < 0.002 && p.Fraction > s.Bad {
			end = p.Defective
			break
		}
	}
	desc := fmt.Sprintf("Operating characteristic of the plan %s: a lot with %.3g %% defective is accepted with a chance of %.2g %%, one with %.3g %% with %.2g %%.",
		s.CurveName, 100*s.Good, 100*(1-s.ProducerRisk), 100*s.Bad, 100*s.ConsumerRisk)
	f := framed(width, 270, 0, "Chance to accept the lot", desc, "chance", []float64{0, 0.2, 0.4, 0.6, 0.8, 1}, scale{lo: 0, hi: math.Max(float64(end), 2)})
	for _, v := range LevelTicks(0, math.Max(float64(end), 2), 8) {
		if v == math.Trunc(v) && v <= f.x.hi {
			f.text(f.x.at(v), f.bottom+16, "middle", Level(v, 1), "font-size", 11)
		}
	}
	var xs, ys []float64
	for _, p := range s.Curve {
		if p.Defective <= end {
			xs, ys = append(xs, f.x.at(float64(p.Defective))), append(ys, f.y.at(p.Accept))
		}
	}
	f.curve(xs, ys, Black, 2, "")
	size := float64(s.Curve[len(s.Curve)-1].Defective)
	for _, m := range []struct {
		name          string
		share, accept float64
		shape, colour string
	}{{"good", s.Good, 1 - s.ProducerRisk, "circle", Green}, {"bad", s.Bad, s.ConsumerRisk, "square", Vermillion}} {
		x, y := f.x.at(m.share*size), f.y.at(m.accept)
		if !Finite(x) || !Finite(y) {
			continue
		}
		f.shape(m.shape, x, y, 5, "#FFFFFF", m.colour)
		f.text(x+9, math.Max(y-6, f.top+14), "start", fmt.Sprintf("%s: %.3g %%", m.name, 100*m.share), "font-size", 11)
	}
	f.below(fmt.Sprintf("defective units in the lot of %.0f", size))
	return f.end(w)
}

// capabilityTop is where a picture of capability ends: beyond it nobody asks how much.
const capabilityTop = 3.0

// Capabilities writes Ppk of every stream that has a band, over frequency: the estimate
// in its two-sided interval, and a bar at what it exceeds with one-sided confidence.
// width is in px; without any such stream it is an error.
func Capabilities(w io.Writer, rows []reports.CapabilityRow, width float64) error {
	var groups []string
	by := map[string][]reports.CapabilityRow{}
	var axis []float64
	for _, r := range rows {
		if !(r.Hz > 0) {
			continue
		}
		if by[r.Group] == nil {
			groups = append(groups, r.Group)
		}
		by[r.Group] = append(by[r.Group], r)
		axis = append(axis, r.Hz)
	}
	lo, hi, ok := Span(axis)
	if !ok {
		return fmt.Errorf("no stream has a capability per band")
	}
	worst := rows[0]
	desc := fmt.Sprintf("Capability Ppk per band with its two-sided interval. The lowest is %s: at least %.2f with %.0f %% confidence. The table has all of them.",
		worst.Stream, worst.AtLeast, 100*worst.Confidence)
	lo, hi = lo/1.15, hi*1.15
	f := framed(width, 300, 18, "Capability per band, Ppk", desc, "Ppk", []float64{0, 0.5, 1, 1.5, 2, 2.5, capabilityTop}, scale{lo: lo, hi: hi, log: true})
	for _, t := range FrequencyTicks(lo, hi) {
		f.line(f.x.at(t), f.top, f.x.at(t), f.bottom, Rule, 1, "")
		f.text(f.x.at(t), f.bottom+16, "middle", band.Hertz(t), "font-size", 11)
	}
	f.line(f.left, f.y.at(1), f.right, f.y.at(1), Black, 1.6, "")
	shapes := []string{"circle", "square", "diamond", "triangle"}
	x := f.left
	for i, g := range groups {
		s, shape := StrokeOf(i), shapes[i%len(shapes)]
		shift := 3.2 * (float64(i) - float64(len(groups)-1)/2)
		for _, r := range by[g] {
			at, top := f.x.at(r.Hz)+shift, func(v float64) float64 { return f.y.at(math.Min(math.Max(v, 0), capabilityTop)) }
			if Finite(r.Low) && Finite(r.High) {
				f.line(at, top(r.Low), at, top(r.High), s.Colour, 1, "")
			}
			if Finite(r.AtLeast) {
				f.line(at-3.5, top(r.AtLeast), at+3.5, top(r.AtLeast), s.Colour, 2.2, "")
			}
			if Finite(r.Ppk) && r.Ppk <= capabilityTop {
				f.shape(shape, at, top(r.Ppk), 2.2, "#FFFFFF", s.Colour)
			}
		}
		f.shape(shape, x+6, f.bottom+50, 4, "#FFFFFF", s.Colour)
		f.text(x+16, f.bottom+54, "start", g, "font-size", 11)
		x += 32 + TextWidth(g, 11)
	}
	f.below("frequency, Hz")
	return f.end(w)
}
