package sheet

import (
	"fmt"
	"math"

	"alike/reports"
	"alike/reports/plot"
)

// A span is a row or column of cells on the Data sheet that a chart draws, with
// the cell that names it.
type span struct{ name, values string }

// curveRefs says where the curves of one channel stand on the Data sheet.
type curveRefs struct {
	plot  plot.EnvelopePlot
	axis  string // frequencies
	lines []curveLine
	gridX string // the grid of a logarithmic axis, as one broken line
	gridY string
	ticks []float64 // frequencies of the grid, in its order
}

// A curveLine is one line of an envelope chart.
type curveLine struct {
	span
	colour string
	width  float64
	dash   string
	legend bool
	front  bool // stays visible above all plain curves
	label  string
}

// A controlRefs says where one control chart's numbers stand on the Data sheet.
type controlRefs struct {
	chart               reports.Chart
	rules               []plot.RuleMarks
	levels, rangeLevels []float64 // round ticks of the two halves
	labels              []int     // units named below the charts

	order, labelled              string // places of all units and of the named ones
	before, lot                  span
	centre, lower, upper         span
	marks                        []span // one per rule
	rangeBefore, rangeLot        span
	rangeMean, rangeHigh, beyond span
	floor, rangeFloor            span // where the names of units stand
}

// firstValue is the column in which the curves' values begin.
const firstValue = 4

type dataWriter struct {
	*book
	row int
}

// data writes the Data sheet and remembers where everything stands.
func (b *book) data() {
	d := &dataWriter{book: b, row: 4}
	b.put(sheetData, 1, 1, "Numbers behind the charts of lot "+b.lot.Code, title)
	b.height(sheetData, 1, 22)
	b.put(sheetData, 1, 2, "The charts read these cells. An empty cell is a gap: not known or not judged. Open the file to read them; on paper this heading stands for the sheet.", look{colour: plot.Muted})
	for col, px := range []float64{170, 90, 130} {
		b.width(sheetData, col+1, px)
	}
	for _, p := range plot.OfLot(b.lot) {
		b.curves = append(b.curves, d.channel(p))
	}
	if p, beyond, ok := plot.BalanceOf(b.lot); ok {
		b.balance = append(b.balance, d.channel(p))
		b.unbalanced = beyond
	}
	for _, c := range b.lot.Charts {
		b.controls = append(b.controls, d.control(c))
	}
	d.oc()
	b.areaOnly(sheetData, "$A$1:$L$2")
	b.setup(sheetData, page{landscape: true, freezeCol: 1, freezeRow: 2})
}

// cells names a range of the Data sheet.
func cells(col1, row1, col2, row2 int) string {
	return fmt.Sprintf("%s!%s:%s", sheetData, absolute(col1, row1), absolute(col2, row2))
}

// channel writes one row per curve; the frequencies stand above them.
func (d *dataWriter) channel(p plot.EnvelopePlot) curveRefs {
	r := curveRefs{plot: p}
	d.put(sheetData, 1, d.row, r.plot.Title, heading)
	d.row++
	for i, head := range []string{"curve", "channel", "name in the chart"} {
		d.put(sheetData, i+1, d.row, head, header)
	}
	d.values(d.lot.Axis, look{bold: true, under: plot.Text, heavy: true, format: "0.#"})
	r.axis = cells(firstValue, d.row, firstValue+len(d.lot.Axis)-1, d.row)
	d.row++
	add := func(what, name string, values []float64, l curveLine) {
		if _, _, ok := plot.Span(values); !ok {
			return
		}
		l.label = name
		l.span = d.curve(what, p.Channel, name, values)
		r.lines = append(r.lines, l)
	}
	faint := curveLine{colour: plot.Faint, width: p.PlainWidth()}
	for i, c := range p.Plain {
		l, name := faint, c.Name
		if i == 0 {
			// The legend explains the grey lines once.
			l.legend, name = true, "one unit each"
			if len(p.Strong) > 0 {
				name = "other units"
			}
		}
		add(c.Name, name, c.Values, l)
	}
	for i, a := range p.Areas {
		l := []curveLine{{colour: plot.Faint, width: 1.25}, {colour: plot.Muted, width: 1, dash: "dash"}}[min(i, 1)]
		add(a.Name+", low", a.Name, a.Low, l)
		l.legend = true
		add(a.Name+", high", a.Name, a.High, l)
	}
	add(p.Middle, p.Middle, p.Center, curveLine{colour: plot.Muted, width: 2, legend: true})
	working := curveLine{colour: plot.Text, width: 1, dash: "dash"}
	add("lower working limit", "lower working limit", p.WorkingLower, working)
	working.legend = true
	add("upper working limit", "working limits", p.WorkingUpper, working)
	limit := curveLine{colour: plot.Black, width: 2.25, front: true}
	add("lower limit", "lower limit", p.Lower, limit)
	limit.legend = true
	add("upper limit", "limits", p.Upper, limit)
	for i, c := range p.Strong {
		s := plot.StrokeOf(i)
		lead := p.StrongLead
		if lead == "" {
			lead = "fail: "
		}
		add(c.Name, lead+plot.Short(c.Name, 24), c.Values, curveLine{colour: s.Colour, width: 1.5, dash: s.Dash, legend: true, front: true})
	}
	d.grid(&r)
	d.row++
	return r
}

// curve writes one row and returns where it stands.
func (d *dataWriter) curve(what, channel, name string, values []float64) span {
	for i, s := range []string{what, channel, name} {
		d.put(sheetData, i+1, d.row, s, look{})
	}
	d.values(values, look{format: plain2})
	s := span{sheetData + "!" + absolute(3, d.row), cells(firstValue, d.row, firstValue+len(values)-1, d.row)}
	d.row++
	return s
}

// values writes a row of numbers and leaves gaps empty.
func (d *dataWriter) values(values []float64, l look) {
	for i, v := range values {
		if plot.Finite(v) {
			d.put(sheetData, firstValue+i, d.row, v, l)
		}
	}
}

// grid writes the vertical grid lines of the logarithmic axis: every line is two
// points and a gap. Spreadsheets label powers of ten only; these lines carry the
// labels that the trade uses.
func (d *dataWriter) grid(r *curveRefs) {
	lo, hi := plot.FrequencyRange(d.lot.Axis)
	r.ticks = plot.FrequencyTicks(lo, hi)
	levels := r.plot.Ticks()
	var xs, ys []float64
	for _, f := range r.ticks {
		xs = append(xs, f, f, math.NaN())
		ys = append(ys, levels[0], levels[len(levels)-1], math.NaN())
	}
	r.gridX = d.curve("grid, frequency in Hz", r.plot.Channel, "", xs).values
	r.gridY = d.curve("grid, level in dB", r.plot.Channel, "", ys).values
}
