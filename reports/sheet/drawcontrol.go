package sheet

import (
	"fmt"
	"math"

	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// The series of a control chart, in this order: names of units, trace before the
// lot, trace of the lot, marks, limits. Marks are hollow, and readers that cannot
// draw hollow marks paint the first series on top: the points show either way.
const firstTrace, firstMark = 1, 3

// individuals draws the values of one stream with limits and marks.
func (b *book) individuals(at frame, r controlRefs) {
	k := r.chart
	c := scatter(k.Stream, r.unitAxis(), r.levels, k.Unit)
	c.Series = append([]excelize.ChartSeries{signs(r.floor, r.labelled)}, r.trace(r.before, r.lot)...)
	for _, m := range r.marks {
		c.Series = append(c.Series, signs(m, r.order))
	}
	limits := r.addLimits(c, limitLine{r.upper, k.Upper, "upper"}, limitLine{r.lower, k.Lower, "lower"}, limitLine{r.centre, k.Center, "centre"})
	b.add(at, c, plot.DescribeControl(k), func(p *part) {
		r.finish(p, at, firstMark+len(r.marks), limits)
		numbers := r.numbers()
		for i, m := range r.rules {
			p.mark(firstMark+i, m.Shape, r.markSize(), "", plot.Vermillion)
			p.label(firstMark+i, numbers[i]...)
		}
	})
}

// movingRange draws the moving range below it.
func (b *book) movingRange(at frame, r controlRefs) {
	k := r.chart
	c := scatter("Moving range", r.unitAxis(), r.rangeLevels, k.Unit)
	c.Series = append([]excelize.ChartSeries{signs(r.rangeFloor, r.labelled)}, r.trace(r.rangeBefore, r.rangeLot)...)
	c.Series = append(c.Series, signs(r.beyond, r.order))
	limits := r.addLimits(c, limitLine{r.rangeHigh, k.RangeHigh, "upper"}, limitLine{r.rangeMean, k.RangeMean, "mean"})
	alt := fmt.Sprintf("Moving range of %s: %d of %d above the limit.", k.Stream, len(plot.Beyond(k)), len(k.Moving))
	b.add(at, c, alt, func(p *part) {
		r.finish(p, at, firstMark+1, limits)
		p.mark(firstMark, "circle", r.markSize(), "", plot.Vermillion)
	})
}

// markSize is smaller where points are dense: not every reader draws hollow marks.
func (r *controlRefs) markSize() int {
	switch n := len(r.chart.Values); {
	case n > 150:
		return 6
	case n > 80:
		return 8
	}
	return 9
}

// unitAxis places the units at 1, 2, 3 and so on.
func (r *controlRefs) unitAxis() excelize.ChartAxis {
	n := float64(len(r.chart.Values))
	lo, hi := 0.5-n/100, n+0.5+n/60
	return excelize.ChartAxis{Minimum: &lo, Maximum: &hi}
}

// trace joins the values before the lot and those of the lot.
func (r *controlRefs) trace(before, lot span) []excelize.ChartSeries {
	return []excelize.ChartSeries{stroke(before, r.order, plot.Faint, 0.75, ""), stroke(lot, r.order, plot.Blue, 0.75, "")}
}

// A limitLine is a level line with its name.
type limitLine struct {
	span
	value float64
	name  string
}

// addLimits adds the lines whose value is known and returns the text that stands
// at the right end of each.
func (r *controlRefs) addLimits(c *excelize.Chart, ls ...limitLine) []pointLabel {
	var labels []pointLabel
	var said []float64
	for _, l := range ls {
		if !plot.Finite(l.value) {
			continue
		}
		colour, width, dash := plot.Black, 1.5, "dash"
		if l.name == "centre" || l.name == "mean" {
			colour, width, dash = plot.Muted, 1, ""
		}
		c.Series = append(c.Series, stroke(l.span, r.order, colour, width, dash))
		text := l.name + " " + plot.Level(l.value, 0.01)
		if near(l.value, said, c.YAxis) {
			text = "" // it would overprint another name; the page's heading says all lines
		}
		said = append(said, l.value)
		labels = append(labels, pointLabel{len(r.chart.Values) - 1, text, "r", plot.Text, false})
	}
	return labels
}

// near reports whether a value lies within a line of text of one of others.
func near(v float64, others []float64, axis excelize.ChartAxis) bool {
	for _, o := range others {
		if math.Abs(v-o) < 0.05*(*axis.Maximum-*axis.Minimum) {
			return true
		}
	}
	return false
}

// numbers returns the labels of the marks, for each rule in turn. A point that
// several rules mark is labelled once, with all their numbers, by the first of
// them; in a dense run of the same numbers only points with room are labelled.
func (r *controlRefs) numbers() [][]pointLabel {
	all := plot.Numbers(r.rules)
	first := map[int]int{}
	for i := len(r.rules) - 1; i >= 0; i-- {
		for _, at := range r.rules[i].Points {
			first[at] = i
		}
	}
	room := 3 + len(r.chart.Values)/20
	out := make([][]pointLabel, len(r.rules))
	last, text := -room, ""
	for at, v := range r.chart.Values {
		n := all[at]
		if n == "" || !plot.Finite(v) || (n == text && at-last < room) || at-last < len(r.chart.Values)/40 {
			continue
		}
		last, text = at, n
		out[first[at]] = append(out[first[at]], pointLabel{at, n, "t", plot.Vermillion, true})
	}
	return out
}

// finish dots the values, hollow before the lot and filled in it, and writes the
// units below and the limits' names at the right; firstLimit is the series of the
// first limit.
func (r *controlRefs) finish(p *part, at frame, firstLimit int, limits []pointLabel) {
	size := 5
	if len(r.chart.Values) > 150 {
		size = 3
	}
	p.numericX()
	p.atFloor()
	p.mark(firstTrace, "circle", size, "#FFFFFF", plot.Faint)
	p.mark(firstTrace+1, "circle", size, plot.Blue, plot.Blue)
	for i, l := range limits {
		if l.text != "" {
			p.label(firstLimit+i, l)
		}
	}
	var units []pointLabel
	for i, at := range r.labels {
		units = append(units, pointLabel{i, plot.Short(clean(r.chart.Serials[at]), 11), "b", plot.Text, false})
	}
	p.hideMarks(0)
	p.label(0, units...)
	p.inside(at, 36, 30, 92)
}
