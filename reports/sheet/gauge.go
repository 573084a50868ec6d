package sheet

import (
	"fmt"
	"io"
	"math"
	"strings"

	"alike/reports"
	"alike/reports/plot"
)

// The sheets of a gauge study.
const (
	sheetPlan     = "Plan"
	sheetResult   = "Result"
	sheetSeatings = "Seatings"
)

// WriteGauge writes a gauge study as a spreadsheet: the plan as a list to work by,
// and once every run is measured the result per band and how many seatings are worth
// taking.
func WriteGauge(w io.Writer, g reports.Gauge, o Options) error {
	paper, ok := paperSizes[o.Paper]
	if !ok {
		return fmt.Errorf("paper %q is not known: use A4 or Letter", o.Paper)
	}
	names := []string{sheetPlan}
	if len(g.Rows) > 0 {
		names = append(names, sheetResult, sheetSeatings)
	}
	b := newBookOf(reports.Lot{Product: g.Product, Site: g.Site}, "Study "+g.Code, names, o, paper)
	defer b.f.Close()
	b.gaugePlan(g)
	if len(g.Rows) > 0 {
		b.gaugeResult(g)
		b.gaugeSeatings(g)
	}
	b.properties()
	if b.err != nil {
		return fmt.Errorf("sheet of study %q: %w", g.Code, b.err)
	}
	return b.f.Write(w)
}

// gaugePlan lists the runs in the order in which they are to be done, with room to
// tick them off.
func (b *book) gaugePlan(g reports.Gauge) {
	who := strings.ToUpper(g.By[:1]) + g.By[1:]
	done := 0
	t := table{
		sheet: sheetPlan, title: "Plan of study " + g.Code,
		none: "The plan has no runs.",
		columns: []column{
			{head: "Run", format: plain0}, {head: "Unit", most: 200}, {head: who, most: 160}, {head: "Seating", format: plain0},
			{head: "Measured at", most: 160}, {head: "Done", center: true}, {head: "Remarks", most: 220},
		},
	}
	for _, r := range g.Runs {
		sign := "☐"
		var at any = ""
		if r.Done {
			sign, at = "✓", r.At
			done++
		}
		t.rows = append(t.rows, []any{r.Order, r.Unit, r.Operator, r.Trial, at, sign, "                              "})
	}
	t.caption = fmt.Sprintf("Purpose: %s. Take each unit off the rig between two seatings, and keep to the order: it is random (seed %d), so that a drift of the rig spreads over units and %ss alike. Every take names lot %s, its unit, %s and seating. Planned by %s on %s; %d of %d runs measured. Care: the sweep can exceed 100 dB SPL at the ear; seat the unit before the drive is enabled, and never wear one meanwhile.",
		strings.TrimSuffix(g.Reason, "."), g.Seed, g.By, g.Code, g.By, g.Author, g.Planned.Format("2006-01-02"), done, len(g.Runs))
	b.table(t)
}

// gaugeResult writes one row per number, bands first.
func (b *book) gaugeResult(g reports.Gauge) {
	t := table{
		sheet: sheetResult, title: "Result of study " + g.Code,
		caption: fmt.Sprintf("Standard deviations in dB from the analysis of variance of %d units by %d operators with %d seatings each. Guard is %s of the tolerance on each side: so wide that a unit accepted right at it lies beyond the limit with a risk of %g. %s",
			len(g.Units), len(g.Who), g.Trials, "what the mean of "+fmt.Sprint(g.Seatings)+" seatings needs", g.Risk, strings.Join(g.Warnings, " ")),
		none: "Nothing was measured.",
		columns: []column{
			{head: "Quantity"}, {head: "Channel"}, {head: "Band, Hz", center: true},
			{head: "One seating, dB", format: plain2}, {head: "Operators, dB", format: plain2}, {head: "Measuring, dB", format: plain2},
			{head: "Units, dB", format: plain2}, {head: "Percent of study", format: plain0}, {head: "Percent of tolerance", format: plain0},
			{head: "Distinct categories", format: plain0}, {head: "Mean of seatings, dB", format: plain2}, {head: "Guard, dB", format: plain2},
			{head: "Seatings worth taking", format: plain0}, {head: "Remark", most: 160},
		},
		page: page{landscape: true, freezeCol: 3},
	}
	for _, r := range g.Rows {
		t.rows = append(t.rows, []any{
			r.Quantity, orMissing(r.Channel), orMissing(r.Label), r.Repeatability, r.Reproducibility, r.Gauge, r.Part, r.StudyPercent,
			r.TolPercent, count(r.Distinct), r.Mean, r.Guard, count(r.Best), r.Note,
		})
	}
	b.table(t)
}

// count shows zero as not known.
func count(n int) any {
	if n == 0 {
		return math.NaN()
	}
	return n
}

// gaugeSeatings writes what each number of seatings gives.
func (b *book) gaugeSeatings(g reports.Gauge) {
	t := table{
		sheet: sheetSeatings, title: fmt.Sprintf("Seatings worth taking: %d", g.Best),
		caption: "Over all judged bands. Sigma is what measuring adds to the mean of so many seatings (root mean square over the bands). Effort is the time at the rig that it takes to know the level of the line equally well, relative to one seating: the least is the best use of the time. Operators' differences do not fall with seatings.",
		none:    "Nothing was measured.",
		columns: []column{
			{head: "", center: true}, {head: "Seatings", format: plain0}, {head: "Sigma, dB", format: plain2}, {head: "Lower by", format: percent}, {head: "Effort", format: plain2},
		},
	}
	for _, r := range g.Choices {
		sign := ""
		if r.Seatings == g.Best {
			sign = plot.LookOf("pass").Sign
		}
		t.rows = append(t.rows, []any{sign, r.Seatings, r.Sigma, r.Gain, r.Effort})
	}
	b.table(t)
}
