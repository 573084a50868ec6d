package sheet

import (
	"fmt"

	"alike/reports"
	"alike/reports/plot"
)

// differenceWords say how a difference stands to the margin.
var differenceWords = map[string]string{
	"equivalent":     "equivalent within the margin",
	"differs":        "differs by more than the margin",
	"differs little": "differs, by less than the margin",
	"open":           "open: more drivers needed",
	"":               "no margin set",
}

func (b *studyBook) bands() {
	t := table{
		sheet: sheetBands, title: "Differences per band",
		caption: "Mean level of the first minus that of the second group, in dB, not anchored. Main interval: Games and Howell, spreads not taken as equal; beside it Tukey and Kramer, spreads taken as equal; both hold for all pairs of groups at once. p of equivalence is adjusted over the bands.",
		none:    "There is one group only: nothing was compared.",
		columns: b.differenceColumns("Band, Hz", "dB"),
		page:    page{landscape: true, freezeCol: 3},
	}
	if b.study.Nested {
		t.caption = nestedCaption
	}
	for i, c := range b.study.Bands {
		t.rows = append(t.rows, b.differenceRows(c, b.study.Labels[i], false)...)
	}
	last := b.table(t)
	b.ground(sheetBands, fmt.Sprintf(`$N%d="%s"`, headRow+1, differenceWords["differs"]), []string{"A", "N"}, last, plot.LookOf("fail").Tint)
	b.ground(sheetBands, fmt.Sprintf(`LEFT($N%d,4)="open"`, headRow+1), []string{"A", "N"}, last, plot.LookOf("doubtful").Tint)
}

const nestedCaption = "Suppliers are compared by the means of their batches, in dB, not anchored: the drivers of one batch are not evidence of their own about the supplier. From and to: Tukey and Kramer, by the spread of batch means within suppliers. Counted singly: what the interval would be if every driver were its own evidence, for comparison only. p of equivalence is adjusted over the bands."

func (b *studyBook) differenceColumns(first, unit string) []column {
	second := "Tukey"
	if b.study.Nested {
		second = "Counted singly,"
	}
	if unit != "" {
		unit = ", " + unit
	}
	columns := []column{
		{head: "", center: true}, {head: first, most: 170}, {head: "First", most: 110}, {head: "Second", most: 110},
		{head: "Difference" + unit, format: signed2}, {head: "From" + unit, format: signed2}, {head: "To" + unit, format: signed2}, {head: "p", format: "0.0000"},
		{head: second + " from", format: signed2}, {head: second + " to", format: signed2},
		{head: "Margin" + unit, format: plain2}, {head: "p of equivalence", format: "0.0000"}, {head: "p, spreads alike", format: "0.0000"},
		{head: "In words", most: 190}, {head: "SD between batches", format: plain2}, {head: "SD within", format: plain2}, {head: "Share between", format: "0%"},
	}
	if b.study.Nested {
		columns = append(columns, column{head: "p, batches alike", format: "0.0000"})
	}
	return columns
}

func (b *studyBook) differenceRows(c reports.Compared, label string, unit bool) [][]any {
	var rows [][]any
	for _, d := range c.Pairs {
		name := label
		if unit {
			name = c.Name + ", " + c.Unit
		}
		var margin any = missing
		if c.Margin > 0 {
			margin = c.Margin
		}
		rows = append(rows, []any{differenceSign(d.Word), name, d.A, d.B, d.Difference, d.Low, d.High, d.P, d.TukeyLow, d.TukeyHigh,
			margin, d.EquivalentP, c.SpreadP, b.inWords(d.Word), c.BetweenSD, c.WithinSD, c.Share})
		if b.study.Nested {
			rows[len(rows)-1] = append(rows[len(rows)-1], c.BatchP)
		}
	}
	return rows
}

func (b *studyBook) inWords(word string) string {
	if word == "open" && b.study.Nested {
		return "open: more batches needed"
	}
	return differenceWords[word]
}

func differenceSign(word string) string {
	switch word {
	case "equivalent", "differs little":
		return "="
	case "differs":
		return "≠"
	}
	return "?"
}

// levels writes mean and spread of every group per band.
func (b *studyBook) levels() {
	t := table{
		sheet: sheetLevels, title: "Levels per band",
		caption: "Mean and standard deviation of the band levels of each group, in dB SPL at the jig, not anchored.",
		none:    "No band was measured.",
		columns: []column{{head: "Band, Hz", center: true}, {head: "Mid-band, Hz", format: plain1}},
		page:    page{landscape: true, freezeCol: 1},
	}
	for _, g := range b.study.Groups {
		t.columns = append(t.columns, column{head: g.Name + ", mean", format: plain2}, column{head: g.Name + ", SD", format: plain2})
	}
	for i, label := range b.study.Labels {
		row := []any{label, b.study.Axis[i]}
		for _, g := range b.study.Groups {
			row = append(row, g.Mean[i], g.SD[i])
		}
		t.rows = append(t.rows, row)
	}
	b.table(t)
}

// numbers writes the metrics: differences, and below them the sentences.
func (b *studyBook) numbers() {
	t := table{
		sheet: sheetNumbers, title: "Single numbers",
		caption: "Numbers measured beside the curves, compared as the bands are; p of equivalence is of each number alone.",
		none:    "Nothing was measured beside the curves on two groups.",
		columns: b.differenceColumns("Number", ""),
		page:    page{landscape: true, freezeCol: 3},
	}
	for _, m := range b.study.Metrics {
		t.rows = append(t.rows, b.differenceRows(m, "", true)...)
	}
	row := b.table(t) + 2
	for _, m := range b.study.Metrics {
		b.put(sheetNumbers, 1, row, upperFirst(m.Name)+", "+m.Unit, heading)
		b.height(sheetNumbers, row, 18)
		for _, g := range m.Groups {
			row++
			b.merged(sheetNumbers, 2, 14, row, fmt.Sprintf("%s: %d measured, mean %s, standard deviation %s", g.Name, g.N, number(g.Mean, "%.5g"), number(g.SD, "%.3g")), look{})
		}
		for _, s := range m.Sentences {
			row++
			s = plot.Minus(s)
			b.merged(sheetNumbers, 2, 14, row, s, look{wrap: true})
			b.height(sheetNumbers, row, textHeight(lines(s, 1100, body)))
		}
		row += 2
	}
}

func number(v float64, format string) string {
	if !plot.Finite(v) {
		return missing
	}
	return fmt.Sprintf(format, v)
}

func (b *studyBook) acceptance() {
	t := table{
		sheet: sheetAcceptance, title: "Acceptance of the batches",
		caption: "Each check says what its sampling plan proposes; a person decides. Measure more means that so few drivers cannot tell.",
		none:    "No check was made.",
		columns: []column{{head: "", center: true}, {head: "Batch", most: 110}, {head: "Supplier", most: 110}, {head: "Proposal", most: 90}, {head: "Of", most: 160}, {head: "Plan", most: 240}, {head: "Found", most: 200}, {head: "In words", most: 320}},
		page:    page{landscape: true, freezeCol: 2},
	}
	for _, g := range b.study.Groups {
		for _, a := range g.Acceptance {
			word := a.Word
			if word == "measure more" {
				word = "not complete"
			}
			t.rows = append(t.rows, []any{plot.LookOf(word).Sign, a.Batch, g.Supplier, a.Word, upperFirst(a.Of), plot.Minus(a.Plan), plot.Minus(a.Found), plot.Minus(a.Sentence)})
		}
	}
	last := b.table(t)
	for _, word := range []string{"accept", "refuse"} {
		b.ground(sheetAcceptance, fmt.Sprintf(`$D%d="%s"`, headRow+1, word), []string{"A", "D"}, last, plot.LookOf(word).Tint)
	}
}

// drivers lists every driver.
func (b *studyBook) drivers() {
	t := table{
		sheet: sheetDrivers, title: "Drivers",
		caption: "One row per driver. Sensitivity is the mean level over the anchor range in dB SPL at the jig. Polarity is told against most of the drivers here.",
		none:    "No driver was taken in.",
		columns: []column{{head: "", center: true}, {head: "Driver", most: 130}, {head: "Batch", most: 110}, {head: "Supplier", most: 130}, {head: "Verdict", most: 90}, {head: "Sensitivity, dB SPL", format: plain2}, {head: "Polarity", most: 90}},
		page:    page{landscape: true, freezeCol: 2},
	}
	for _, m := range b.study.Metrics {
		t.columns = append(t.columns, column{head: upperFirst(m.Name) + ", " + m.Unit, format: plain2})
	}
	t.columns = append(t.columns, column{head: "What is wrong, or was not checked", most: 320})
	for _, d := range b.study.Drivers {
		sign, word := "…", "not checked"
		if d.Good {
			sign, word = plot.LookOf("pass").Sign, "good"
		} else if d.Bad {
			sign, word = plot.LookOf("fail").Sign, "bad"
		}
		row := []any{sign, d.Serial, d.Batch, orMissing(d.Supplier), word, d.Sensitivity, map[int]string{1: "as most", -1: "reversed", 0: missing}[d.Polarity]}
		for _, v := range d.Values {
			row = append(row, v)
		}
		t.rows = append(t.rows, append(row, d.Text))
	}
	last := b.table(t)
	b.ground(sheetDrivers, fmt.Sprintf(`$E%d="bad"`, headRow+1), []string{"A", "E"}, last, plot.LookOf("fail").Tint)
}

// studyMethod writes how the numbers were made.
func (b *book) studyMethod(facts []reports.Fact, warnings []string) {
	const s = sheetMethod
	wide := 0.0
	for i, px := range methodWidths {
		b.width(s, i+1, px)
		wide += px
	}
	name, last := methodWidths[0], len(methodWidths)
	b.put(s, 1, 1, "How the numbers were made", title)
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
	for _, f := range facts {
		fact(f.Name, plot.Minus(f.Value))
	}
	for i, w := range warnings {
		fact(fmt.Sprintf("mind, %d", i+1), plot.Minus(w))
	}
	fact("missing values", "A dash is a value that is not known.")
	b.setup(s, page{landscape: true})
}
