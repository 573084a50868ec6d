package sheet

import (
	"fmt"
	"strings"

	"alike/reports"
	"alike/reports/plot"
)

// notJudged stands where a band has no limit.
const notJudged = "not judged"

// bands writes one row per channel and band.
func (b *book) bands() {
	t := table{
		sheet: sheetBands, title: "Bands of lot " + b.lot.Code,
		caption: "Deviation from the target in dB over the judged units of the lot, one row per channel and band. Shift is the lot's mean minus the baseline's, in standard errors of that difference.",
		none:    "No band was measured.",
		columns: []column{
			{head: "", center: true}, {head: "Channel"}, {head: "Band, Hz", center: true}, {head: "Mid-band, Hz", format: plain1},
			{head: "Units", format: plain0}, {head: "Mean, dB", format: signed2}, {head: "SD, dB", format: plain2},
			{head: "Lowest, dB", format: signed2}, {head: "Lowest unit", most: 120}, {head: "Highest, dB", format: signed2}, {head: "Highest unit", most: 120},
			{head: "Lower limit, dB", format: signed2}, {head: "Upper limit, dB", format: signed2},
			{head: "Units outside", format: plain0}, {head: "In words", most: 90},
			{head: "Baseline mean, dB", format: signed2}, {head: "Shift, standard errors", format: signed1},
		},
		page: page{landscape: true, freezeCol: 3},
	}
	for _, r := range b.lot.Bands {
		sign, words := bandWords(r)
		t.rows = append(t.rows, []any{
			sign, r.Channel, r.Label, r.Mid, r.N, r.Mean, r.SD, r.Low, orMissing(r.LowSerial), r.High, orMissing(r.HighSerial),
			limit(r.LowerLimit), limit(r.UpperLimit), r.Outside, words, r.BaselineMean, r.Shift,
		})
	}
	last := b.table(t)
	// The words of this sheet are not verdicts of units; only "outside" is marked.
	b.ground(sheetBands, fmt.Sprintf(`$N%d>0`, headRow+1), []string{"A", "N", "O"}, last, plot.LookOf("fail").Tint)
}

func bandWords(r reports.BandRow) (sign, words string) {
	switch {
	case !plot.Finite(r.LowerLimit) && !plot.Finite(r.UpperLimit):
		return "·", notJudged
	case r.N == 0:
		return "·", "no units"
	case r.Outside > 0:
		return plot.LookOf("fail").Sign, fmt.Sprintf("%d outside", r.Outside)
	}
	return plot.LookOf("pass").Sign, "all inside"
}

// limit shows a limit, or that there is none.
func limit(v float64) any {
	if !plot.Finite(v) {
		return notJudged
	}
	return v
}

func orMissing(s string) string {
	if s == "" {
		return missing
	}
	return s
}

// units writes one row per unit.
func (b *book) units() {
	t := table{
		sheet: sheetUnits, title: "Units of lot " + b.lot.Code,
		caption: "One row per unit, with the verdict of its last attempt. Margin is the distance to the nearest limit in dB, negative outside. What was not checked does not count as passed.",
		none:    "No unit of the lot was measured.",
		columns: []column{
			{head: "", center: true}, {head: "Serial", most: 150}, {head: "Verdict"}, {head: "In words", most: 330},
			{head: "Margin, dB", format: signed2}, {head: "Worst at", most: 120},
			{head: "First verdict"}, {head: "Attempts", format: plain0},
		},
		page: page{landscape: true, freezeCol: 3},
	}
	channels := b.channels
	if len(channels) == 0 {
		channels = []string{"all"}
	}
	for _, c := range channels {
		t.columns = append(t.columns, column{head: "Sensitivity " + c + ", dB SPL", format: plain1})
	}
	if len(channels) > 1 {
		t.columns = append(t.columns, column{head: "Balance, dB", format: signed2})
	}
	for _, c := range channels {
		t.columns = append(t.columns, column{head: "Roughness " + c + ", dB", format: plain2})
	}
	t.columns = append(t.columns, column{head: "Not checked", most: 140}, column{head: "Measured", most: 190}, column{head: "Station", most: 90}, column{head: "Operator", most: 90})
	shared := notCheckedOnAny(b.lot.Units)
	if shared != "" {
		t.caption += " Not checked on any of them: " + shared + "."
	}
	for _, u := range b.lot.Units {
		if shared != "" {
			u.NotChecked = "see above"
		}
		t.rows = append(t.rows, unitRow(u, len(channels)))
	}
	last := b.table(t)
	b.colour(sheetUnits, "C", []string{"A", "C"}, last)
	b.ground(sheetUnits, fmt.Sprintf(`AND(ISNUMBER($E%d),$E%d<0)`, headRow+1, headRow+1), []string{"E"}, last, plot.LookOf("fail").Tint)
}

// notCheckedOnAny returns what was not checked when it is the same for all units, so
// that it is said once.
func notCheckedOnAny(units []reports.UnitRow) string {
	if len(units) < 2 {
		return ""
	}
	for _, u := range units {
		if u.NotChecked != units[0].NotChecked {
			return ""
		}
	}
	return units[0].NotChecked
}

func unitRow(u reports.UnitRow, channels int) []any {
	row := []any{plot.LookOf(u.Last).Sign, u.Serial, u.Last, u.Sentence, u.Margin, orMissing(u.Worst), orMissing(u.First), u.Attempts}
	row = append(row, padded(u.Sensitivity, channels)...)
	if channels > 1 {
		row = append(row, u.Balance)
	}
	row = append(row, padded(u.Roughness, channels)...)
	return append(row, orMissing(u.NotChecked), u.MeasuredAt, orMissing(u.Station), orMissing(u.Operator))
}

// padded returns n values, a dash for each one that is not there.
func padded(values []float64, n int) []any {
	out := make([]any, n)
	for i := range out {
		out[i] = missing
		if i < len(values) {
			out[i] = values[i]
		}
	}
	return out
}

// signals writes one row per rule and stream.
func (b *book) signals() {
	t := table{
		sheet: sheetSignals, title: "Signals in lot " + b.lot.Code,
		caption: "One row per rule that fired on a control chart. The largest value is in standard deviations from the centre, with its sign.",
		none:    "No signal: no rule fired on any control chart of the lot.",
		columns: []column{
			{head: "Stream", most: 190}, {head: "Rule"}, {head: "What it means", most: 460}, {head: "First at"}, {head: "Last at"},
			{head: "Points", format: plain0}, {head: "Largest, SD", format: signed1}, {head: "Limits from", most: 190},
			{head: "Finding", format: plain0},
		},
		page: page{landscape: true, freezeCol: 1},
	}
	if len(b.lot.Charts) == 0 && len(b.lot.Signals) == 0 {
		t.none = "No signal: there is no baseline yet, so no control chart was kept."
	}
	for _, s := range b.lot.Signals {
		t.rows = append(t.rows, []any{s.Stream, s.Rule, s.Text, orMissing(s.First), orMissing(s.Last), s.Count, s.Largest, orMissing(s.LimitsFrom), numbered(s.Finding)})
	}
	b.table(t)
}

// numbered shows the number of a finding, or that there is none.
func numbered(n int64) any {
	if n == 0 {
		return missing
	}
	return int(n)
}

// findings writes one row per finding with signals in the lot.
func (b *book) findings() {
	t := table{
		sheet: sheetFindings, title: "Findings in lot " + b.lot.Code,
		caption: "What the control charts found: signals of one change are one finding, as it stood at the lot's last unit. The set holds the units at which the change may have happened, with 95 % confidence; p is the chance of such a change where nothing changed.",
		none:    "No finding: no control chart of the lot gave a signal.",
		columns: []column{
			{head: "Finding", format: plain0}, {head: "What"}, {head: "State"}, {head: "In words", most: 330},
			{head: "Since"}, {head: "May have begun at", most: 150}, {head: "p", format: plain3}, {head: "Looks like", most: 200},
			{head: "Changed at the same place", most: 200}, {head: "What to check, cheapest first", most: 260},
			{head: "Units that passed since", format: plain0}, {head: "Cause", most: 150}, {head: "Action", most: 150}, {head: "Closed by", most: 150},
		},
		page: page{landscape: true, freezeCol: 1},
	}
	for _, f := range b.lot.Findings {
		t.rows = append(t.rows, []any{
			int(f.Number), f.Kind, f.State, f.Sentence, orMissing(f.Since), orMissing(f.Set), f.P, orMissing(f.LooksLike), orMissing(f.Coincides),
			orMissing(f.Check), f.AtRisk, orMissing(f.Cause), orMissing(f.Action), orMissing(f.ClosedBy),
		})
	}
	b.table(t)
}

// parts writes what went into the lot.
func (b *book) parts() {
	t := table{
		sheet: sheetParts, title: "Parts in lot " + b.lot.Code,
		caption: "Component batches by the parts ledger, with the first and the last unit that each went into.",
		none:    "The parts ledger names no batch for this lot.",
		columns: []column{
			{head: "Part", most: 190}, {head: "Channel"}, {head: "Batch", most: 190}, {head: "Supplier", most: 250},
			{head: "First unit"}, {head: "Last unit"}, {head: "Units", format: plain0},
		},
		page: page{freezeCol: 1},
	}
	if len(b.lot.MissingParts) > 0 {
		t.caption += " What is missing: " + strings.Join(b.lot.MissingParts, " ")
	}
	for _, p := range b.lot.Parts {
		t.rows = append(t.rows, []any{p.Kind, orMissing(p.Channel), p.Batch, orMissing(p.Supplier), orMissing(p.FirstSerial), orMissing(p.LastSerial), p.Units})
	}
	b.table(t)
}
