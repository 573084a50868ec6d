package sheet

import (
	"fmt"
	"strings"

	"alike/reports"
	"alike/reports/plot"
)

// mostPoints is how many of the newest units a native control chart draws; a
// single unit is less than a pixel wide long before.
const mostPoints = 2000

// newest returns the last mostPoints units of a chart.
func newest(c reports.Chart) reports.Chart {
	skip := len(c.Values) - mostPoints
	if skip <= 0 {
		return c
	}
	c.Serials, c.Values, c.InLot = c.Serials[skip:], c.Values[skip:], c.InLot[skip:]
	if len(c.Moving) > 0 {
		c.Moving = c.Moving[skip:]
	}
	var marks []reports.Mark
	for _, m := range c.Marks {
		if m.Index >= skip {
			m.Index -= skip
			marks = append(marks, m)
		}
	}
	c.Marks = marks
	return c
}

// A dataColumn is one column of a control chart's block; a nil value is a gap.
type dataColumn struct {
	name  string
	value func(i int) any
	into  *span
}

// control writes one row per unit below a row of names.
func (d *dataWriter) control(c reports.Chart) controlRefs {
	c = newest(c)
	r := controlRefs{chart: c, rules: plot.Rules(c)}
	r.marks = make([]span, len(r.rules))
	r.scales()
	var order, labelled span
	columns := []dataColumn{
		{"serial", func(i int) any { return c.Serials[i] }, nil},
		{"order", func(i int) any { return i + 1 }, &order},
		{"before the lot", pick(c.Values, func(i int) bool { return !c.InLot[i] }), &r.before},
		{"this lot", pick(c.Values, func(i int) bool { return c.InLot[i] }), &r.lot},
		{"centre", same(c.Center), &r.centre},
		{"lower limit", same(c.Lower), &r.lower},
		{"upper limit", same(c.Upper), &r.upper},
	}
	for i, m := range r.rules {
		columns = append(columns, dataColumn{fmt.Sprintf("%d %s", m.Number, m.Rule), pick(c.Values, in(m.Points)), &r.marks[i]})
	}
	if len(c.Moving) > 0 {
		columns = append(columns,
			dataColumn{"moving range before", pick(c.Moving, func(i int) bool { return !c.InLot[i] }), &r.rangeBefore},
			dataColumn{"moving range", pick(c.Moving, func(i int) bool { return c.InLot[i] }), &r.rangeLot},
			dataColumn{"mean range", same(c.RangeMean), &r.rangeMean},
			dataColumn{"upper range limit", same(c.RangeHigh), &r.rangeHigh},
			dataColumn{"range above its limit", pick(c.Moving, in(plot.Beyond(c))), &r.beyond})
	}
	columns = append(columns,
		dataColumn{"named unit", r.few(func(i int) any { return r.labels[i] + 1 }), &labelled},
		dataColumn{"floor", r.few(func(int) any { return r.levels[0] }), &r.floor},
		dataColumn{"range floor", r.few(func(int) any { return r.rangeLevels[0] }), &r.rangeFloor})
	d.block(c, columns)
	r.order, r.labelled = order.values, labelled.values
	return r
}

// scales chooses the round levels of both halves and about seven units that are
// named below them.
func (r *controlRefs) scales() {
	c := r.chart
	lo, hi, ok := plot.Span(c.Values, []float64{c.Center, c.Lower, c.Upper})
	if !ok {
		lo, hi = -1, 1
	}
	// Numbers stand above the marks.
	r.levels = plot.LevelTicks(lo, hi+0.06*(hi-lo), 9)
	lo, hi, ok = plot.Span(c.Moving, []float64{0, c.RangeMean, c.RangeHigh})
	if !ok {
		lo, hi = 0, 1
	}
	r.rangeLevels = plot.LevelTicks(lo, hi, 5)
	for i := 0; i < len(c.Values); i += max((len(c.Values)+6)/7, 1) {
		r.labels = append(r.labels, i)
	}
}

// few is a column with one value per named unit.
func (r *controlRefs) few(value func(int) any) func(int) any {
	return func(i int) any {
		if i >= len(r.labels) {
			return nil
		}
		return value(i)
	}
}

// block writes the columns below each other's names and notes where they stand.
func (d *dataWriter) block(c reports.Chart, columns []dataColumn) {
	name := c.Stream
	if c.Unit != "" {
		name += ", " + c.Unit
	}
	d.put(sheetData, 1, d.row, name, heading)
	d.row++
	head, n := d.row, len(c.Values)
	most := 1
	for i, col := range columns {
		d.put(sheetData, i+1, head, col.name, header)
		most = max(most, lines(col.name, []float64{170, 90, 130, 73}[min(i, 3)], body))
		for k := range n {
			if v := col.value(k); v != nil {
				d.put(sheetData, i+1, head+1+k, v, look{format: formatOf(v)})
			}
		}
		if col.into != nil {
			*col.into = span{sheetData + "!" + absolute(i+1, head), cells(i+1, head+1, i+1, head+max(n, 1))}
		}
	}
	d.height(sheetData, head, textHeight(most))
	d.row = head + n + 2
}

func formatOf(v any) string {
	switch v.(type) {
	case float64:
		return plain2
	case int:
		return plain0
	}
	return ""
}

// absolute writes a cell as $A$1.
func absolute(col, row int) string {
	name := at(col, row)
	letters := strings.TrimRight(name, "0123456789")
	return "$" + letters + "$" + name[len(letters):]
}

// pick returns the values where a condition holds.
func pick(values []float64, when func(int) bool) func(int) any {
	return func(i int) any {
		if !when(i) || !plot.Finite(values[i]) {
			return nil
		}
		return values[i]
	}
}

func same(v float64) func(int) any {
	return func(int) any {
		if !plot.Finite(v) {
			return nil
		}
		return v
	}
}

func in(points []int) func(int) bool {
	set := map[int]bool{}
	for _, p := range points {
		set[p] = true
	}
	return func(i int) bool { return set[i] }
}
