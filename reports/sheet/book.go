package sheet

import (
	"math"
	"strconv"
	"time"

	"alike/reports"
	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// A book is the file being written. The first error is kept and the rest of the
// calls do nothing, so that the writers below read as a list of what is shown.
type book struct {
	f        *excelize.File
	lot      reports.Lot
	subject  string // of the page headers
	options  Options
	paper    int
	channels []string
	styles   map[look]int
	drawn    int // charts added so far
	curves   []curveRefs
	balance  []curveRefs // of left minus right: one, or none
	controls []controlRefs
	ocCurve  ocRefs

	unbalanced int // units with a band beyond the limits of balance
	err        error
}

func (b *book) keep(err error) {
	if b.err == nil {
		b.err = err
	}
}

// missing stands where a number is not known.
const missing = "–"

// at names a cell; columns and rows count from 1.
func at(col, row int) string {
	name, err := excelize.CoordinatesToCellName(col, row)
	if err != nil {
		return "A1" // out of the sheet: the caller's own write reports it
	}
	return name
}

// put writes a value with its look: text, int, float64, time or nil for an empty
// cell. NaN, an infinite number and the zero time show as a dash.
func (b *book) put(sheet string, col, row int, value any, l look) {
	if b.err != nil {
		return
	}
	cell, err := excelize.CoordinatesToCellName(col, row)
	b.keep(err)
	switch v := value.(type) {
	case nil:
	case string:
		b.keep(b.f.SetCellStr(sheet, cell, cellText(v)))
	case int:
		b.keep(b.f.SetCellInt(sheet, cell, int64(v)))
	case float64:
		if plot.Finite(v) {
			b.keep(b.f.SetCellFloat(sheet, cell, digits12(v), -1, 64))
			break
		}
		l.format, l.align, l.colour = "", "center", plot.Muted
		b.keep(b.f.SetCellStr(sheet, cell, missing))
	case time.Time:
		days, ok := serialDay(v)
		if !ok {
			l.align, l.colour = "center", plot.Muted
			b.keep(b.f.SetCellStr(sheet, cell, missing))
			break
		}
		l.format = `yyyy-mm-dd hh:mm" ` + v.Format("-07:00") + `"`
		l.align = "left"
		b.keep(b.f.SetCellFloat(sheet, cell, days, -1, 64))
	default:
		panic("sheet: a cell holds text, int, float64, time or nothing")
	}
	b.keep(b.f.SetCellStyle(sheet, cell, cell, b.style(l)))
}

// merged writes a value across columns, and styles them all.
func (b *book) merged(sheet string, from, to, row int, value any, l look) {
	for col := to; col > from; col-- {
		b.put(sheet, col, row, nil, l)
	}
	b.put(sheet, from, row, value, l)
	if b.err == nil && to > from {
		b.keep(b.f.MergeCell(sheet, at(from, row), at(to, row)))
	}
}

// serialDay returns the wall time as days since the spreadsheet's epoch, and
// false for times it cannot hold.
func serialDay(t time.Time) (float64, bool) {
	if t.IsZero() || t.Year() < 1901 || t.Year() > 9999 {
		return 0, false
	}
	wall := time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), 0, time.UTC)
	epoch := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	const day = 86400
	days := float64(wall.Unix()-epoch.Unix()) / day
	// A cell keeps 15 digits, and readers cut to the minute: a day rounded down
	// would show 08:11 for 08:12. One step of the last digit is 9 microseconds.
	const steps = 1e10
	n := math.Ceil(days * steps)
	seconds := float64(wall.Hour()*3600 + wall.Minute()*60 + wall.Second())
	if (n/steps-math.Floor(days))*day < seconds {
		n++
	}
	return n / steps, true
}

// digits12 rounds to twelve significant digits. The library cuts numbers after
// fifteen, which would turn 0.1+0.2 into a long row of digits.
func digits12(v float64) float64 {
	out, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		return v // beyond the largest number: as it is
	}
	return out
}

// width sets a column's width in pixels (at 96 per inch).
func (b *book) width(sheet string, col int, px float64) {
	name, err := excelize.ColumnNumberToName(col)
	b.keep(err)
	if b.err == nil {
		b.keep(b.f.SetColWidth(sheet, name, name, math.Min(px/digit, 255))) // the most a spreadsheet allows
	}
}

// height sets a row's height in points; a spreadsheet allows 409 at most.
func (b *book) height(sheet string, row int, pt float64) {
	if b.err == nil {
		b.keep(b.f.SetRowHeight(sheet, row, math.Min(pt, 409)))
	}
}
