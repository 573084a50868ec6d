package sheet

import (
	"math"

	"alike/reports/plot"
	"alike/spc/band"

	"github.com/xuri/excelize/v2"
)

// envelope draws one channel: grid, units, limits, named units.
func (b *book) envelope(at frame, r curveRefs) {
	lo, hi := plot.FrequencyRange(r.plot.Axis)
	// A hair of room: the outermost grid lines must not fall outside by rounding.
	lo, hi = lo/1.001, hi*1.001
	c := scatter(r.plot.Title, excelize.ChartAxis{Minimum: &lo, Maximum: &hi}, r.plot.Ticks(), "dB")
	c.Legend = excelize.ChartLegend{Position: "bottom", Font: &excelize.Font{Family: font, Size: 9, Color: plot.Text}}
	grid, hidden := r.series(c)
	var labels []pointLabel
	for i, f := range r.ticks {
		labels = append(labels, pointLabel{3 * i, band.Hertz(f), "b", plot.Text, false})
	}
	b.add(at, c, r.plot.Description, func(p *part) {
		p.logX()
		p.numericX()
		p.label(grid, labels...)
		p.hide(hidden...)
		p.inside(at, 40, 36+r.legendHeight(at), 30)
	})
}

// series adds the lines of a channel and returns which one is the grid and which
// ones the legend leaves out. Some readers paint the last series over the others and some the first, so
// limits and named units stand at both ends, around grid and plain curves.
func (r *curveRefs) series(c *excelize.Chart) (grid int, hidden []int) {
	add := func(s excelize.ChartSeries, legend bool) {
		if !legend {
			hidden = append(hidden, len(c.Series))
		}
		c.Series = append(c.Series, s)
	}
	for i := len(r.lines) - 1; i >= 0; i-- {
		if l := r.lines[i]; l.front {
			add(stroke(l.span, r.axis, l.colour, l.width, l.dash), false)
		}
	}
	grid = len(c.Series)
	add(stroke(span{name: sheetData + "!$A$1", values: r.gridY}, r.gridX, "#D9D9D9", 0.75, ""), false)
	for _, l := range r.lines {
		add(stroke(l.span, r.axis, l.colour, l.width, l.dash), l.legend)
	}
	return grid, hidden
}

// legendHeight is the room in pixels for the legend, which spreadsheets lay out
// in columns as wide as the longest entry.
func (r *curveRefs) legendHeight(at frame) float64 {
	const key, rowPx = 50.0, 15.0
	widest, n := 1.0, 0
	for _, l := range r.lines {
		if l.legend {
			widest = math.Max(widest, pixels(l.label, 9)+key)
			n++
		}
	}
	perRow := max(int(0.95*float64(at.columns)*at.columnPx/widest), 1)
	return rowPx * float64((n+perRow-1)/perRow)
}

// scatter is what all charts of this file share: numbers on both axes, labels of
// the horizontal one written by a series of their own.
func scatter(name string, x excelize.ChartAxis, levels []float64, unit string) *excelize.Chart {
	x.TickLabelPosition = excelize.ChartTickLabelNone
	return &excelize.Chart{
		Type:   excelize.Scatter,
		Title:  excelize.ChartTitle{Paragraph: chartText(name, 11, true, plot.Text)},
		Legend: excelize.ChartLegend{Position: "none"},
		XAxis:  x,
		YAxis:  levelAxis(levels, unit),
	}
}
