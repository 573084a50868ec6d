package sheet

import (
	"fmt"
	"io"
	"math"
	"strings"

	"alike/reports"
	"alike/reports/plot"
)

// The sheets of a comparison of drivers, in their order.
const (
	sheetAnswer     = "Answer"
	sheetLevels     = "Levels"
	sheetNumbers    = "Numbers"
	sheetAcceptance = "Acceptance"
	sheetDrivers    = "Drivers"
)

var studySheets = []string{sheetAnswer, sheetBands, sheetLevels, sheetNumbers, sheetAcceptance, sheetDrivers, sheetMethod, sheetData}

// WriteStudy writes a comparison of batches or suppliers of drivers. Errors as for
// Write.
func WriteStudy(w io.Writer, s reports.DriverStudy, o Options) error {
	if err := s.Check(); err != nil {
		return err
	}
	paper, ok := paperSizes[o.Paper]
	if !ok {
		return fmt.Errorf("paper %q is not known: use A4 or Letter", o.Paper)
	}
	subject := "Drivers: " + strings.Join(groupNames(s), ", ")
	lot := reports.Lot{Site: s.Site, Product: s.Product, Axis: s.Axis, Labels: s.Labels}
	b := &studyBook{book: newBookOf(lot, subject, studySheets, o, paper), study: s}
	defer b.f.Close()
	b.data()
	b.answer()
	b.bands()
	b.levels()
	b.numbers()
	b.acceptance()
	b.drivers()
	b.studyMethod(s.Method, s.Warnings)
	b.properties()
	if b.err != nil {
		return fmt.Errorf("comparison of drivers: %w", b.err)
	}
	return b.f.Write(w)
}

type studyBook struct {
	*book
	study reports.DriverStudy
	pairs []curveRefs // a chart per pair of groups
}

func groupNames(s reports.DriverStudy) []string {
	var names []string
	for _, g := range s.Groups {
		names = append(names, g.Name)
	}
	return names
}

// mostDrawn is how many pairs of groups get a chart of their own.
const mostDrawn = 6

// data writes what the charts draw: for each pair of groups the difference of the
// means with its interval, between the margins.
func (b *studyBook) data() {
	d := &dataWriter{book: b.book, row: 4}
	b.put(sheetData, 1, 1, "Numbers behind the charts", title)
	b.height(sheetData, 1, 22)
	b.put(sheetData, 1, 2, "The charts read these cells. Open the file to read them; on paper this heading stands for the sheet.", look{colour: plot.Muted})
	for col, px := range []float64{170, 90, 130} {
		b.width(sheetData, col+1, px)
	}
	for k := range b.study.Pairs[:min(len(b.study.Pairs), mostDrawn)] {
		b.pairs = append(b.pairs, b.pair(d, k))
	}
	b.areaOnly(sheetData, "$A$1:$L$2")
	b.setup(sheetData, page{landscape: true, freezeCol: 1, freezeRow: 2})
}

func (b *studyBook) pair(d *dataWriter, k int) curveRefs {
	p := b.study.Pairs[k]
	n := len(b.study.Axis)
	difference, low, high, lower, upper := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i, c := range b.study.Bands {
		x := c.Pairs[k]
		difference[i], low[i], high[i], lower[i], upper[i] = x.Difference, x.Low, x.High, -c.Margin, c.Margin
	}
	r := curveRefs{plot: plot.EnvelopePlot{
		Title: fmt.Sprintf("%s minus %s", p.A, p.B), Axis: b.study.Axis, Lower: lower, Upper: upper,
		Areas:       []plot.Area{{Name: "interval", Low: low, High: high}},
		Description: fmt.Sprintf("Mean level of %s minus that of %s per band, with its interval, between the margins of %.3g dB.", p.A, p.B, b.study.Margin),
	}}
	d.put(sheetData, 1, d.row, r.plot.Title, heading)
	d.row++
	for i, head := range []string{"curve", "pair", "name in the chart"} {
		d.put(sheetData, i+1, d.row, head, header)
	}
	d.values(b.study.Axis, look{bold: true, under: plot.Text, heavy: true, format: "0.#"})
	r.axis = cells(firstValue, d.row, firstValue+n-1, d.row)
	d.row++
	add := func(what, name string, values []float64, l curveLine) {
		if _, _, ok := plot.Span(values); !ok {
			return
		}
		l.label, l.span = name, d.curve(what, r.plot.Title, name, values)
		r.lines = append(r.lines, l)
	}
	add("lower end", "lower end", low, curveLine{colour: plot.Blue, width: 1, dash: "dash"})
	add("upper end", "interval, all pairs together", high, curveLine{colour: plot.Blue, width: 1, dash: "dash", legend: true})
	add("difference", "difference of the means", difference, curveLine{colour: plot.Blue, width: 2.25, legend: true, front: true})
	add("lower margin", "lower margin", lower, curveLine{colour: plot.Black, width: 1.5, front: true})
	add("upper margin", "margin", upper, curveLine{colour: plot.Black, width: 1.5, legend: true, front: true})
	d.grid(&r)
	d.row++
	return r
}

// answer writes the one page that says what was found.
func (b *studyBook) answer() {
	const s = sheetAnswer
	for col := range gridColumns {
		b.width(s, col+1, gridPx)
	}
	b.merged(s, 1, 9, 1, b.subject, look{size: 20, bold: true, wrap: true})
	b.height(s, 1, 27*float64(lines(b.subject, 9*gridPx, 20)))
	b.merged(s, 10, gridColumns, 1, b.study.Site, look{colour: plot.Muted, align: "right", wrap: true})
	b.merged(s, 1, gridColumns, 2, b.study.Product, look{size: 12, wrap: true})
	b.height(s, 2, 17*float64(lines(b.study.Product, gridColumns*gridPx, 12)))
	b.height(s, 3, 8)
	row := b.sentences(4)
	b.height(s, row, 9)
	row = b.groups(row + 1)
	b.height(s, row, 9)
	row++
	for _, r := range b.pairs[:min(len(b.pairs), 3)] {
		rows := 16
		for i := range rows {
			b.height(s, row+i, line)
		}
		b.envelope(frame{s, 1, row, gridColumns, rows, gridPx, line}, r)
		row += rows
	}
	if len(b.study.Warnings) > 0 {
		b.merged(s, 1, gridColumns, row, "Mind", heading)
		b.height(s, row, 18)
	}
	for _, w := range b.study.Warnings {
		row++
		w = plot.Minus(w)
		b.merged(s, 1, gridColumns, row, w, look{size: 9, colour: plot.Muted, wrap: true, top: true})
		b.height(s, row, 12*float64(lines(w, gridColumns*gridPx, 9))+3)
	}
	b.areaOnly(s, "$A$1:"+gridLast+itoa(row))
	b.setup(s, page{oneHigh: true})
}

// sentences writes the conclusion, the headline first.
func (b *studyBook) sentences(row int) int {
	const s = sheetAnswer
	ground := look{fill: "#EEF1F3", wrap: true, middle: true}
	edge := ground
	edge.bar, edge.align, edge.colour = plot.Blue, "center", plot.Muted
	for i, text := range b.study.Conclusion {
		text = plot.Minus(text)
		l, size := ground, body
		if i == 0 {
			l.size, l.bold, size = 14, true, 14.0
		}
		b.put(s, 1, row, i+1, edge)
		b.merged(s, 2, gridColumns, row, text, l)
		b.height(s, row, math.Ceil(1.35*size)*float64(lines(text, (gridColumns-1)*gridPx, size))+4)
		row++
	}
	return row
}

// groups writes a row per batch or supplier.
func (b *studyBook) groups(row int) int {
	const s = sheetAnswer
	right := header
	right.align = "right"
	beside := "Supplier"
	if b.study.By == "supplier" {
		beside = "Batches"
	}
	for _, h := range []struct {
		from, to int
		text     string
		l        look
	}{{1, 2, upperFirst(b.study.By), header}, {3, 4, beside, header}, {5, 5, "drivers", right}, {6, 6, "good", right}, {7, 7, "bad", right},
		{8, 8, "open", right}, {9, 9, "yield", right}, {10, 11, "from and to", right}, {12, 13, "pairs per 100 bought", right}} {
		b.merged(s, h.from, h.to, row, h.text, h.l)
	}
	b.height(s, row, textHeight(2))
	for _, g := range b.study.Groups {
		row++
		l := look{under: plot.Rule, wrap: true, top: true}
		b.merged(s, 1, 2, row, g.Name, l)
		supplier := g.Supplier
		if b.study.By == "supplier" {
			supplier = strings.Join(g.Batches, ", ")
		}
		b.merged(s, 3, 4, row, orMissing(supplier), l)
		b.height(s, row, textHeight(max(lines(g.Name, 2*gridPx, body), lines(supplier, 2*gridPx, body))))
		l.wrap, l.align, l.format = false, "right", plain0
		for i, n := range []int{g.Drivers, g.Good, g.Bad, g.NotChecked} {
			b.put(s, 5+i, row, n, l)
		}
		l.format = percent
		b.put(s, 9, row, g.Yield.Share, l)
		l.format = ""
		b.merged(s, 10, 11, row, rangeText(100*g.Yield.Low, 100*g.Yield.High, "%.1f", " %"), l)
		pairs := missing
		if g.Pairing.Known {
			pairs = fmt.Sprintf("%.1f (%s)", g.Pairing.Pairs, rangeText(g.Pairing.Low, g.Pairing.High, "%.0f", ""))
		}
		b.merged(s, 12, 13, row, pairs, l)
	}
	row++
	note := fmt.Sprintf("Open: something that has a limit was not measured. From and to: two-sided interval of the yield, confidence %g %%. Pairs within a mismatch of %.3g dB, in brackets the middle 90 of 100 purchases.", 100*b.study.Confidence, b.study.Groups[0].Pairing.Tolerance)
	b.merged(s, 1, gridColumns, row, note, look{size: 9, colour: plot.Muted, wrap: true, top: true})
	b.height(s, row, 12*float64(lines(note, gridColumns*gridPx, 9))+3)
	return row + 1
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func rangeText(low, high float64, format, unit string) string {
	if !plot.Finite(low) || !plot.Finite(high) {
		return missing
	}
	return fmt.Sprintf(format+" to "+format+"%s", low, high, unit)
}
