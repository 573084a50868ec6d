package line

import (
	"context"
	"errors"
	"fmt"
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

// notMeasured refuses to use a study that lacks runs.
func (r StudyResult) notMeasured() error {
	left := 0
	for _, run := range r.Runs {
		if !run.Done {
			left++
		}
	}
	if left == 0 {
		return refuse(Conflict, "study", "use a gauge study", "%s compares rigs and says nothing of seatings and operators", r.Code)
	}
	return refuse(Conflict, "study", "see which with: alike gauge status "+r.Code, "%d of %d runs of study %s are not measured", left, len(r.Runs), r.Code)
}

// GuardFromStudy puts a study's guard bands in force as a new version of the
// product's limits: per band the widest of its channels. It refuses when a guard leaves
// nothing of the limits.
func (l *Line) GuardFromStudy(ctx context.Context, by By, code string, o ResultOptions, reason string) (version int, r StudyResult, err error) {
	if r, err = l.GaugeSheet(ctx, code, o); err != nil {
		return 0, r, err
	}
	if !r.Measured() {
		return 0, r, r.notMeasured()
	}
	e, err := ParseEnvelope(r.env.Definition)
	if err != nil {
		return 0, r, fmt.Errorf("stored envelope %d of %s: %w", r.env.Version, r.setup.Code, err)
	}
	var full []string
	for i, b := range r.setup.Band {
		guard := 0.0
		for _, row := range r.Rows {
			if row.Quantity == string(envelope.Deviation) && row.Label == b.Label() && row.Guard > guard {
				guard = row.Guard
			}
		}
		width := r.limits.Upper[i] - r.limits.Lower[i]
		if math.IsNaN(r.limits.Lower[i]) && math.IsNaN(r.limits.Upper[i]) || guard == 0 {
			continue
		}
		guard = math.Ceil(guard*100-1e-9) / 100 // upwards, so that the risk is kept
		if width <= 2*guard {
			full = append(full, fmt.Sprintf("%s (%.2f dB of %.2f)", b.Name(), 2*guard, width))
		}
		e.Guard = append(e.Guard, envelope.Guard{From: b.Nominal(), To: b.Nominal(), DB: guard})
	}
	if len(full) > 0 {
		return 0, r, refuse(Conflict, "guard", "take more seatings, widen the limits there, or accept a higher risk", "the guard bands on both sides leave nothing of the limits at %s", strings.Join(full, ", "))
	}
	if s := e.Sensitivity; s != nil {
		for _, row := range r.Rows {
			if row.Quantity == string(envelope.Sensitivity) && row.Guard > 0 {
				s.Guard = math.Max(s.Guard, math.Ceil(row.Guard*100-1e-9)/100)
			}
		}
		if 2*s.Guard >= s.Upper-s.Lower {
			return 0, r, refuse(Conflict, "guard", "take more seatings or widen the limits", "the guard of %.2f dB leaves nothing of the sensitivity's limits", s.Guard)
		}
	}
	if reason == "" {
		return 0, r, refuse(Invalid, "reason", "say why the limits change", "a new version of the limits needs a reason")
	}
	version, err = l.AddEnvelope(ctx, by, r.setup.Code, e, fmt.Sprintf("guard bands from gauge study %s for %d seatings, risk %g: %s", code, r.Seatings, r.Risk, reason))
	return version, r, err
}

// SeatingFromStudy puts what a study says of seatings in force: beyond it the
// seatings of an attempt ask for another one.
func (l *Line) SeatingFromStudy(ctx context.Context, by By, code string, o ResultOptions, reason string) (version int, r StudyResult, err error) {
	if r, err = l.GaugeSheet(ctx, code, o); err != nil {
		return 0, r, err
	}
	switch {
	case !r.Measured():
		return 0, r, r.notMeasured()
	case r.setup.Seatings < 2:
		return 0, r, refuse(Conflict, "seatings", "give the product two seatings or more", "product %s takes one seating: there is nothing to compare", r.setup.Code)
	case reason == "":
		return 0, r, refuse(Invalid, "reason", "say why the limits change", "new seating limits need a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, r.setup.Code); err != nil {
			return err
		}
		version, err = s.AddSeatingLimit(ctx, store.SeatingLimitRow{
			Product: r.setup.Code, Study: code, Spread: r.SeatingSpread, Reason: reason, Author: by.Actor, CreatedAt: l.now(),
		})
		if err != nil {
			return err
		}
		return l.journal(ctx, s, by, "set seating limits", r.setup.Code, reason, map[string]any{"version": version, "study": code})
	})
	return version, r, err
}

// withSeating returns the setup with the seating limits in force: a study's, else the
// product's own.
func (s *Setup) withSeating(ctx context.Context, q store.Site) (*Setup, error) {
	row, err := q.SeatingLimit(ctx, s.Code)
	if errors.Is(err, store.ErrNotFound) {
		return s, nil
	} else if err != nil {
		return nil, err
	}
	if len(row.Spread) != len(s.Band) {
		return nil, fmt.Errorf("stored seating limits %d of %s are for %d bands, the product has %d", row.Version, s.Code, len(row.Spread), len(s.Band))
	}
	out := *s
	out.Spread = row.Spread
	return &out, nil
}

// Transfer returns the curve from the first rig of a comparison to the second, from
// the units that both have measured so far.
func (l *Line) Transfer(ctx context.Context, code string, confidence float64) (reports.Transfer, error) {
	var out reports.Transfer
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		state, visits, err := l.studyState(ctx, s, code)
		if err != nil {
			return err
		}
		if state.Kind != RigsStudy {
			return refuse(Conflict, "study", "plan one with: alike rig compare", "%s is a gauge study, not a comparison of rigs", code)
		}
		r := StudyResult{}
		if r.setup, err = l.setup(ctx, s, state.Product); err != nil {
			return err
		}
		if err := r.load(ctx, s, state.Kind, visits); err != nil {
			return err
		}
		first, second := r.pairs(state.Operators[0]), r.pairs(state.Operators[1])
		var a, b [][]float64
		for _, u := range state.Units {
			if first[u] != nil && second[u] != nil {
				a, b = append(a, first[u]), append(b, second[u])
			}
		}
		t, err := gauge.TransferOf(a, b, confidence)
		if err != nil {
			return refuse(Conflict, "study", "see what is missing with: alike gauge status "+code, "%v", err)
		}
		out = r.transfer(state, t)
		return nil
	})
	return out, err
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
