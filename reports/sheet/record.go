package sheet

import (
	"fmt"
	"math"
	"strings"

	"alike/reports"
	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

// decision writes who decided what on the Summary, and whether the signature still fits
// the data.
func (b *book) decision(row int) int {
	const s = sheetSummary
	sig := b.lot.Life.Signature
	say := func(text string, l look) {
		l.wrap, l.top = true, true
		b.merged(s, 1, gridColumns, row, text, l)
		size := body
		if l.size > 0 {
			size = l.size
		}
		b.height(s, row, (size*1.3)*float64(lines(text, gridColumns*gridPx, size))+3)
		row++
	}
	say(fmt.Sprintf("Decided: %s, by %s on %s", sig.Outcome, sig.Who, stamp(sig)), look{bold: true, size: 12})
	say(sig.Reason, look{})
	l := look{size: 9, colour: plot.Muted}
	say(fmt.Sprintf("Signature %s over data %s.", sig.Sum, sig.DataHash), l)
	switch {
	case !sig.Sound:
		say("✗ The stored decision is not the one that was signed: it was altered.", look{bold: true, colour: plot.Vermillion})
	case !sig.Matches:
		say("✗ The signature does not match the data any more: they are now "+sig.Present+". Changed since: "+strings.Join(sig.Changes, "; ")+".", look{bold: true, colour: plot.Vermillion})
	default:
		say("✓ The data of this report are those that were signed.", l)
	}
	if !sig.InForce {
		say("The lot was re-opened since: this decision is not in force.", look{bold: true})
	}
	return row
}

func stamp(sig *reports.Signature) string { return sig.At.Format("2006-01-02 15:04 -07:00") }

// capability writes one row per stream that has a limit.
func (b *book) capability() {
	confidence := 95.0
	if len(b.lot.Capability) > 0 {
		confidence = 100 * b.lot.Capability[0].Confidence
	}
	t := table{
		sheet: sheetCapability, title: "Capability in lot " + b.lot.Code,
		caption: fmt.Sprintf("First attempts against the envelope, lowest first. Ppk is the distance from the mean to the nearer limit in units of three overall standard deviations; judge by what it exceeds with %g %% confidence, not by the estimate: few units tell little. A small p speaks against a normal distribution, for which the indices hold.", confidence),
		none:    "No stream has ten values and a limit yet.",
		columns: []column{
			{head: "Stream", most: 190}, {head: "Unit"}, {head: "Units", format: plain0}, {head: "Mean", format: signed2}, {head: "SD", format: plain2},
			{head: "Lower limit", format: signed2}, {head: "Upper limit", format: signed2}, {head: "Ppk at least", format: plain2}, {head: "Ppk", format: plain2},
			{head: "Ppk from", format: plain2}, {head: "Ppk to", format: plain2}, {head: "Normal, p", format: plain2}, {head: "Warnings", most: 300},
		},
		page: page{landscape: true, freezeCol: 1},
	}
	for _, r := range b.lot.Capability {
		t.rows = append(t.rows, []any{r.Stream, r.Unit, r.N, r.Mean, r.SD, r.Lower, r.Upper, r.AtLeast, r.Ppk, r.Low, r.High, r.NormalP, orMissing(r.Warnings)})
	}
	b.table(t)
}

// rig writes one row per day on which a rig measured units of the lot.
func (b *book) rig() {
	t := table{
		sheet: sheetRig, title: "How the rig was checked, lot " + b.lot.Code,
		caption: "Days on which a rig measured units of the lot, with the checks by a reference unit on these days. How long a check counts, and what became of units without one, stands on the Method sheet.",
		none:    "No unit of the lot was measured.",
		columns: []column{{head: "Day"}, {head: "Rig", most: 160}, {head: "Units of the lot", format: plain0}, {head: "Checks", format: plain0}, {head: "Passed", format: plain0}, {head: "In words", most: 330}},
		page:    page{freezeCol: 2},
	}
	for _, d := range b.lot.RigDays {
		t.rows = append(t.rows, []any{d.Day, orMissing(d.Rig), d.Units, d.Checks, d.Passed, d.Words()})
	}
	b.table(t)
}

// attempts writes one row per visit to the rig.
func (b *book) attempts() {
	t := table{
		sheet: sheetAttempts, title: "Attempts in lot " + b.lot.Code,
		caption: "Every visit of every unit to the rig. The first attempt decides first-pass yield for ever; a verdict that a person set aside stands beside the program's.",
		none:    "No unit of the lot was measured.",
		columns: []column{
			{head: "", center: true}, {head: "Serial", most: 150}, {head: "Attempt", format: plain0}, {head: "of", format: plain0}, {head: "Verdict"}, {head: "Stands as"},
			{head: "Set aside", most: 220}, {head: "Reason of the retest", most: 160}, {head: "In words", most: 300}, {head: "Measured", most: 190},
			{head: "Station", most: 90}, {head: "Operator", most: 90}, {head: "Envelope", format: plain0}, {head: "Limit set", format: plain0},
		},
		page: page{landscape: true, freezeCol: 3},
	}
	for _, a := range b.lot.Attempts {
		t.rows = append(t.rows, []any{
			plot.LookOf(a.Stands).Sign, a.Serial, a.Number, a.Of, a.Verdict, a.Stands, orMissing(a.Override), orMissing(a.Reason), orMissing(a.Sentence),
			a.MeasuredAt, orMissing(a.Station), orMissing(a.Operator), orNone(a.Envelope), orNone(a.LimitSet),
		})
	}
	last := b.table(t)
	b.colour(sheetAttempts, "F", []string{"A", "F"}, last)
}

// orNone shows a version, or that there is none.
func orNone(version int) any {
	if version == 0 {
		return missing
	}
	return version
}

// journal writes the journal's entries about the lot.
func (b *book) journal() {
	t := table{
		sheet: sheetJournal, title: "Journal of lot " + b.lot.Code,
		caption: "What the journal says about the lot and its units; of a decided lot up to the decision. The whole journal is chained by SHA-256: alike journal verify finds what was altered, removed or slipped in.",
		none:    "The journal has no entry about the lot.",
		columns: []column{
			{head: "Entry", format: plain0}, {head: "At", most: 190}, {head: "Who", most: 110}, {head: "From", most: 110}, {head: "Deed", most: 130},
			{head: "About", most: 150}, {head: "Why", most: 260}, {head: "Detail", most: 330},
		},
		page: page{landscape: true, freezeCol: 1},
	}
	for _, e := range b.lot.Journal {
		t.rows = append(t.rows, []any{int(e.Entry), e.At, orMissing(e.Who), orMissing(e.From), e.Deed, orMissing(e.About), orMissing(e.Why), orMissing(cut(e.Detail, mostDetail))})
	}
	b.table(t)
}

// mostDetail is how much of an entry's detail is shown: a product's whole definition
// may stand there.
const mostDetail = 300

// An ocRefs says where the curve of the sampling plan stands on the Data sheet.
type ocRefs struct {
	xs    string
	curve span
	marks span // at the two fractions of the wish
}

// oc writes the plan's curve to the Data sheet.
func (d *dataWriter) oc() {
	s := d.lot.Sampling
	if len(s.Curve) == 0 {
		return
	}
	d.put(sheetData, 1, d.row, "Sampling plan: chance to accept the lot", heading)
	d.row++
	var xs, ys, marks []float64
	for _, p := range s.Curve {
		xs, ys = append(xs, float64(p.Defective)), append(ys, p.Accept)
		mark := math.NaN()
		if p == nearest(s.Curve, s.Good) || p == nearest(s.Curve, s.Bad) {
			mark = p.Accept
		}
		marks = append(marks, mark)
	}
	d.ocCurve.xs = d.curve("defective units in the lot", "", "", xs).values
	d.ocCurve.curve = d.curve("chance to accept", "", s.CurveName, ys)
	d.ocCurve.marks = d.curve("at the good and the bad fraction", "", "good and bad fraction", marks)
	d.row++
}

// nearest returns the point of a curve that lies closest to a fraction.
func nearest(curve []reports.OCPoint, fraction float64) reports.OCPoint {
	best := curve[0]
	for _, p := range curve {
		if math.Abs(p.Fraction-fraction) < math.Abs(best.Fraction-fraction) {
			best = p
		}
	}
	return best
}

// sampling writes the plan, its curve, and the units drawn.
func (b *book) sampling() {
	const s = sheetSampling
	for col := range gridColumns {
		b.width(s, col+1, gridPx)
	}
	o := b.lot.Sampling
	b.merged(s, 1, gridColumns, 1, "Sampling of lot "+b.lot.Code, title)
	b.height(s, 1, 22)
	row := 3
	fact := func(name, text string) {
		b.merged(s, 1, 4, row, name, look{top: true, colour: plot.Muted, under: plot.Rule})
		b.merged(s, 5, gridColumns, row, text, look{top: true, wrap: true, under: plot.Rule})
		b.height(s, row, textHeight(lines(text, 9*gridPx, body))+2)
		row++
	}
	fact("method", orMissing(o.Method))
	if o.Method == "plan" {
		fact("inspection", o.Severity)
		fact("plan", fmt.Sprintf("%d of %d units, accept the lot with at most %d defective", o.Sample, o.LotSize, o.Accept))
		fact("producer's risk", fmt.Sprintf("%.2g %% of lots with %.3g %% defective are refused (wished: at most %.3g %%)", 100*o.ProducerRisk, 100*o.Good, 100*o.WishProducer))
		fact("consumer's risk", fmt.Sprintf("%.2g %% of lots with %.3g %% defective are accepted (wished: at most %.3g %%)", 100*o.ConsumerRisk, 100*o.Bad, 100*o.WishConsumer))
		fact("drawn", o.DrawnAt.Format("2006-01-02 15:04 -07:00")+", by the program; seed "+o.Seed)
	}
	fact("inspected", fmt.Sprintf("%d units, %d defective", o.Inspected, o.Defective))
	fact("result", orMissing(o.Result))
	for _, n := range o.Notes {
		fact("note", n)
	}
	row = b.ocChart(row + 1)
	b.pulled(row + 1)
	b.setup(s, page{})
}

// ocChart draws the chance to accept the lot over the number of defectives in it.
func (b *book) ocChart(row int) int {
	o := b.lot.Sampling
	if len(o.Curve) == 0 {
		return row
	}
	const s, high = sheetSampling, 20
	for i := range high {
		b.height(s, row+i, line)
	}
	// Beyond the first point below one in a thousand there is nothing to see.
	end := o.Curve[len(o.Curve)-1].Defective
	for _, p := range o.Curve {
		if p.Accept < 0.001 && p.Fraction > o.Bad {
			end = p.Defective
			break
		}
	}
	lo, hi, unit := 0.0, float64(max(end, 2)), float64(max(1, end/10))
	c := scatter("Chance to accept a lot: "+o.CurveName, excelize.ChartAxis{
		Minimum: &lo, Maximum: &hi, MajorUnit: unit, Font: axisFont(), NumFmt: excelize.ChartNumFmt{CustomNumFmt: "0"},
		Title: excelize.ChartTitle{Paragraph: chartText("defective units in the lot", 9, false, plot.Muted)},
	}, []float64{0, 0.2, 0.4, 0.6, 0.8, 1}, "chance to accept")
	c.XAxis.TickLabelPosition = excelize.ChartTickLabelLow
	c.Series = []excelize.ChartSeries{stroke(b.ocCurve.curve, b.ocCurve.xs, plot.Black, 2, ""), signs(b.ocCurve.marks, b.ocCurve.xs)}
	alt := fmt.Sprintf("Operating characteristic of the plan %s: a lot with %.3g %% defective is accepted with a chance of %.2g %%, one with %.3g %% with %.2g %%.",
		o.CurveName, 100*o.Good, 100*(1-o.ProducerRisk), 100*o.Bad, 100*o.ConsumerRisk)
	b.add(frame{s, 1, row, gridColumns, high, gridPx, line}, c, alt, func(p *part) {
		p.numericX()
		p.mark(1, "circle", 8, "", plot.Vermillion)
	})
	b.merged(s, 1, gridColumns, row+high, "Exact hypergeometric chances for this lot's size. The circles stand at the good and the bad fraction.", look{size: 9, colour: plot.Muted})
	return row + high + 1
}

// pulled lists the units drawn, in the order drawn.
func (b *book) pulled(row int) {
	const s = sheetSampling
	if b.lot.Sampling.Method != "plan" {
		return
	}
	b.merged(s, 1, 2, row, "Drawn", header)
	b.merged(s, 3, 6, row, "Serial", header)
	b.merged(s, 7, 9, row, "First verdict", header)
	for i, p := range b.lot.Sampling.Pulled {
		row++
		l := plot.LookOf(p.Verdict)
		b.merged(s, 1, 2, row, i+1, look{under: plot.Rule, format: plain0, align: "left"})
		b.merged(s, 3, 6, row, p.Serial, look{under: plot.Rule})
		b.merged(s, 7, 9, row, l.Sign+"  "+p.Verdict, look{under: plot.Rule, fill: l.Tint})
	}
}
