package plot

import (
	"cmp"
	"fmt"
	"io"
	"math"

	"alike/reports"
)

const (
	controlWidth = 720.0
	valuesHeight = 230.0
	rangeHeight  = 100.0
	controlLeft  = 60.0
	controlRight = controlWidth - 96 // the limits' names stand beside the lines
)

// Control writes one stream's individuals chart with its limits and marks, the
// moving range below when the chart has one, and one sentence per rule that
// fired. Points before the lot are pale and hollow.
func Control(w io.Writer, c reports.Chart) error {
	if err := c.Check(); err != nil {
		return err
	}
	k := controlPicture{chart: c, rules: Rules(c)}
	k.beyond = Beyond(c)
	return k.write(w)
}

type controlPicture struct {
	*canvas
	chart  reports.Chart
	rules  []RuleMarks
	beyond []int
	x      scale
	xs     []float64
}

func (k *controlPicture) write(w io.Writer) error {
	c := k.chart
	legend := k.legend()
	ranges, height := len(c.Moving) > 0, 44+valuesHeight+44.0
	if ranges {
		height += rangeHeight + 22
	}
	for _, l := range legend {
		height += 15*float64(len(l.lines)) + 4
	}
	if k.crowded() {
		height += lowered
	}
	k.canvas = begin(controlWidth, height+22, c.Stream, DescribeControl(c))
	k.text(16, 24, "start", c.Stream, "font-size", 15, "font-weight", "bold")
	k.x = scale{-0.5, math.Max(float64(len(c.Values)), 1) - 0.5, controlLeft, controlRight, false}
	k.xs = make([]float64, len(c.Values))
	for i := range k.xs {
		k.xs[i] = k.x.at(float64(i))
	}
	top := 44.0
	keysAt := 24.0
	if k.crowded() {
		keysAt, top = 42, top+lowered
	}
	k.keys(keysAt)
	k.values(top)
	bottom := top + valuesHeight
	if ranges {
		top = bottom + 22
		k.ranges(top)
		bottom = top + rangeHeight
	}
	k.serials(bottom)
	y := bottom + 52
	for _, l := range legend {
		k.shape(l.shape, 24, y-4, 5, "none", Vermillion)
		k.text(38, y, "start", l.number, "font-size", 12, "font-weight", "bold")
		for _, line := range l.lines {
			k.text(62, y, "start", line)
			y += 15
		}
		y += 4
	}
	return k.end(w)
}

// A legendLine is one rule in words.
type legendLine struct {
	number, shape string
	lines         []string
}

func (k *controlPicture) legend() []legendLine {
	var out []legendLine
	const width = controlWidth - 78
	for _, r := range k.rules {
		out = append(out, legendLine{fmt.Sprint(r.Number), r.Shape, Wrap(r.Sentence(k.chart), width, 12)})
	}
	if len(k.beyond) > 0 {
		r := RangeRule(k.chart)
		r.Points = k.beyond
		out = append(out, legendLine{"", r.Shape, Wrap(r.Sentence(k.chart), width, 12)})
	}
	return out
}

// lowered is how far all goes down when the keys have no room beside the heading.
const lowered = 18.0

// pointKeys are the names of the two kinds of points, from the right.
func (k *controlPicture) pointKeys() [2]string {
	return [2]string{cmp.Or(k.chart.Filled, "this lot"), cmp.Or(k.chart.Hollow, "before it")}
}

// crowded reports whether the heading leaves no room for the keys beside it.
func (k *controlPicture) crowded() bool {
	x := controlRight - 20.0
	for _, name := range k.pointKeys() {
		x -= TextWidth(name, 11) + 27
	}
	return 16+1.08*TextWidth(k.chart.Stream, 15) > x // the heading is bold
}

// keys explains the two kinds of points, at the right of the heading or below it.
func (k *controlPicture) keys(y float64) {
	x := controlRight
	for i, name := range k.pointKeys() {
		k.text(x, y, "end", name, "font-size", 11, "fill", Muted)
		x -= TextWidth(name, 11) + 9
		k.point(x, y-4, i == 0)
		x -= 18
	}
}

func (k *controlPicture) point(x, y float64, lot bool) {
	r := 3.0
	if len(k.xs) > 150 {
		r = 2
	}
	if lot {
		k.empty("circle", "cx", x, "cy", y, "r", r, "fill", Blue)
		return
	}
	k.empty("circle", "cx", x, "cy", y, "r", r-0.4, "fill", "#FFFFFF", "stroke", Faint, "stroke-width", 1.3)
}

// frame draws the grid of one panel and returns its scale.
func (k *controlPicture) frame(top, height float64, label string, rows ...[]float64) scale {
	lo, hi, ok := Span(rows...)
	if !ok {
		lo, hi = -1, 1
	}
	ticks := LevelTicks(lo, hi, int(height/26))
	y := scale{ticks[0], ticks[len(ticks)-1], top + height, top, false}
	step := ticks[1] - ticks[0]
	for _, v := range ticks {
		k.line(controlLeft, y.at(v), controlRight, y.at(v), Rule, 0.8, "")
		k.text(controlLeft-6, y.at(v)+4, "end", Level(v, step), "font-size", 11)
	}
	mid := top + height/2
	k.text(16, mid, "middle", label, "font-size", 11, "fill", Muted, "transform", "rotate(-90 16 "+num(mid)+")")
	return y
}

// A level is a line across a panel with the name that stands at its right end.
type level struct {
	name  string
	value float64
	limit bool // drawn strong, as a limit, not as a centre
}

// lines draws the levels that are known, given from high to low, and keeps their
// names apart when one far point presses the lines together.
func (k *controlPicture) lines(y scale, levels ...level) {
	const apart = 13
	last := math.Inf(-1)
	for _, l := range levels {
		if !Finite(l.value) {
			continue
		}
		at := y.at(l.value)
		if l.limit {
			k.line(controlLeft, at, controlRight, at, Black, 1.6, "dash")
		} else {
			k.line(controlLeft, at, controlRight, at, Muted, 1, "")
		}
		last = math.Max(at+4, last+apart)
		k.text(controlRight+6, last, "start", l.name+" "+Level(l.value, 0.01), "font-size", 11)
	}
}

// headroom is a value above all others that leaves place for the numbers.
func (k *controlPicture) headroom() float64 {
	c := k.chart
	lo, hi, ok := Span(c.Values, []float64{c.Lower, c.Upper})
	if !ok || len(k.rules) == 0 {
		return math.NaN()
	}
	return hi + 0.08*(hi-lo)
}

func (k *controlPicture) values(top float64) {
	c := k.chart
	y := k.frame(top, valuesHeight, c.Unit, c.Values, []float64{c.Center, c.Lower, c.Upper, k.headroom()})
	k.lines(y, level{"upper", c.Upper, true}, level{"centre", c.Center, false}, level{"lower", c.Lower, true})
	ys := k.trace(y, c.Values)
	numbers := Numbers(k.rules)
	for _, r := range k.rules {
		for _, p := range r.Points {
			if Finite(ys[p]) {
				k.shape(r.Shape, k.xs[p], ys[p], 7, "none", Vermillion)
			}
		}
	}
	k.number(ys, numbers, top)
}

// number writes the rules' numbers over the marked points. In a dense run only
// the points that leave room carry one.
func (k *controlPicture) number(ys []float64, numbers map[int]string, top float64) {
	const room, least = 15, 9
	last, at := "", math.Inf(-1)
	for p := range ys {
		n := numbers[p]
		if n == "" || !Finite(ys[p]) || (k.xs[p]-at < room && n == last) || k.xs[p]-at < least {
			continue
		}
		last, at = n, k.xs[p]
		k.text(k.xs[p], math.Max(ys[p]-12, top+8), "middle", n, "font-size", 10, "font-weight", "bold", "fill", Vermillion)
	}
}

func (k *controlPicture) ranges(top float64) {
	c := k.chart
	y := k.frame(top, rangeHeight, "moving range", c.Moving, []float64{0, c.RangeMean, c.RangeHigh})
	k.lines(y, level{"upper", c.RangeHigh, true}, level{"mean", c.RangeMean, false})
	ys := k.trace(y, c.Moving)
	for _, p := range k.beyond {
		k.shape("circle", k.xs[p], ys[p], 6, "none", Vermillion)
	}
}

// trace joins the values in time order and dots them.
func (k *controlPicture) trace(y scale, values []float64) []float64 {
	ys := make([]float64, len(values))
	for i, v := range values {
		ys[i] = y.at(v)
	}
	k.curve(k.xs, ys, Faint, 1, "")
	for i := range ys {
		if Finite(ys[i]) {
			k.point(k.xs[i], ys[i], k.chart.InLot[i])
		}
	}
	return ys
}

// serials names about nine units below the last panel.
func (k *controlPicture) serials(bottom float64) {
	n := len(k.xs)
	if n == 0 {
		k.text((controlLeft+controlRight)/2, bottom+16, "middle", "no unit was measured", "font-size", 11, "fill", Muted)
		return
	}
	step := (n + 8) / 9
	for i := 0; i < n; i += step {
		k.line(k.xs[i], bottom, k.xs[i], bottom+4, Muted, 1, "")
		k.text(k.xs[i], bottom+16, "middle", Short(k.chart.Serials[i], 11), "font-size", 10)
	}
	k.text((controlLeft+controlRight)/2, bottom+32, "middle", cmp.Or(k.chart.Along, "units in the order of measurement"), "font-size", 11, "fill", Muted)
}
