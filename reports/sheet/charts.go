package sheet

import (
	"fmt"

	"alike/reports/plot"
)

// charts writes the large pictures: the envelope of every channel, then one page
// for each control chart.
func (b *book) charts() {
	const s = sheetCharts
	for col := range gridColumns {
		b.width(s, col+1, gridPx)
	}
	row := b.pageHead(1, "Charts of lot "+b.lot.Code, commonNote(b.curves))
	if len(b.curves) == 0 {
		b.put(s, 1, row, "No picture: the lot has no bands yet.", look{colour: plot.Muted})
		row++
	}
	const high = 20
	for i, r := range b.curves {
		if i > 0 && i%2 == 0 {
			b.pageBreak(row)
		}
		row = b.canvasRows(row, high)
		b.envelope(frame{s, 1, row - high, gridColumns, high, gridPx, line}, r)
		row++
	}
	for _, r := range b.balance {
		if len(b.curves)%2 == 0 {
			b.pageBreak(row)
		}
		row = b.canvasRows(row, high)
		b.envelope(frame{s, 1, row - high, gridColumns, high, gridPx, line}, r)
		row++
	}
	if len(b.controls) == 0 {
		b.put(s, 1, row, "No control chart: there is no baseline yet, or no unit was measured.", look{colour: plot.Muted})
	}
	for i, r := range b.controls {
		b.pageBreak(row)
		row = b.controlPage(row, i+1, r)
	}
	b.areaOnly(s, "$A$1:"+gridLast+itoa(row))
	b.setup(s, page{natural: true})
}

func (b *book) pageHead(row int, text, note string) int {
	b.merged(sheetCharts, 1, gridColumns, row, text, look{size: 14, bold: true, wrap: true})
	b.height(sheetCharts, row, 19*float64(lines(text, gridColumns*gridPx, 14)))
	row++
	b.merged(sheetCharts, 1, gridColumns, row, note, caption)
	b.height(sheetCharts, row, textHeight(lines(note, gridColumns*gridPx, body))+4)
	return row + 1
}

func (b *book) pageBreak(row int) {
	if b.err == nil {
		b.keep(b.f.InsertPageBreak(sheetCharts, at(1, row)))
	}
}

// canvasRows fixes the height of rows that a chart covers and returns the row
// below them.
func (b *book) canvasRows(row, n int) int {
	for i := range n {
		b.height(sheetCharts, row+i, line)
	}
	return row + n
}

func (b *book) controlPage(row, n int, r controlRefs) int {
	const s = sheetCharts
	c := r.chart
	note := fmt.Sprintf("Filled points are units of this lot, hollow ones were measured before it. In the order of measurement, %s to %s.", firstOf(c.Serials), lastOf(c.Serials)) + plot.DescribeLimits(c)
	if full := b.lot.Charts[n-1]; len(full.Values) > len(c.Values) {
		note += fmt.Sprintf(" The newest %d of %d units are drawn.", len(c.Values), len(full.Values))
	}
	row = b.pageHead(row, fmt.Sprintf("Control chart %d of %d: %s", n, len(b.controls), c.Stream), note)
	if len(c.Values) == 0 {
		b.put(s, 1, row, "No unit was measured on this stream.", look{colour: plot.Muted})
		return row + 1
	}
	const values, ranges = 21, 12
	row = b.canvasRows(row, values)
	b.individuals(frame{s, 1, row - values, gridColumns, values, gridPx, line}, r)
	if len(c.Moving) > 0 {
		row = b.canvasRows(row, ranges)
		b.movingRange(frame{s, 1, row - ranges, gridColumns, ranges, gridPx, line}, r)
	}
	return b.rules(row, r)
}

func firstOf(s []string) string {
	if len(s) == 0 {
		return missing
	}
	return s[0]
}

func lastOf(s []string) string {
	if len(s) == 0 {
		return missing
	}
	return s[len(s)-1]
}

// rules says in words what the numbered marks mean.
func (b *book) rules(row int, r controlRefs) int {
	const s = sheetCharts
	say := func(number any, sign, text string) {
		b.put(s, 1, row, number, look{bold: true, top: true, align: "right"})
		b.put(s, 2, row, sign, look{colour: plot.Vermillion, top: true, align: "center"})
		b.merged(s, 3, gridColumns, row, text, look{wrap: true, top: true})
		b.height(s, row, textHeight(lines(text, (gridColumns-2)*gridPx, body))+2)
		row++
	}
	if len(r.rules) == 0 {
		say(nil, "", "No rule fired on this stream.")
	}
	for _, m := range r.rules {
		say(m.Number, m.Sign, m.Sentence(r.chart))
	}
	if beyond := plot.Beyond(r.chart); len(beyond) > 0 {
		say(nil, "○", plot.RangeRule(r.chart).Sentence(r.chart))
	}
	return row
}
