package sheet

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/reports/plot"
)

// The Summary and the Charts sheet stand on a grid of equal columns.
const (
	gridColumns = 13
	gridPx      = 54.0
	gridLast    = "$M$"
)

// summary writes the one page that says what the lot is, what is proposed and
// why, and shows every unit.
func (b *book) summary() {
	const s = sheetSummary
	for col := range gridColumns {
		b.width(s, col+1, gridPx)
	}
	row := b.summaryHead()
	row = b.proposal(row + 1)
	b.height(s, row, 9)
	left, right := b.counts(row+1), b.yields(row+1)
	row = max(left, right)
	b.height(s, row, 9)
	row = b.summaryCharts(row + 1)
	b.areaOnly(s, "$A$1:"+gridLast+itoa(row))
	b.setup(s, page{oneHigh: true})
}

func (b *book) summaryHead() int {
	const s = sheetSummary
	l := b.lot
	b.merged(s, 1, 9, 1, "Lot "+l.Code, look{size: 20, bold: true, wrap: true})
	b.height(s, 1, 27*float64(lines("Lot "+l.Code, 9*gridPx, 20)))
	b.merged(s, 10, gridColumns, 1, l.Site, look{colour: plot.Muted, align: "right", wrap: true})
	b.merged(s, 1, gridColumns, 2, l.Product, look{size: 12, wrap: true})
	b.height(s, 2, 17*float64(lines(l.Product, gridColumns*gridPx, 12)))
	b.merged(s, 1, 2, 3, "first unit", look{colour: plot.Muted})
	b.merged(s, 3, 6, 3, l.Opened, look{})
	b.merged(s, 7, 8, 3, "last so far", look{colour: plot.Muted})
	b.merged(s, 9, gridColumns, 3, l.Closed, look{})
	b.height(s, 3, 16)
	b.height(s, 4, 8)
	return 4
}

// proposal writes what the program proposes, why, and who decides.
func (b *book) proposal(row int) int {
	const s = sheetSummary
	p := b.lot.Proposal
	if p.Word == "" {
		p.Word = map[bool]string{true: "accept", false: "refuse"}[p.Accept]
	}
	l := plot.LookOf(p.Word)
	ground := look{fill: l.Tint, wrap: true, middle: true}
	edge := ground
	edge.bar, edge.align, edge.bold = l.Colour, "center", true
	edge.size = 16
	head := ground
	head.size, head.bold = 14, true
	b.put(s, 1, row, l.Sign, edge)
	b.merged(s, 2, gridColumns, row, "The program proposes: "+p.Word, head)
	b.height(s, row, 27)
	edge.size, edge.bold, edge.colour = 0, false, plot.Muted
	for i, reason := range p.Reasons {
		row++
		b.put(s, 1, row, i+1, edge)
		b.merged(s, 2, gridColumns, row, reason, ground)
		b.height(s, row, textHeight(lines(reason, (gridColumns-1)*gridPx, body))+2)
	}
	if b.lot.Life.Signature != nil {
		b.height(s, row+1, 6)
		return b.decision(row + 2)
	}
	row++
	b.height(s, row, 26)
	for _, f := range []struct {
		from, to int
		label    string
	}{{1, 2, "A person decides:"}, {6, 6, "name"}, {10, 10, "date"}} {
		l := look{colour: plot.Muted, align: "right"}
		if f.from == 1 {
			l.align = ""
		}
		b.merged(s, f.from, f.to, row, f.label, l)
	}
	for _, f := range [][2]int{{3, 5}, {7, 9}, {11, gridColumns}} {
		b.merged(s, f[0], f[1], row, nil, look{under: plot.Muted})
	}
	return row + 1
}

// counts lists the units by the verdict of their last attempt.
func (b *book) counts(row int) int {
	const s = sheetSummary
	c := b.lot.Counts
	right := header
	right.align = "right"
	b.put(s, 1, row, nil, header)
	b.merged(s, 2, 3, row, "Last verdict", header)
	b.put(s, 4, row, "units", right)
	b.put(s, 5, row, "share", right)
	b.height(s, row, 17)
	numbers := []int{c.Pass, c.Fail, c.Doubtful, c.Reseat, c.Hold, c.Waiting}
	for i, word := range plot.Words {
		row++
		l := plot.LookOf(word)
		cell := look{under: plot.Rule}
		if numbers[i] > 0 {
			cell.fill = l.Tint
		}
		sign := cell
		sign.align = "center"
		sign.bold = true
		b.put(s, 1, row, l.Sign, sign)
		b.merged(s, 2, 3, row, word, cell)
		b.share(row, numbers[i], c.Units, cell)
	}
	row++
	total := look{bold: true}
	b.merged(s, 2, 3, row, "all units", total)
	cell := total
	cell.format = plain0
	b.put(s, 4, row, c.Units, cell)
	for r := row - len(numbers); r <= row; r++ {
		b.height(s, r, line)
	}
	return row + 1
}

func (b *book) share(row, n, of int, l look) {
	l.format = plain0
	b.put(sheetSummary, 4, row, n, l)
	l.format = percent
	if of == 0 {
		l.align, l.colour = "right", plot.Muted
		b.put(sheetSummary, 5, row, missing, l)
		return
	}
	b.put(sheetSummary, 5, row, float64(n)/float64(of), l)
}

// yields lists the shares with their intervals, and what was measured.
func (b *book) yields(row int) int {
	const s = sheetSummary
	right := header
	right.align = "right"
	b.merged(s, 7, 8, row, "Yield", header)
	for i, head := range []string{"good", "of", "share", "from", "to"} {
		b.put(s, 9+i, row, head, right)
	}
	var confidence []string
	for _, y := range b.lot.Yield {
		row++
		l := look{under: plot.Rule}
		l.wrap = true
		b.merged(s, 7, 8, row, y.Name, l)
		b.height(s, row, math.Max(line, textHeight(lines(y.Name, 2*gridPx, body))))
		l.wrap, l.align, l.format = false, "right", plain0
		b.put(s, 9, row, y.Good, l)
		b.put(s, 10, row, y.Of, l)
		l.format = percent
		for i, v := range []float64{y.Share, y.Low, y.High} {
			b.put(s, 11+i, row, v, l)
		}
		confidence = addOnce(confidence, fmt.Sprintf("%g %%", 100*y.Confidence))
	}
	row++
	if len(confidence) > 0 {
		b.merged(s, 7, gridColumns, row, "From and to: two-sided interval, confidence "+strings.Join(confidence, ", ")+".", look{size: 9, colour: plot.Muted})
	}
	c := b.lot.Counts
	for _, f := range []struct {
		name string
		n    int
	}{{"judged attempts", c.Attempts}, {"units with more than one attempt", c.Retested}, {"takes (one curve each)", c.Takes}, {"files and takes refused", c.Refused}} {
		row++
		b.merged(s, 7, gridColumns-1, row, f.name, look{under: plot.Rule})
		b.put(s, gridColumns, row, f.n, look{under: plot.Rule, format: plain0})
	}
	return row + 1
}

func addOnce(list []string, s string) []string {
	for _, have := range list {
		if have == s {
			return list
		}
	}
	return append(list, s)
}

// summaryCharts shows every channel and says what is drawn.
func (b *book) summaryCharts(row int) int {
	const s = sheetSummary
	if len(b.curves) == 0 {
		b.merged(s, 1, gridColumns, row, "No picture: the lot has no bands yet.", look{colour: plot.Muted})
		return row
	}
	curves := b.curves
	if b.unbalanced > 0 { // else the page is better kept for the curves themselves
		curves = append(slices.Clone(curves), b.balance...)
	}
	rows := map[int]int{1: 24, 2: 15}[len(curves)]
	if rows == 0 {
		rows = 12
	}
	for _, r := range curves {
		for i := range rows {
			b.height(s, row+i, line)
		}
		b.envelope(frame{s, 1, row, gridColumns, rows, gridPx, line}, r)
		row += rows
	}
	note := commonNote(curves)
	b.merged(s, 1, gridColumns, row, note, look{size: 9, colour: plot.Muted, wrap: true, top: true})
	b.height(s, row, 12*float64(lines(note, gridColumns*gridPx, 9))+3)
	return row
}

// commonNote joins the notes of the channels, each sentence once.
func commonNote(refs []curveRefs) string {
	var notes []string
	for _, r := range refs {
		notes = addOnce(notes, r.plot.Note)
	}
	return strings.Join(notes, "\n")
}
