package line

import (
	"context"
	"errors"
	"math"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"
	"alike/spc/gauge"

	"github.com/google/uuid"
)

// ResultOptions steer what is read from a study; zero values mean what stands beside
// them.
type ResultOptions struct {
	Risk        float64    // of accepting a unit right at the guard that lies beyond the limit; 0.05
	SeatingRisk float64    // of asking to seat a good unit again; 0.01
	Cost        gauge.Cost // seconds per unit and per seating; 30 and 25
}

func (o ResultOptions) filled() ResultOptions {
	if o.Risk == 0 {
		o.Risk = 0.05
	}
	if o.SeatingRisk == 0 {
		o.SeatingRisk = 0.01
	}
	if o.Cost == (gauge.Cost{}) {
		o.Cost = gauge.Cost{Unit: 30, Seating: 25}
	}
	return o
}

// most seatings that a result weighs.
const mostSeatings = 10

// A StudyResult is a measured gauge study.
type StudyResult struct {
	reports.Gauge
	SeatingSpread []float64 // dB per band, what seating explains; NaN where the study does not tell

	kind    string
	setup   *Setup
	env     store.EnvelopeRow
	limits  envelope.Limits
	options ResultOptions
	runs    []studyRun
}

// A studyRun is one run's levels by place, and its streams.
type studyRun struct {
	gauge.Run
	levels  []float64
	streams []float32
}

// GaugeSheet returns a study's plan and, once every run is measured, its result.
func (l *Line) GaugeSheet(ctx context.Context, code string, o ResultOptions) (StudyResult, error) {
	r := StudyResult{options: o.filled()}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		state, visits, err := l.studyState(ctx, s, code)
		if err != nil {
			return err
		}
		if r.setup, err = l.setup(ctx, s, state.Product); err != nil {
			return err
		}
		site, err := s.Row(ctx)
		if err != nil {
			return err
		}
		r.plan(site.Name, state, visits)
		if state.Kind != GaugeStudy || len(state.Left()) > 0 {
			return nil
		}
		if r.env, r.limits, err = l.limits(ctx, s, r.setup); err != nil {
			return err
		}
		if err := r.load(ctx, s, state.Kind, visits); err != nil {
			return err
		}
		return r.analyse()
	})
	return r, err
}

// plan fills what is known before a take is there.
func (r *StudyResult) plan(site string, state StudyState, visits []store.VisitRow) {
	s := r.setup
	r.kind = state.Kind
	r.Gauge = reports.Gauge{
		Site: site, Product: strings.TrimSpace(s.Name + " " + revision(s.Revision)), Code: state.Study, Reason: state.Reason,
		Author: state.Author, Planned: state.CreatedAt, By: "operator", Units: state.Units, Who: state.Operators,
		Trials: state.Trials, Seed: state.Seed, Seatings: s.Seatings, Risk: r.options.Risk,
	}
	if state.Kind == RigsStudy {
		r.By = "rig"
	}
	at := map[gauge.Run]store.VisitRow{}
	for _, v := range visits {
		at[runOf(state.Kind, v)] = v
	}
	for i, run := range state.Runs {
		row := reports.GaugeRun{Order: i + 1, Unit: run.Part, Operator: run.Operator, Trial: run.Trial, Done: state.Done[run]}
		if row.Done {
			row.At = at[run].MeasuredAt
		}
		r.Runs = append(r.Runs, row)
	}
	for _, b := range s.Band {
		r.Axis, r.Labels = append(r.Axis, b.Mid()), append(r.Labels, b.Label())
	}
}

// load reads the runs' levels and streams.
func (r *StudyResult) load(ctx context.Context, s store.Site, kind string, visits []store.VisitRow) error {
	var ids []uuid.UUID
	for _, v := range visits {
		ids = append(ids, v.Visit)
	}
	takes, err := s.RigTakes(ctx, ids)
	if err != nil {
		return err
	}
	by := map[uuid.UUID][]store.TakeRow{}
	for _, t := range takes {
		t.Seating = 1
		by[t.Attempt] = append(by[t.Attempt], t)
	}
	for _, v := range visits {
		if !v.Complete {
			continue
		}
		x := studyRun{Run: runOf(kind, v), levels: r.setup.levels(by[v.Visit])[0]}
		var channels []envelope.Channel
		for i, name := range r.setup.Channels {
			n := len(r.setup.Band)
			c, err := r.setup.read(name, [][]float64{x.levels[i*n : (i+1)*n]})
			if err != nil {
				return refuse(Invalid, "frequency", "measure from below the anchor range to above it", "unit %s, %s: %v", v.Serial, name, err)
			}
			channels = append(channels, c)
		}
		x.streams = r.setup.values(channels)
		r.runs = append(r.runs, x)
	}
	return nil
}

// study analyses one number per run.
func (r *StudyResult) study(tolerance float64, value func(studyRun) float64) (gauge.Study, error) {
	readings := make([]gauge.Reading, len(r.runs))
	for i, x := range r.runs {
		readings[i] = gauge.Reading{Part: x.Part, Operator: x.Operator, Value: value(x)}
	}
	if math.IsNaN(tolerance) {
		tolerance = 0
	}
	return gauge.Crossed(readings, gauge.Options{Tolerance: tolerance})
}

// analyse fills rows, choices and seating limits.
func (r *StudyResult) analyse() error {
	judged := []gauge.Study{}
	for i, st := range r.setup.StreamList {
		if st.Quantity == envelope.Balance && st.Band >= 0 {
			continue
		}
		row := r.row(st)
		s, err := r.study(row.Tolerance, func(x studyRun) float64 { return float64(x.streams[i]) })
		if err != nil {
			row.Note = plainStudyError(err)
			r.Rows = append(r.Rows, row)
			continue
		}
		if err := r.fill(&row, s); err != nil {
			return err
		}
		r.Rows = append(r.Rows, row)
		if st.Quantity == envelope.Deviation && !math.IsNaN(row.Tolerance) {
			judged = append(judged, s)
		}
		if len(r.Warnings) == 0 {
			r.Warnings = s.Warnings[:min(len(s.Warnings), designWarnings(s))]
		}
	}
	if len(judged) == 0 {
		return refuse(Invalid, "study", "check the takes: every run reads the same", "no band of the study has a spread to learn from")
	}
	if err := r.choose(judged); err != nil {
		return err
	}
	return r.spread()
}

// designWarnings is how many of a study's warnings are about its design, which all
// bands share, and not about one band's values.
func designWarnings(s gauge.Study) (n int) {
	for _, w := range s.Warnings {
		if strings.HasPrefix(w, "Only ") || strings.HasPrefix(w, "One operator") || strings.HasPrefix(w, "Two operators") {
			n++
		} else {
			break
		}
	}
	return n
}

// row begins the row of a stream.
func (r *StudyResult) row(st Stream) reports.GaugeRow {
	nan := math.NaN()
	row := reports.GaugeRow{
		Quantity: string(st.Quantity), Channel: st.Channel, Mid: nan, Repeatability: nan, Reproducibility: nan, Gauge: nan,
		Part: nan, StudyPercent: nan, Tolerance: nan, TolPercent: nan, Mean: nan, Guard: nan,
	}
	switch {
	case st.Band >= 0:
		b := r.setup.Band[st.Band]
		row.Label, row.Mid = b.Label(), b.Mid()
		row.Tolerance = r.limits.Upper[st.Band] - r.limits.Lower[st.Band]
	case st.Quantity == envelope.Sensitivity && r.limits.Sensitivity != nil:
		row.Tolerance = r.limits.Sensitivity.Upper - r.limits.Sensitivity.Lower
	}
	return row
}

func (r *StudyResult) fill(row *reports.GaugeRow, s gauge.Study) error {
	v := s.Variance
	row.Repeatability, row.Reproducibility = math.Sqrt(v.Repeatability), math.Sqrt(v.Reproducibility)
	row.Gauge, row.Part = math.Sqrt(v.Gauge), math.Sqrt(v.Part)
	row.StudyPercent, row.Distinct = s.PercentStudy.Gauge, s.DistinctCategories
	if row.Tolerance > 0 {
		row.TolPercent = s.PercentTolerance.Gauge
	}
	row.Mean = s.SigmaFor(r.Seatings)
	guard, err := s.GuardBand(r.Seatings, r.options.Risk)
	if err != nil {
		return refuse(Invalid, "risk", "use a share above 0 and up to 0.5, such as 0.05", "%v", err)
	}
	row.Guard = guard
	w, err := s.Worth(mostSeatings, r.options.Cost)
	if err != nil {
		return refuse(Invalid, "cost", "give seconds per unit and per seating", "%v", err)
	}
	row.Best = w.Best
	return nil
}

func plainStudyError(err error) string {
	if errors.Is(err, gauge.ErrNoSpread) || errors.Is(err, gauge.ErrNoGaugeSpread) {
		return "no spread: the study does not tell"
	}
	return "not measured in every run: the study does not tell"
}

// choose weighs the number of seatings over all judged bands.
func (r *StudyResult) choose(judged []gauge.Study) error {
	rows := make([]reports.SeatingRow, mostSeatings)
	for _, s := range judged {
		w, err := s.Worth(mostSeatings, r.options.Cost)
		if err != nil {
			return err
		}
		for i, c := range w.Choices {
			rows[i].Seatings = c.Seatings
			rows[i].Sigma += c.Sigma * c.Sigma / float64(len(judged))
			rows[i].Effort += c.Effort / float64(len(judged))
		}
	}
	r.Best = 1
	for i := range rows {
		rows[i].Sigma = math.Sqrt(rows[i].Sigma)
		if i > 0 {
			rows[i].Gain = 1 - rows[i].Sigma/rows[i-1].Sigma
		}
		if rows[i].Effort < rows[r.Best-1].Effort*(1-1e-12) {
			r.Best = i + 1
		}
	}
	r.Choices = rows
	return nil
}

// spread computes what seating explains of the difference between the seatings of one
// attempt: from the repeatability of the levels, not anchored, pooled over the
// channels.
func (r *StudyResult) spread() error {
	n := len(r.setup.Band)
	r.SeatingSpread = make([]float64, n)
	places := 0
	for i := range n {
		if !math.IsNaN(r.limits.Lower[i]) || !math.IsNaN(r.limits.Upper[i]) {
			places += len(r.setup.Channels)
		}
	}
	for i := range n {
		r.SeatingSpread[i] = math.NaN()
		sum, freedom, channels := 0.0, 0.0, 0.0
		for c := range r.setup.Channels {
			s, err := r.study(0, func(x studyRun) float64 { return x.levels[c*n+i] })
			if err == nil {
				sum, freedom, channels = sum+s.Variance.Repeatability, freedom+s.RepeatFreedom(), channels+1
			}
		}
		if channels == 0 || r.setup.Seatings < 2 {
			continue
		}
		limit, err := gauge.SeatingLimit(math.Sqrt(sum/channels), freedom, r.setup.Seatings, max(1, places), r.options.SeatingRisk)
		if err != nil {
			return refuse(Invalid, "risk", "use a share such as 0.01", "%v", err)
		}
		r.SeatingSpread[i] = limit
	}
	return nil
}

// Measured reports whether the result is there.
func (r StudyResult) Measured() bool { return len(r.Rows) > 0 }
