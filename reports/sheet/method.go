package sheet

import "alike/reports/plot"

// methodWidths are the columns' widths in pixels.
var methodWidths = []float64{180, 210, 50, 100, 240, 240}

// method writes how the numbers were made, what the signs mean, and what did not
// get in. It alone carries the time of making.
func (b *book) method() {
	const s = sheetMethod
	wide := 0.0
	for i, px := range methodWidths {
		b.width(s, i+1, px)
		wide += px
	}
	name, last := methodWidths[0], len(methodWidths)
	b.put(s, 1, 1, "How the numbers of lot "+b.lot.Code+" were made", title)
	b.height(s, 1, 22)
	row := 3
	fact := func(n string, v any) {
		b.put(s, 1, row, n, look{top: true, colour: plot.Muted, wrap: true, under: plot.Rule})
		b.merged(s, 2, last, row, v, look{top: true, wrap: true, under: plot.Rule})
		most := lines(n, name, body)
		if text, ok := v.(string); ok {
			most = max(most, lines(text, wide-name, body))
		}
		b.height(s, row, textHeight(most)+2)
		row++
	}
	fact("report made", b.options.Made)
	fact("program", orMissing(b.options.Program))
	if b.lot.JournalHead != "" {
		fact("journal head", b.lot.JournalHead+" (keep this sheet: alike journal verify --kept finds a journal written anew)")
	}
	for _, f := range b.lot.Method.Lines {
		fact(f.Name, f.Value)
	}
	fact("which units are drawn", commonNote(b.curves))
	fact("times", "Local time at the workshop; the offset from UTC stands behind each.")
	fact("missing values", "A dash is a value that is not known. A band without limits is not judged.")
	row++
	row = b.key(row, last)
	b.refused(row+1, last)
	b.setup(s, page{landscape: true})
}

// key explains signs, words and colours.
func (b *book) key(row, last int) int {
	const s = sheetMethod
	b.put(s, 1, row, "Signs and words", heading)
	b.height(s, row, 18)
	meaning := map[string]string{
		"pass":     "inside the envelope by more than the guard band",
		"fail":     "outside the envelope",
		"doubtful": "inside the envelope, but within the guard band: the measurement cannot tell",
		"reseat":   "the takes disagree more than seating explains: seat and measure again",
		"hold":     "the rig itself is not trusted now: no judgement",
		"waiting":  "not judged yet",
	}
	for _, word := range plot.Words {
		row++
		l := plot.LookOf(word)
		b.put(s, 1, row, l.Sign+"  "+word, look{fill: l.Tint, under: plot.Rule})
		b.merged(s, 2, last, row, meaning[word], look{under: plot.Rule})
	}
	return row + 1
}

// refused lists what is in quarantine.
func (b *book) refused(row, last int) {
	const s = sheetMethod
	b.put(s, 1, row, "Refused files and takes", heading)
	b.height(s, row, 18)
	row++
	if len(b.lot.Method.Refused) == 0 {
		b.put(s, 1, row, "Nothing was refused.", look{colour: plot.Muted})
		return
	}
	heads := []string{"At", "Source", "Line", "Field", "Reason", "Remedy"}
	for i, h := range heads {
		b.put(s, i+1, row, h, header)
	}
	for _, r := range b.lot.Method.Refused {
		row++
		var at any = missing
		if !r.At.IsZero() {
			at = r.At
		}
		var number any = missing
		if r.Line > 0 {
			number = r.Line
		}
		most := 1
		for i, v := range []any{at, r.Source, number, orMissing(r.Field), r.Reason, orMissing(r.Remedy)} {
			b.put(s, i+1, row, v, look{top: true, wrap: true, under: plot.Rule, align: "left"})
			if text, ok := v.(string); ok {
				most = max(most, lines(text, methodWidths[i], body))
			}
		}
		b.height(s, row, textHeight(most))
	}
}
