package line

import (
	"fmt"
	"math"
	"slices"

	"alike/reports"
	"alike/spc/sampling"
)

// A consignment is what is accepted or refused as a whole: the drivers of one batch, also
// where suppliers are compared, since a batch is what is sent back.
type consignment struct {
	batch   string
	pieces  int // in the batch; 0 when not counted
	drivers []Driver
}

func (st *study) consignments(group string) []consignment {
	var out []consignment
	for _, d := range st.all[group] {
		i := slices.IndexFunc(out, func(c consignment) bool { return c.batch == d.Batch })
		if i < 0 {
			i = len(out)
			out = append(out, consignment{batch: d.Batch, pieces: st.batches[d.Batch].Pieces})
		}
		out[i].drivers = append(out[i].drivers, d)
	}
	return out
}

func (c consignment) values(key string) []float64 {
	var out []float64
	for _, d := range c.drivers {
		if v, ok := d.Values[key]; ok {
			out = append(out, v)
		}
	}
	return out
}

// accept judges every batch by the product's plans.
func (st *study) accept() error {
	for i := range st.out.Groups {
		g := &st.out.Groups[i]
		for _, c := range st.consignments(g.Name) {
			all, err := st.acceptBatch(c)
			if err != nil {
				return err
			}
			g.Acceptance = append(g.Acceptance, all...)
		}
	}
	return nil
}

func (st *study) acceptBatch(c consignment) ([]reports.Acceptance, error) {
	a, err := st.byAttributes(c)
	out := []reports.Acceptance{a}
	for _, m := range st.setup.Metrics {
		values := c.values(m.Key)
		if err == nil && (m.Lower != nil || m.Upper != nil) {
			a, err = st.byVariables(m, values)
			out = append(out, a)
		}
		if err == nil && m.MeanTolerance > 0 {
			a, err = st.byMean(m, values)
			out = append(out, a)
		}
	}
	for i := range out {
		out[i].Batch = c.batch
	}
	return out, err
}

const (
	wordAccept = "accept"
	wordRefuse = "refuse"
	wordMore   = "measure more"
)

// byAttributes counts bad drivers against an exact hypergeometric plan. More drivers
// than the plan asks for are all used, with the acceptance number that keeps the
// consumer's risk for so many.
func (st *study) byAttributes(c consignment) (reports.Acceptance, error) {
	a := reports.Acceptance{Of: "bad drivers"}
	tested, bad, size := 0, 0, c.pieces
	for _, d := range c.drivers {
		if d.Good || d.Bad {
			tested++
		}
		if d.Bad {
			bad++
		}
	}
	a.Found = fmt.Sprintf("%d bad of %d tested", bad, tested)
	if size < tested {
		st.warn("How many drivers %s holds is not entered, or fewer than were measured: the plan takes the %d measured as all.", c.batch, tested)
		size = max(tested, 2)
	}
	wish := st.in.wish()
	plan, err := sampling.FindLot(size, wish)
	if err != nil {
		a.Plan, a.Word, a.Sentence = "none", wordMore, "No plan: "+err.Error()+"."
		return a, nil
	}
	a.Plan = fmt.Sprintf("draw %d of %d, accept with at most %d bad", plan.Sample, size, plan.Accept)
	if tested < plan.Sample {
		a.Word = wordMore
		a.Sentence = fmt.Sprintf("%d drivers are tested and the plan needs %d: test %d more, drawn at random.", tested, plan.Sample, plan.Sample-tested)
		if bad > plan.Accept {
			a.Word, a.Sentence = wordRefuse, fmt.Sprintf("%d bad drivers among the first %d are more than the %d that the whole sample may hold.", bad, tested, plan.Accept)
		}
		return a, nil
	}
	accept := plan.Accept
	for accept+1 < tested {
		p, err := sampling.Plan{Sample: tested, Accept: accept + 1}.AcceptLot(size, plan.BadCount)
		if err != nil {
			return a, err
		}
		if p > wish.ConsumerRisk {
			break
		}
		accept++
	}
	a.Word = wordAccept
	if bad > accept {
		a.Word = wordRefuse
	}
	if tested > plan.Sample {
		a.Plan += fmt.Sprintf("; with %d tested at most %d", tested, accept)
	}
	a.Sentence = fmt.Sprintf("A batch of %d with %d bad drivers would be accepted with a chance of at most %.0f %%.", size, plan.BadCount, 100*wish.ConsumerRisk)
	return a, nil
}

// byVariables holds the distance of the mean to the limits of one piece against the
// plan's factor.
func (st *study) byVariables(m Metric, values []float64) (reports.Acceptance, error) {
	a := reports.Acceptance{Of: m.Name + " of single drivers"}
	plan, err := sampling.FindVariables(st.in.wish())
	if err != nil {
		return a, err
	}
	a.Plan = fmt.Sprintf("measure %d, mean at least %.3f standard deviations inside the limits of one piece (%s)", plan.Sample, plan.Factor, m.limits())
	mean, sd := meanSD(values)
	a.Found = foundText(len(values), mean, sd, m.Unit)
	if len(values) < plan.Sample || !(sd > 0) {
		a.Word, a.Sentence = wordMore, fmt.Sprintf("%d drivers are measured and the plan needs %d.", len(values), plan.Sample)
		return a, nil
	}
	lower, upper := math.Inf(-1), math.Inf(1)
	if m.Lower != nil {
		lower = *m.Lower
	}
	if m.Upper != nil {
		upper = *m.Upper
	}
	// With more drivers than the plan asks for, the same factor keeps both risks still
	// better.
	ok, below, above := plan.Judge(mean, sd, lower, upper)
	a.Word = wordAccept
	if !ok {
		a.Word = wordRefuse
	}
	a.Sentence = fmt.Sprintf("The mean lies %.2f standard deviations inside the nearer limit; normal values are taken for granted.", math.Min(below, above))
	return a, nil
}

// byMean holds mean and spread of the batch against their tolerance.
func (st *study) byMean(m Metric, values []float64) (reports.Acceptance, error) {
	a := reports.Acceptance{Of: "mean of " + m.Name, Plan: fmt.Sprintf("mean within %.4g ± %.4g %s", m.Target, m.MeanTolerance, m.Unit)}
	plan := sampling.MeanSpread{Sample: len(values), Tolerance: m.MeanTolerance, MostSD: math.Inf(1), Risk: st.in.ConsumerRisk}
	if m.MostSD > 0 {
		plan.MostSD = m.MostSD
		a.Of, a.Plan = "mean and spread of "+m.Name, a.Plan+fmt.Sprintf(", standard deviation at most %.4g %s", m.MostSD, m.Unit)
	}
	mean, sd := meanSD(values)
	a.Found = foundText(len(values), mean, sd, m.Unit)
	if len(values) < 2 {
		a.Word, a.Sentence = wordMore, "It was measured on fewer than 2 drivers."
		return a, nil
	}
	s, err := plan.Judge(mean, sd, m.Target)
	if err != nil {
		return a, err
	}
	a.Sentence = fmt.Sprintf("The batch's mean lies from %.4g to %.4g %s and its standard deviation from %.3g to %.3g, each side with a risk of %.0f %%.", s.MeanLow, s.MeanHigh, m.Unit, s.SDLow, s.SDHigh, 100*st.in.ConsumerRisk)
	switch {
	case s.Accept():
		a.Word = wordAccept
	case s.Refuse():
		a.Word = wordRefuse
	default:
		a.Word = wordMore
		a.Sentence += moreText(plan, mean-m.Target, sd, st.in.ProducerRisk, len(values))
	}
	return a, nil
}

// moreText says how many drivers would settle the mean and spread, if they go on.
func moreText(plan sampling.MeanSpread, offset, sd, risk float64, have int) string {
	n, err := sampling.FindMeanSpread(plan.Tolerance, plan.MostSD, plan.Risk, offset, sd, math.Max(risk, 0.2))
	if err != nil || n.Sample <= have {
		return " It reaches over its limit, and lies so near to it that more drivers like these would hardly settle it: a person decides."
	}
	return fmt.Sprintf(" It reaches over its limit; about %d drivers in all would settle it if they go on like this.", n.Sample)
}

func foundText(n int, mean, sd float64, unit string) string {
	if n == 0 {
		return "not measured"
	}
	return fmt.Sprintf("%d measured, mean %.4g %s, standard deviation %.3g", n, mean, unit, sd)
}
