package sheet

import (
	"fmt"
	"io"
	"math"
	"strings"

	"alike/reports"
	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// The sheets of the weekly report, in their order; Findings and Data are named as in the
// report of a lot.
const (
	sheetWeekly  = "Weekly"
	sheetWeeks   = "Weeks"
	sheetLots    = "Lots"
	sheetRigDays = "Rig days"
)

var weeksSheets = []string{sheetWeekly, sheetWeeks, sheetLots, sheetFindings, sheetRigDays, sheetData}

// mostLines is how many lines of yield one picture holds; mostEyes how many sentences
// stand on the first page.
const (
	mostLines = 6
	mostEyes  = 14
)

// WriteWeeks writes the weekly report over workshops and lots. Errors as for Write.
func WriteWeeks(w io.Writer, r reports.Weeks, o Options) error {
	paper, ok := paperSizes[o.Paper]
	if !ok {
		return fmt.Errorf("paper %q is not known: use A4 or Letter", o.Paper)
	}
	if len(r.Names) == 0 {
		return fmt.Errorf("the weekly report has no week")
	}
	subject := "Weekly report, " + r.Names[0]
	if n := len(r.Names); n > 1 {
		subject += " to " + r.Names[n-1]
	}
	b := &weeksBook{book: newBookOf(reports.Lot{Product: "all products", Site: strings.Join(r.Sites, ", ")}, subject, weeksSheets, o, paper), r: r}
	defer b.f.Close()
	b.data()
	b.first()
	b.weeks()
	b.lots()
	b.found()
	b.days()
	b.properties()
	if b.err != nil {
		return fmt.Errorf("weekly report: %w", b.err)
	}
	return b.f.Write(w)
}

type weeksBook struct {
	*book
	r     reports.Weeks
	xs    string
	lines []weekLine
	floor span
}

// A weekLine is the first-pass yield of one product at one workshop.
type weekLine struct {
	name             string
	share, low, high span
}

// data writes what the picture draws.
func (b *weeksBook) data() {
	d := &dataWriter{book: b.book, row: 4}
	b.put(sheetData, 1, 1, "Numbers behind the picture", title)
	b.height(sheetData, 1, 22)
	b.put(sheetData, 1, 2, "First-pass yield in percent by week, with its 95 % interval.", look{colour: plot.Muted})
	for col, px := range []float64{170, 130, 130} {
		b.width(sheetData, col+1, px)
	}
	var places []float64
	index := map[string]int{}
	for i, n := range b.r.Names {
		index[n] = i
		places = append(places, float64(i+1))
	}
	b.xs = d.curve("week", "", "", places).values
	floor := make([]float64, len(places))
	b.floor = d.curve("where the weeks' names stand", "", "", floor)
	gap := func() []float64 {
		out := make([]float64, len(places))
		for i := range out {
			out[i] = math.NaN()
		}
		return out
	}
	rows := map[string][3][]float64{}
	var order []string
	for _, r := range b.r.Rows {
		name := r.Product
		if len(b.r.Sites) > 1 {
			name += ", " + r.Site
		}
		if _, ok := rows[name]; !ok {
			rows[name] = [3][]float64{gap(), gap(), gap()}
			order = append(order, name)
		}
		if i, ok := index[r.Week]; ok && r.First.Of > 0 {
			rows[name][0][i], rows[name][1][i], rows[name][2][i] = 100*r.First.Share, 100*r.First.Low, 100*r.First.High
		}
	}
	for _, name := range order {
		b.lines = append(b.lines, weekLine{name, d.curve("first-pass yield, %", name, name, rows[name][0]),
			d.curve("interval from", name, name+", from", rows[name][1]), d.curve("interval to", name, name+", to", rows[name][2])})
	}
	b.areaOnly(sheetData, "$A$1:$L$2")
	b.setup(sheetData, page{landscape: true, freezeCol: 1, freezeRow: 2})
}

// first writes the one page: what needs a look, the picture, and the totals.
func (b *weeksBook) first() {
	const s = sheetWeekly
	for col := range gridColumns {
		b.width(s, col+1, gridPx)
	}
	b.merged(s, 1, gridColumns, 1, b.subject, look{size: 18, bold: true, wrap: true})
	b.height(s, 1, 27*float64(lines(b.subject, gridColumns*gridPx, 18)))
	sites := strings.Join(b.r.Sites, ", ")
	b.merged(s, 1, gridColumns, 2, fmt.Sprintf("%s to %s: %s", b.r.From.Format("2006-01-02"), b.r.Until.Format("2006-01-02"), sites), look{colour: plot.Muted, wrap: true})
	b.height(s, 2, 15*float64(lines(sites, gridColumns*gridPx-160, body)))
	b.height(s, 3, 8)
	row := b.picture(b.looks(4))
	row = b.totals(row + 1)
	b.areaOnly(s, "$A$1:"+gridLast+itoa(row))
	b.setup(s, page{oneHigh: true})
}

// looks lists what needs the licensor's eye.
func (b *weeksBook) looks(row int) int {
	const s = sheetWeekly
	l := plot.LookOf("pass")
	head := "Nothing needs a look."
	if n := len(b.r.Eyes); n > 0 {
		l = plot.LookOf("doubtful")
		head = fmt.Sprintf("%d things need a look", n)
		if n == 1 {
			head = "One thing needs a look"
		}
	}
	ground := look{fill: l.Tint, wrap: true, top: true}
	bar := look{fill: l.Tint, bar: l.Colour, bold: true, align: "center", middle: true}
	b.put(s, 1, row, l.Sign, bar)
	b.merged(s, 2, gridColumns, row, head, look{fill: l.Tint, size: 13, bold: true, middle: true})
	b.height(s, row, 24)
	for i, e := range b.r.Eyes {
		row++
		text := fmt.Sprintf("%s, %s: %s", e.Site, e.About, e.Sentence)
		if i == mostEyes {
			text = fmt.Sprintf("%d more stand on the sheets behind.", len(b.r.Eyes)-mostEyes)
		}
		if len([]rune(text)) > 330 {
			text = cut(text, 328) + " …"
		}
		b.put(s, 1, row, nil, bar)
		b.merged(s, 2, gridColumns, row, text, ground)
		b.height(s, row, textHeight(lines(text, (gridColumns-1)*gridPx, body))+2)
		if i == mostEyes {
			break
		}
	}
	b.height(s, row+1, 9)
	return row + 2
}

// picture draws first-pass yield by week.
func (b *weeksBook) picture(row int) int {
	const s, high = sheetWeekly, 19
	if len(b.lines) == 0 {
		b.merged(s, 1, gridColumns, row, "No picture: no unit was measured in these weeks.", look{colour: plot.Muted})
		return row
	}
	lo, hi := 0.5, float64(len(b.r.Names))+0.5
	c := scatter("First-pass yield by week, %", excelize.ChartAxis{Minimum: &lo, Maximum: &hi}, []float64{0, 20, 40, 60, 80, 100}, "%")
	c.Legend = excelize.ChartLegend{Position: "bottom", Font: &excelize.Font{Family: font, Size: 9, Color: plot.Text}}
	c.Series = []excelize.ChartSeries{signs(b.floor, b.xs)}
	hidden := []int{0}
	drawn := b.lines[:min(mostLines, len(b.lines))]
	var words []string
	for i, l := range drawn {
		k := plot.StrokeOf(i)
		c.Series = append(c.Series, stroke(l.share, b.xs, k.Colour, 2.25, k.Dash))
		words = append(words, l.name)
		if len(drawn) > 3 { // more intervals hide each other
			continue
		}
		for _, sp := range []span{l.low, l.high} {
			hidden = append(hidden, len(c.Series))
			c.Series = append(c.Series, stroke(sp, b.xs, k.Colour, 0.75, "dot"))
		}
	}
	for i := range high {
		b.height(s, row+i, line)
	}
	var names []pointLabel
	every := (len(b.r.Names) + 7) / 8
	for i, n := range b.r.Names {
		if i%every == 0 {
			names = append(names, pointLabel{i, n, "b", plot.Text, false})
		}
	}
	at := frame{s, 1, row, gridColumns, high, gridPx, line}
	b.add(at, c, "First-pass yield by week in percent of "+strings.Join(words, ", ")+".", func(p *part) {
		p.numericX()
		p.hideMarks(0)
		p.label(0, names...)
		p.hide(hidden...)
		p.inside(at, 40, 56, 30)
	})
	note := "Units belong to the week in which they were first measured."
	if len(drawn) <= 3 {
		note += " Dotted: 95 % interval."
	}
	if n := len(b.lines) - len(drawn); n > 0 {
		note += fmt.Sprintf(" %d more lines stand on the sheet Weeks.", n)
	}
	b.merged(s, 1, gridColumns, row+high, note, look{size: 9, colour: plot.Muted})
	return row + high + 1
}

// totals sums up each product at each workshop.
func (b *weeksBook) totals(row int) int {
	const s = sheetWeekly
	right := header
	right.align = "right"
	b.merged(s, 1, 5, row, "Product and workshop", header)
	for i, head := range []string{"lots", "units", "at first", "final", "found", "rig days", "no check"} {
		b.put(s, 6+i, row, head, right)
	}
	b.put(s, gridColumns, row, nil, header)
	b.height(s, row, 17)
	type total struct {
		lots, units, judged, first, final, found, days, unchecked int
	}
	sums := map[string]*total{}
	var order []string
	for _, r := range b.r.Rows {
		name := r.Product + ", " + r.Site
		if sums[name] == nil {
			sums[name] = &total{}
			order = append(order, name)
		}
		t := sums[name]
		t.lots, t.units, t.judged, t.first, t.final = t.lots+r.Lots, t.units+r.Units, t.judged+r.First.Of, t.first+r.First.Good, t.final+r.Final.Good
		t.found, t.days, t.unchecked = t.found+r.Found, t.days+r.RigDays, t.unchecked+r.Unchecked
	}
	for _, name := range order {
		row++
		t := sums[name]
		b.merged(s, 1, 5, row, name, look{under: plot.Rule})
		share := func(n int) float64 {
			if t.judged == 0 {
				return math.NaN()
			}
			return float64(n) / float64(t.judged)
		}
		for i, v := range []any{t.lots, t.units, share(t.first), share(t.final), t.found, t.days, t.unchecked} {
			l := look{under: plot.Rule, format: plain0, align: "right"}
			if i == 2 || i == 3 {
				l.format = percent
			}
			b.put(s, 6+i, row, v, l)
		}
	}
	return row + 1
}

func (b *weeksBook) weeks() {
	t := table{
		sheet: sheetWeeks, title: "By workshop, product and week",
		caption: "Units belong to the week in which they were first measured. First-pass yield goes by the first attempt on a trusted rig, with its two-sided 95 % interval; final yield by the last verdict as it stands. A rig day is a day on which a rig measured units; unchecked is one without any reference unit.",
		none:    "No unit was measured in these weeks.",
		columns: []column{{head: "Workshop", most: 170}, {head: "Product", most: 130}, {head: "Week"}, {head: "Lots", format: plain0}, {head: "Units", format: plain0},
			{head: "Passed at first", format: plain0}, {head: "of", format: plain0}, {head: "First-pass yield", format: percent}, {head: "from", format: percent}, {head: "to", format: percent},
			{head: "Asked", format: percent}, {head: "Final yield", format: percent}, {head: "Measured again", format: plain0}, {head: "On hold", format: plain0}, {head: "Waiting", format: plain0},
			{head: "Findings seen", format: plain0}, {head: "Findings closed", format: plain0}, {head: "Rig days", format: plain0}, {head: "Unchecked", format: plain0}},
		page: page{landscape: true, freezeCol: 3},
	}
	for _, r := range b.r.Rows {
		t.rows = append(t.rows, []any{r.Site, r.Product, r.Week, r.Lots, r.Units, r.First.Good, r.First.Of, r.First.Share, r.First.Low, r.First.High, r.Asked,
			r.Final.Share, r.Retests, r.Hold, r.Waiting, r.Found, r.Closed, r.RigDays, r.Unchecked})
	}
	b.table(t)
}

func (b *weeksBook) lots() {
	t := table{
		sheet: sheetLots, title: "Lots opened or decided in these weeks",
		caption: "Where each lot stands now, who decided it and why, and whether the decision still fits the data that were signed.",
		none:    "No lot was opened or decided.",
		columns: []column{{head: "Workshop", most: 170}, {head: "Product", most: 130}, {head: "Lot", most: 130}, {head: "Opened", most: 190}, {head: "Units", format: plain0}, {head: "First-pass yield", format: percent},
			{head: "Stands"}, {head: "Decision"}, {head: "Who", most: 130}, {head: "When", most: 190}, {head: "Why", most: 260}, {head: "Signature", most: 140}},
		page: page{landscape: true, freezeCol: 3},
	}
	for _, l := range b.r.Lots {
		t.rows = append(t.rows, []any{l.Site, l.Product, l.Lot, l.Opened, l.Units, l.First.Share, l.State, orMissing(l.Outcome), orMissing(l.Who), l.At, orMissing(l.Reason), orMissing(l.Signature)})
	}
	b.table(t)
}

func (b *weeksBook) found() {
	t := table{
		sheet: sheetFindings, title: "Findings first seen or closed in these weeks",
		caption: "A finding belongs to the week in which the first unit with a signal was measured.",
		none:    "The charts found nothing.",
		columns: []column{{head: "Workshop", most: 170}, {head: "Product", most: 130}, {head: "Finding", format: plain0}, {head: "Of"}, {head: "Stands"}, {head: "Seen", most: 190}, {head: "In words", most: 420}, {head: "Cause", most: 160}, {head: "Action", most: 160}},
		page:    page{landscape: true, freezeCol: 3},
	}
	for _, f := range b.r.Findings {
		t.rows = append(t.rows, []any{f.Site, f.Product, int(f.Number), f.Kind, f.State, f.Seen, orMissing(f.Sentence), orMissing(f.Cause), orMissing(f.Action)})
	}
	b.table(t)
}

func (b *weeksBook) days() {
	t := table{
		sheet: sheetRigDays, title: "Days on which a rig measured without a check",
		caption: "On these days no reference unit was measured on the rig. Whether a check of the day before still counted is a matter of the workshop's rig policy.",
		none:    "Every rig was checked on every day with units.",
		columns: []column{{head: "Workshop", most: 170}, {head: "Product", most: 130}, {head: "Rig", most: 150}, {head: "Day"}, {head: "Units", format: plain0}},
		page:    page{freezeCol: 1},
	}
	for _, d := range b.r.RigDays {
		t.rows = append(t.rows, []any{d.Site, d.Product, orMissing(d.Rig), d.Day, d.Units})
	}
	b.table(t)
}
