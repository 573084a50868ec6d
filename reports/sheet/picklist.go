package sheet

import (
	"fmt"
	"io"

	"alike/reports"
	"alike/reports/plot"
)

// The sheets of a pick list, in their order.
const (
	sheetPairs    = "Pairs"
	sheetLabels   = "Labels"
	sheetLeftOver = "Left over"
	sheetTradeOff = "Tolerance"
)

var pickSheets = []string{sheetPairs, sheetLabels, sheetLeftOver, sheetTradeOff, sheetMethod}

// WritePicks writes a pairing as a list to pick by, with labels to cut out. Errors as
// for Write.
func WritePicks(w io.Writer, l reports.PickList, o Options) error {
	paper, ok := paperSizes[o.Paper]
	if !ok {
		return fmt.Errorf("paper %q is not known: use A4 or Letter", o.Paper)
	}
	b := newBookOf(reports.Lot{Site: l.Site, Product: l.Product}, pickTitle(l), pickSheets, o, paper)
	defer b.f.Close()
	b.picks(l)
	b.labels(l)
	b.leftOver(l)
	b.tradeOff(l)
	facts := append([]reports.Fact{{Name: "program", Value: o.Program}, {Name: "form", Value: l.Form}}, l.Facts...)
	if l.Number > 0 {
		facts = append(facts, reports.Fact{Name: "kept", Value: l.MadeAt.Format("2006-01-02 15:04 -07:00") + " by " + l.Author})
	}
	if l.Withdrawn != "" {
		facts = append(facts, reports.Fact{Name: "withdrawn", Value: l.Withdrawn})
	}
	if l.Built.Sentence != "" {
		facts = append(facts, reports.Fact{Name: "built units", Value: l.Built.Sentence})
	}
	b.studyMethod(facts, l.Warnings)
	b.properties()
	if b.err != nil {
		return fmt.Errorf("pick list: %w", b.err)
	}
	return b.f.Write(w)
}

func pickTitle(l reports.PickList) string {
	if l.Number == 0 {
		return "Pairs of drivers, not kept"
	}
	return fmt.Sprintf("Pairing %d of drivers", l.Number)
}

func (b *book) picks(l reports.PickList) {
	text := fmt.Sprintf("%d pairs within %.3g dB, best first; total mismatch %.2f dB, worst %.2f dB. Tick a pair when both drivers lie together, and write down the unit they go into. Left and right are the sides of the listener.", len(l.Pairs), l.Tolerance, l.Total, l.Worst)
	if l.Withdrawn != "" {
		text = "This pairing was withdrawn; do not pick by it. " + text
	}
	t := table{
		sheet: sheetPairs, title: pickTitle(l), caption: text, none: "No two drivers are within the tolerance.",
		columns: []column{{head: "Picked", center: true}, {head: "Pair", format: plain0}, {head: "Left driver", most: 150}, {head: "Right driver", most: 150},
			{head: "Batch, left", most: 100}, {head: "Batch, right", most: 100}, {head: "Mismatch, dB", format: plain2}, {head: "Predicted balance, dB", format: signed2},
			{head: "", center: true}, {head: "Unit", most: 150}, {head: "Built balance, dB", format: signed2}},
		page: page{landscape: true, freezeCol: 4},
	}
	for _, p := range l.Pairs {
		fixed := ""
		if p.Fixed {
			fixed = "fixed"
		}
		unit := p.Unit
		if unit == "" {
			unit = "…………………"
		}
		t.rows = append(t.rows, []any{"☐", p.Rank, p.Left, p.Right, p.LeftBatch, p.RightBatch, p.Mismatch, p.Predicted, fixed, unit, p.Built})
	}
	b.table(t)
}

// labels writes two labels per pair, to cut out and stick on the trays.
func (b *book) labels(l reports.PickList) {
	const s, across, down = sheetLabels, 4, 10
	for col := range across {
		b.width(s, col+1, 175)
	}
	b.put(s, 1, 1, "Labels to cut out", title)
	b.height(s, 1, 22)
	row := 3
	for i, p := range l.Pairs {
		for k, x := range []struct{ side, serial, batch string }{{"LEFT", p.Left, p.LeftBatch}, {"RIGHT", p.Right, p.RightBatch}} {
			col := (2*i+k)%across + 1
			edge := look{bar: plot.Muted, indent: true}
			head, foot := edge, edge
			head.bold, head.size = true, 14
			b.put(s, col, row, fmt.Sprintf("Pair %d  %s", p.Rank, x.side), head)
			b.put(s, col, row+1, x.serial, edge)
			foot.colour, foot.under = plot.Muted, plot.Muted
			b.put(s, col, row+2, "batch "+x.batch, foot)
		}
		if (2*i+2)%across == 0 || i == len(l.Pairs)-1 {
			b.height(s, row, 22)
			b.height(s, row+3, 10)
			row += 4
			if n := (row - 3) / 4; n%down == 0 && b.err == nil && i < len(l.Pairs)-1 {
				b.keep(b.f.InsertPageBreak(s, at(1, row)))
			}
		}
	}
	b.setup(s, page{natural: true})
}

func (b *book) leftOver(l reports.PickList) {
	t := table{
		sheet: sheetLeftOver, title: "Drivers without a partner", caption: "Drivers that found no partner, and those that took no part, with the reason.", none: "Every driver found a partner.",
		columns: []column{{head: "Driver", most: 150}, {head: "Batch", most: 110}, {head: "Why", most: 420}},
	}
	for _, u := range l.Unpaired {
		t.rows = append(t.rows, []any{u.Serial, u.Batch, u.Why})
	}
	b.table(t)
}

func (b *book) tradeOff(l reports.PickList) {
	t := table{
		sheet: sheetTradeOff, title: "What another tolerance gives", caption: "The best pairing of the same drivers at other tolerances.", none: "Not computed.",
		columns: []column{{head: "Tolerance, dB", format: plain2}, {head: "Pairs", format: plain0}, {head: "Total mismatch, dB", format: plain2}, {head: "Worst, dB", format: plain2}, {head: "", most: 120}},
	}
	for _, p := range l.TradeOff {
		here := ""
		if p.Tolerance == l.Tolerance {
			here = "this list"
		}
		t.rows = append(t.rows, []any{p.Tolerance, p.Pairs, p.Total, p.Worst, here})
	}
	b.table(t)
}
