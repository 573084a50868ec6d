package sheet

import (
	"fmt"
	"math"
	"strings"

	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// A frame is where a chart stands: its first cell and how many columns and rows
// it covers. Charts begin and end on cell borders, because the library and the
// spreadsheets measure rows differently.
type frame struct {
	sheet              string
	col, row           int
	columns, rows      int
	columnPx, rowPoint float64
}

// add puts a chart on its sheet and opens its part for what only edit can say.
func (b *book) add(at frame, c *excelize.Chart, alt string, edit func(*part)) {
	if b.err != nil {
		return
	}
	// These two formulas are the library's own; with them the chart ends exactly
	// on a border. A test reads the anchors back.
	c.Dimension.Width = uint(at.columns * int(at.columnPx/digit*8+0.5))
	c.Dimension.Height = uint(at.rows * int(math.Ceil(4.0/3.4*at.rowPoint)))
	c.Format.AltText = cut(clean(alt), 2000)
	c.ShowBlanksAs = "gap"
	c.Border = excelize.LineOptions{Type: excelize.LineNone}
	b.drawn++
	c.Format.Name = fmt.Sprintf("Chart %d", b.drawn)
	cell, err := excelize.CoordinatesToCellName(at.col, at.row)
	b.keep(err)
	b.keep(b.f.AddChart(at.sheet, cell, c))
	b.edit(b.drawn, edit)
}

// edit rewrites the n-th chart's part.
func (b *book) edit(n int, change func(*part)) {
	if b.err != nil {
		return
	}
	name := fmt.Sprintf("xl/charts/chart%d.xml", n)
	raw, ok := b.f.Pkg.Load(name)
	if !ok {
		b.keep(fmt.Errorf("the file has no part %s", name))
		return
	}
	p, err := openPart(raw.([]byte))
	if err != nil {
		b.keep(err)
		return
	}
	p.plain()
	change(p)
	out, err := p.bytes()
	b.keep(err)
	b.f.Pkg.Store(name, out)
}

var dashTypes = map[string]excelize.LineDashType{
	"": excelize.LineDashUnset, "dash": excelize.LineDashDash,
	"dot": excelize.LineDashSysDot, "dashdot": excelize.LineDashSysDashDot,
}

// stroke is a series drawn as a line without marks.
func stroke(s span, xs, colour string, width float64, dash string) excelize.ChartSeries {
	return excelize.ChartSeries{
		Name: s.name, Categories: xs, Values: s.values,
		Fill:   excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}},
		Line:   excelize.LineOptions{Type: excelize.LineSolid, Width: width, Dash: dashTypes[dash]},
		Marker: excelize.ChartMarker{Symbol: "none"},
	}
}

// signs is a series of marks without a line; mark sets their shape.
func signs(s span, xs string) excelize.ChartSeries {
	return excelize.ChartSeries{
		Name: s.name, Categories: xs, Values: s.values,
		Line:   excelize.LineOptions{Type: excelize.LineNone},
		Marker: excelize.ChartMarker{Symbol: "circle", Size: 5},
	}
}

func chartText(s string, size float64, bold bool, colour string) []excelize.RichTextRun {
	return []excelize.RichTextRun{{Text: strings.ReplaceAll(clean(s), "\n", " "), Font: &excelize.Font{Family: font, Size: size, Bold: bold, Color: colour}}}
}

func axisFont() excelize.Font { return excelize.Font{Family: font, Size: 9, Color: plot.Text} }

// levelAxis is a linear axis with the given round ticks.
func levelAxis(ticks []float64, unit string) excelize.ChartAxis {
	lo, hi, step := ticks[0], ticks[len(ticks)-1], ticks[1]-ticks[0]
	format := "0"
	if step < 1 {
		format = "0." + strings.Repeat("0", int(math.Ceil(-math.Log10(step)-1e-9)))
	}
	return excelize.ChartAxis{
		Minimum: &lo, Maximum: &hi, MajorUnit: step, MajorGridLines: true, Font: axisFont(),
		NumFmt: excelize.ChartNumFmt{CustomNumFmt: format},
		Title:  excelize.ChartTitle{Paragraph: chartText(unit, 9, false, plot.Muted)},
	}
}
