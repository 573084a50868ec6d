package line

import (
	"context"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/gauge"
)

// Transfer returns the curve from the first rig of a comparison to the second, from
// the units that both have measured so far.
func (l *Line) Transfer(ctx context.Context, code string, confidence float64) (reports.Transfer, error) {
	var out reports.Transfer
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		c, err := l.comparison(ctx, s, code)
		if err != nil {
			return err
		}
		t, err := gauge.TransferOf(c.first, c.second, confidence)
		if err != nil {
			return refuse(Conflict, "study", "see what is missing with: alike gauge status "+code, "%v", err)
		}
		out = c.transfer(c.state, t)
		return nil
	})
	return out, err
}

// A comparison is what two rigs read of the same units.
type comparison struct {
	StudyResult
	state         StudyState
	visits        []store.VisitRow
	first, second [][]float64 // levels by unit and place, means over seatings, of units that both have
}

func (l *Line) comparison(ctx context.Context, s store.Site, code string) (*comparison, error) {
	c := &comparison{}
	var err error
	if c.state, c.visits, err = l.studyState(ctx, s, code); err != nil {
		return nil, err
	}
	if c.state.Kind != RigsStudy {
		return nil, refuse(Conflict, "study", "plan one with: alike rig compare", "%s is a gauge study, not a comparison of rigs", code)
	}
	if c.setup, err = l.setup(ctx, s, c.state.Product); err != nil {
		return nil, err
	}
	if err := c.load(ctx, s, c.state.Kind, c.visits); err != nil {
		return nil, err
	}
	first, second := c.pairs(c.state.Operators[0]), c.pairs(c.state.Operators[1])
	for _, u := range c.state.Units {
		if first[u] != nil && second[u] != nil {
			c.first, c.second = append(c.first, first[u]), append(c.second, second[u])
		}
	}
	return c, nil
}

// pairs returns the mean levels of each unit on a rig.
func (r StudyResult) pairs(rig string) map[string][]float64 {
	seatings := map[string][][]float64{}
	for _, x := range r.runs {
		if x.Operator == rig {
			seatings[x.Part] = append(seatings[x.Part], x.levels)
		}
	}
	out := map[string][]float64{}
	for u, rows := range seatings {
		out[u] = changeOf(rows, make([]float64, len(rows[0])))
	}
	return out
}

func (r StudyResult) transfer(state StudyState, t gauge.Transfer) reports.Transfer {
	out := reports.Transfer{
		Code: state.Study, From: state.Operators[0], To: state.Operators[1], Units: t.Units, Confidence: t.Confidence, Warnings: t.Warnings,
	}
	for _, b := range r.setup.Band {
		out.Axis, out.Labels = append(out.Axis, b.Mid()), append(out.Labels, b.Label())
	}
	n := len(r.setup.Band)
	for p := range t.Mean {
		b := r.setup.Band[p%n]
		out.Rows = append(out.Rows, reports.TransferRow{
			Channel: r.setup.Channels[p/n], Label: b.Label(), Mid: b.Mid(), N: t.N[p], Mean: t.Mean[p], U: t.U[p],
			Low: t.Low[p], High: t.High[p], UnitU: t.UnitU[p], Differs: t.Differs[p],
		})
	}
	return out
}
