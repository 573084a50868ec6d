package sheet

import (
	"fmt"
	"math"
	"strings"
	"time"

	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// A column of a table.
type column struct {
	head   string
	format string  // of its numbers
	most   float64 // pixels a text may take before it wraps; 0 for 150
	center bool
}

// A table is a sheet of one table below its title and a sentence of explanation.
type table struct {
	sheet   string
	title   string
	caption string
	none    string // said when there are no rows
	columns []column
	rows    [][]any
	page    page
}

// headRow is the row of the column heads, on every sheet with a table.
const headRow = 4

// table writes a sheet and returns its last row.
func (b *book) table(t table) int {
	widths := make([]float64, len(t.columns))
	sum := 0.0
	for i, c := range t.columns {
		widths[i] = c.fit(i, t.rows)
		b.width(t.sheet, i+1, widths[i])
		sum += widths[i]
	}
	b.put(t.sheet, 1, 1, t.title, title)
	b.height(t.sheet, 1, 22)
	b.merged(t.sheet, 1, len(t.columns), 2, t.caption, caption)
	b.height(t.sheet, 2, textHeight(lines(t.caption, sum, body)))
	b.height(t.sheet, 3, 6)
	b.heads(t, widths)
	for r, row := range t.rows {
		b.row(t, headRow+1+r, row, widths)
	}
	last := headRow + len(t.rows)
	if len(t.rows) == 0 {
		b.put(t.sheet, 1, headRow+1, t.none, look{colour: plot.Muted})
	} else if b.err == nil {
		b.keep(b.f.AutoFilter(t.sheet, at(1, headRow)+":"+at(len(t.columns), last), nil))
		b.keep(b.f.AddIgnoredErrors(t.sheet, at(1, headRow+1)+":"+at(len(t.columns), last), excelize.IgnoredErrorsNumberStoredAsText))
	}
	t.page.titles = fmt.Sprintf("$%d:$%d", headRow, headRow)
	t.page.freezeRow = headRow
	b.setup(t.sheet, t.page)
	return last
}

func (b *book) heads(t table, widths []float64) {
	most := 1
	for i, c := range t.columns {
		l := header
		switch {
		case c.format != "":
			l.align = "right"
		case c.center:
			l.align = "center"
		default:
			l.indent = true
		}
		b.put(t.sheet, i+1, headRow, c.head, l)
		most = max(most, lines(c.head, widths[i]-filterButton, body))
	}
	b.height(t.sheet, headRow, textHeight(most))
}

func (b *book) row(t table, row int, cells []any, widths []float64) {
	most := 1
	for i, v := range cells {
		c := t.columns[i]
		l := look{format: c.format, top: true, under: plot.Rule}
		if c.center {
			l.align = "center"
		}
		if s, ok := v.(string); ok {
			l.format = ""
			l.wrap = true
			switch {
			case s == missing || s == notJudged:
				l.align, l.colour = "center", plot.Muted
			case !c.center:
				l.indent = true
			}
			most = max(most, lines(s, widths[i]-indent, body))
		}
		if _, ok := v.(time.Time); ok {
			l.indent = true
		}
		b.put(t.sheet, i+1, row, v, l)
	}
	b.height(t.sheet, row, textHeight(most))
}

// textHeight is the height in points of a row with a number of lines.
func textHeight(n int) float64 { return 13*float64(n) + 2 }

// filterButton is the room in pixels that a filter's button takes from a head.
const filterButton = 17

// indent is how far in pixels text stands from the left border of its cell, so
// that it keeps clear of a number on the other side.
const indent = 9

// widest is the widest column in pixels that a spreadsheet allows.
const widest = 255 * digit

// fit returns the column's width in pixels: as wide as its longest content,
// within bounds, and never narrower than the longest word of its head.
func (c column) fit(i int, rows [][]any) float64 {
	most := c.most
	if most == 0 {
		most = 150
	}
	w := 0.0
	for _, row := range rows {
		s, ok := row[i].(string)
		if !ok {
			s = sample(row[i], c.format)
		}
		for _, part := range strings.Split(cut(s, 2000), "\n") {
			w = math.Max(w, pixels(part, body)+12+indent)
		}
	}
	w = math.Min(w, most)
	for _, word := range strings.Fields(c.head) {
		w = math.Max(w, plot.TextWidth(word, body*96/72)*1.1+filterButton+8)
	}
	return math.Ceil(math.Min(w, widest))
}

// sample is about how a value looks in its format.
func sample(v any, format string) string {
	switch v := v.(type) {
	case int:
		return fmt.Sprint(v)
	case float64:
		return fmt.Sprintf("+%.*f", strings.Count(strings.SplitN(format, ";", 2)[0], "0")-1, v)
	case nil:
		return ""
	}
	return "2006-01-02 15:04 +00:00"
}

// colour gives the rows whose verdict column holds a word the word's ground.
// The word and its sign are in the cells: the colour only helps to find them.
func (b *book) colour(sheet, verdict string, columns []string, last int) {
	for _, word := range plot.Words {
		b.ground(sheet, fmt.Sprintf(`$%s%d="%s"`, verdict, headRow+1, word), columns, last, plot.LookOf(word).Tint)
	}
}

// ground colours the cells of some columns in the rows where a formula, written
// for the first row, holds.
func (b *book) ground(sheet, formula string, columns []string, last int, tint string) {
	if last <= headRow || b.err != nil {
		return
	}
	id, err := b.f.NewConditionalStyle(&excelize.Style{
		Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{tint}},
	})
	b.keep(err)
	for _, col := range columns {
		b.keep(b.f.SetConditionalFormat(sheet, fmt.Sprintf("%s%d:%s%d", col, headRow+1, col, last), []excelize.ConditionalFormatOptions{{
			Type: "formula", Criteria: formula, Format: &id,
		}}))
	}
}
