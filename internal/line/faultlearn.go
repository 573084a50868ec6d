package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/cause"
	"alike/spc/envelope"

	"github.com/google/uuid"
)

// faultConfidence is that of a learnt signature's interval and of its clear bands.
const faultConfidence = 0.95

// A FaultStudyResult is a study of faulty units: how far it is, and what it teaches once
// two of its units are measured.
type FaultStudyResult struct {
	StudyState
	Plan     store.FaultPlanRow
	Setup    *Setup
	LimitSet int      // whose baseline is the good units; 0 for the plan's own
	Good     []string // good units used
	Waiting  []string // units that lack takes
	LeftOut  []LeftOut
	Learnt   *cause.Learnt // nil while too little is measured
	Why      string        // why there is nothing yet, a whole sentence
	Like     []FaultPair   // the known faults that it is most like, most alike first
	Versions []store.FaultSignatureRow
	Warnings []string // whole sentences
}

// A FaultPair is how far two faults of a product have the same shape.
type FaultPair struct {
	cause.Likeness
	AWords, BWords string
	ACheck, BCheck string
	Where          string // band where they differ most, empty when they do not
}

// FaultStudy returns a study of faulty units with what it teaches, units left out for a
// reason aside.
func (l *Line) FaultStudy(ctx context.Context, code string, without []LeftOut) (FaultStudyResult, error) {
	var r FaultStudyResult
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		r, err = l.faultStudy(ctx, s, code, without)
		return err
	})
	return r, err
}

// LeftOutInForce returns the units that the version in force was learnt without.
func (r FaultStudyResult) LeftOutInForce() []LeftOut {
	if len(r.Versions) == 0 || r.Versions[0].State != InForce {
		return nil
	}
	v, err := versionOf(r.Versions[0])
	if err != nil {
		return nil
	}
	return v.LeftOut
}

func (l *Line) faultStudy(ctx context.Context, s store.Site, code string, without []LeftOut) (r FaultStudyResult, err error) {
	if r.Plan, err = l.faultPlan(ctx, s, code); err != nil {
		return r, err
	}
	var visits []store.VisitRow
	if r.StudyState, visits, err = l.studyState(ctx, s, code); err != nil {
		return r, err
	}
	if r.Setup, err = l.setup(ctx, s, r.Product); err != nil {
		return r, err
	}
	if err := r.leave(without); err != nil {
		return r, err
	}
	rows, err := s.FaultSignatures(ctx, r.Product)
	if err != nil {
		return r, err
	}
	for _, v := range slices.Backward(rows) {
		if v.Study == code {
			r.Versions = append(r.Versions, v)
		}
	}
	units, err := r.readings(ctx, s, visits)
	if err != nil {
		return r, err
	}
	good, err := r.good(ctx, s, units)
	if err != nil {
		return r, err
	}
	sd, _, err := r.Setup.usualScatter(ctx, s)
	if err != nil {
		return r, err
	}
	return r, r.learn(units, good, sd)
}

// leave checks what is left out.
func (r *FaultStudyResult) leave(without []LeftOut) error {
	for _, o := range without {
		switch {
		case !slices.Contains(r.Plan.Faulty, o.Serial):
			return refuse(Invalid, "leave_out", "use one of "+strings.Join(r.Plan.Faulty, ", "), "study %s has no faulty unit %q", r.Plan.Study, o.Serial)
		case strings.TrimSpace(o.Reason) == "":
			return refuse(Invalid, "leave_out", "say why it does not count", "unit %s is left out without a reason", o.Serial)
		case slices.ContainsFunc(r.LeftOut, func(x LeftOut) bool { return x.Serial == o.Serial }):
			return refuse(Invalid, "leave_out", "name it once", "unit %s is left out twice", o.Serial)
		}
		r.LeftOut = append(r.LeftOut, LeftOut{o.Serial, strings.TrimSpace(o.Reason)})
	}
	return nil
}

// readings reduces each unit that is measured whole to what the charts would read of it,
// with the transfer of its rig as production has it.
func (r *FaultStudyResult) readings(ctx context.Context, s store.Site, visits []store.VisitRow) (map[string]store.ReadingRow, error) {
	of := map[string][]store.TakeRow{}
	for _, v := range visits {
		if !v.Complete {
			continue
		}
		takes, err := s.RigTakes(ctx, []uuid.UUID{v.Visit})
		if err != nil {
			return nil, err
		}
		transfer, err := transferAt(ctx, s, r.Setup, v.Rig, v.MeasuredAt)
		if err != nil {
			return nil, err
		}
		of[v.Serial] = append(of[v.Serial], corrected(r.Setup, takes, transfer)...)
	}
	out := map[string]store.ReadingRow{}
	for _, u := range r.Units {
		if len(of[u]) < len(r.Setup.Channels)*r.Trials {
			r.Waiting = append(r.Waiting, u)
			continue
		}
		channels, err := r.Setup.channelsOf(of[u])
		if err != nil {
			return nil, refuse(Invalid, "frequency", "measure from below the anchor range to above it", "unit %s: %v", u, err)
		}
		out[u] = store.ReadingRow{Serial: u, Streams: r.Setup.values(channels)}
	}
	return out, nil
}

// channelsOf averages the seatings of each channel.
func (s *Setup) channelsOf(takes []store.TakeRow) ([]envelope.Channel, error) {
	var out []envelope.Channel
	for _, name := range s.Channels {
		c, err := s.read(name, seatingsOf(takes, name))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, c)
	}
	return out, nil
}

// good returns the readings of the good units: the plan's, else the baseline's.
func (r *FaultStudyResult) good(ctx context.Context, s store.Site, units map[string]store.ReadingRow) ([]store.ReadingRow, error) {
	var out []store.ReadingRow
	if len(r.Plan.Good) > 0 {
		for _, u := range r.Plan.Good {
			if row, ok := units[u]; ok {
				out, r.Good = append(out, row), append(r.Good, u)
			}
		}
		return out, nil
	}
	set, err := s.LimitSet(ctx, r.Product, 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	r.LimitSet = set.Version
	if out, err = s.ReadingsOf(ctx, r.Product, set.Baseline); err != nil {
		return nil, err
	}
	for _, row := range out {
		r.Good = append(r.Good, row.Serial)
	}
	if r.Trials != r.Setup.Seatings {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The faulty units have %s each and the baseline's %d: their scatter is not quite the same.", number(r.Trials, "seating"), r.Setup.Seatings))
	}
	return out, nil
}

// of returns the levels of a reading on the side of a fault: the mean of the channels
// when it is on both.
func (s *Setup) of(r store.ReadingRow, side string) []float64 {
	if side != Both {
		return s.unanchored(r, side)
	}
	out := make([]float64, len(s.Band))
	for _, c := range s.Channels {
		for i, db := range s.unanchored(r, c) {
			out[i] += db / float64(len(s.Channels))
		}
	}
	return out
}

func (s *Setup) allOf(rows []store.ReadingRow, side string) [][]float64 {
	var out [][]float64
	for _, r := range rows {
		out = append(out, s.of(r, side))
	}
	return out
}

// learn fills what the units teach. The fault is held against others by the usual scatter
// of units, as the list of known faults does, and where that is nil by that of the good ones.
func (r *FaultStudyResult) learn(units map[string]store.ReadingRow, good []store.ReadingRow, usual []float64) error {
	built := func(side string) (out []cause.Built) {
		for _, u := range r.Plan.Faulty {
			row, ok := units[u]
			if ok && !slices.ContainsFunc(r.LeftOut, func(o LeftOut) bool { return o.Serial == u }) {
				out = append(out, cause.Built{Name: u, Levels: r.Setup.of(row, side)})
			}
		}
		return out
	}
	learnt, err := cause.Learn(built(r.Plan.Side), r.Setup.allOf(good, r.Plan.Side), faultConfidence)
	switch {
	case errors.Is(err, cause.ErrFew):
		r.Why = fmt.Sprintf("Of %s built faulty %d can be used, and %s: two of each are the least.", number(len(r.Plan.Faulty), "unit"), len(built(r.Plan.Side)), number(len(good), "good unit"))
		return nil
	case err != nil:
		r.Why = upper(err.Error()) + "."
		return nil
	}
	r.Learnt = &learnt
	r.Warnings = append(r.Warnings, learnt.Warnings...)
	r.witness(built, good)
	if usual == nil {
		usual = learnt.Scatter
	}
	r.Like = r.Setup.likeOthers(cause.Signature{Key: r.Plan.Key, Words: r.Plan.Words, Check: r.Plan.FirstLook, Shape: learnt.Shape}, usual)
	for _, p := range r.Like {
		if p.Confusable() {
			r.Warnings = append(r.Warnings, p.Text())
		}
	}
	return nil
}

// witness asks the channel that was built good: what it shows too is not the fault's.
func (r *FaultStudyResult) witness(built func(string) []cause.Built, good []store.ReadingRow) {
	if r.Plan.Side == Both {
		return
	}
	for _, c := range r.Setup.Channels {
		if c == r.Plan.Side {
			continue
		}
		w, err := cause.Learn(built(c), r.Setup.allOf(good, c), faultConfidence)
		if err != nil || w.Clear == 0 {
			continue
		}
		at := -1
		for i, p := range w.P {
			if p <= 1-faultConfidence && (at < 0 || math.Abs(w.Shape[i]) > math.Abs(w.Shape[at])) {
				at = i
			}
		}
		r.Warnings = append(r.Warnings, fmt.Sprintf("The %s, which was built good, differs from good units too (%s dB at %s): the rig or the day may have moved as well, or the fault reaches the other side.", c, signed(w.Shape[at]), r.Setup.Band[at].Name()))
	}
}

// likeOthers holds a signature against every other one in force, most alike first.
func (s *Setup) likeOthers(g cause.Signature, sd []float64) []FaultPair {
	var out []FaultPair
	for _, other := range s.Shapes {
		if other.Key == g.Key {
			continue
		}
		out = append(out, s.faultPair(cause.Between(sd, g, other), g, other))
	}
	slices.SortStableFunc(out, func(a, b FaultPair) int { return cmpFloat(b.Share, a.Share) })
	return out
}

func (s *Setup) faultPair(l cause.Likeness, a, b cause.Signature) FaultPair {
	p := FaultPair{Likeness: l, AWords: a.Words, BWords: b.Words, ACheck: a.Check, BCheck: b.Check}
	if l.At >= 0 {
		p.Where = s.Band[l.At].Name()
	}
	return p
}

// Text says why two faults are confused, or how they are told apart, in a sentence.
func (p FaultPair) Text() string {
	text := fmt.Sprintf("%s and %s have %.0f %% of their shape in common", upper(p.AWords), p.BWords, 100*p.Share)
	if p.Where == "" {
		return text + " and differ nowhere: no curve tells them apart."
	}
	text += fmt.Sprintf("; they differ most at %s, by %.2g dB", p.Where, math.Abs(p.Left))
	if math.IsInf(p.Units, 1) {
		return text + ": no number of units tells them apart by their curves."
	}
	return text + fmt.Sprintf(". At the stated size it takes %s after a change to tell them apart, at the least.", number(int(p.Units), "unit"))
}

// A faultBasis is what a learnt signature rests on, as it is stored.
type faultBasis struct {
	LeftOut  []LeftOut        `json:"left_out"`
	LimitSet int              `json:"limit_set"` // 0: the good units of the study
	Good     int              `json:"good"`
	Seatings int              `json:"seatings"`
	Error    Levels           `json:"error"`
	Scatter  Levels           `json:"scatter"`
	P        Levels           `json:"p_holm"`
	Clear    int              `json:"clear"`
	Steady   bool             `json:"steady"`
	Noise    float64          `json:"noise"`
	Settled  bool             `json:"settled"`
	Units    []faultAgreement `json:"agreement"`
	Warnings []string         `json:"warnings"`
}

type faultAgreement struct {
	Serial string  `json:"serial"`
	Size   float64 `json:"size"`
	Shared float64 `json:"shared"`
	P      float64 `json:"p"`
}

// LearnFault puts what a study teaches in force as a signature of its product: from now on
// changes and units are held against it. One of the same key, learnt or of the product
// file, is superseded; verdicts and reports of decided lots stand.
func (l *Line) LearnFault(ctx context.Context, by By, code string, without []LeftOut, reason string) (version int, r FaultStudyResult, err error) {
	if err := reasoned(by, reason, "say why this is what the fault looks like", "a learnt signature"); err != nil {
		return 0, r, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		study, err := l.studyOf(ctx, s, code)
		if err != nil {
			return err
		}
		if _, err := s.LockProduct(ctx, study.Product); err != nil {
			return err
		}
		if r, err = l.faultStudy(ctx, s, code, without); err != nil {
			return err
		}
		if err := r.usable(); err != nil {
			return err
		}
		row, err := r.row(reason, by.Actor)
		if err != nil {
			return err
		}
		row.CreatedAt = l.now()
		if version, err = s.AddFaultSignature(ctx, row); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "learn fault", r.Product, reason, map[string]any{
			"version": version, "key": row.Key, "study": code, "units": row.Units, "left_out": r.LeftOut,
		})
	})
	return version, r, err
}

// reasoned refuses what names no person or has no reason.
func reasoned(by By, reason, remedy, what string) error {
	switch {
	case strings.TrimSpace(reason) == "":
		return refuse(Invalid, "reason", remedy, "%s needs a reason", what)
	case strings.TrimSpace(by.Actor) == "":
		return refuse(Invalid, "person", "give the name of who does this", "%s needs a person", what)
	}
	return nil
}

// usable refuses to put in force what says nothing yet.
func (r FaultStudyResult) usable() error {
	var left []string
	for _, u := range r.Waiting {
		if !slices.ContainsFunc(r.LeftOut, func(o LeftOut) bool { return o.Serial == u }) {
			left = append(left, u)
		}
	}
	switch {
	case r.Learnt == nil:
		return refuse(Conflict, "study", "see what is left to measure with: alike fault status "+r.Study, "%s", strings.TrimSuffix(lowerFirst(r.Why), "."))
	case len(left) > 0:
		return refuse(Conflict, "study", "measure what is left, or leave a faulty unit out with a reason", "of study %s these units are not measured yet: %s", r.Study, strings.Join(left, ", "))
	case r.Learnt.Clear == 0:
		return refuse(Conflict, "study", "build more units of it, a larger fault, or measure more good units", "no band of study %s changed beyond the scatter of good units: there is nothing to know the fault by", r.Study)
	}
	return nil
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// row makes the version that is stored.
func (r FaultStudyResult) row(reason, author string) (store.FaultSignatureRow, error) {
	k := r.Learnt
	b := faultBasis{
		LeftOut: append([]LeftOut{}, r.LeftOut...), LimitSet: r.LimitSet, Good: k.Good, Seatings: r.Trials, Error: k.Error, Scatter: k.Scatter, P: k.P, Clear: k.Clear,
		Steady: k.Steady, Noise: k.Noise, Settled: k.Settled, Warnings: append([]string{}, r.Warnings...),
	}
	row := store.FaultSignatureRow{
		Product: r.Product, Key: r.Plan.Key, State: InForce, Study: r.Study, Words: r.Plan.Words, FirstLook: r.Plan.FirstLook, Part: r.Plan.Part,
		Side: r.Plan.Side, Shape: k.Shape, Low: k.Low, High: k.High, Units: []string{}, Reason: reason, Author: author,
	}
	for _, u := range k.Units {
		row.Units = append(row.Units, u.Name)
		b.Units = append(b.Units, faultAgreement{u.Name, u.Size, u.Shared, u.P})
	}
	var err error
	row.Basis, err = json.Marshal(b)
	return row, err
}

// WithdrawFault takes a learnt signature out of force; the product file's own of the same
// key counts again where there is one.
func (l *Line) WithdrawFault(ctx context.Context, by By, product, key, reason string) (version int, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, err
	}
	if err := reasoned(by, reason, "say why it does not count any more", "withdrawing a signature"); err != nil {
		return 0, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		rows, err := s.FaultSignatures(ctx, setup.Code)
		if err != nil {
			return err
		}
		i := -1
		for k, r := range rows {
			if r.Key == key {
				i = k
			}
		}
		if i < 0 || rows[i].State != InForce {
			return refuse(Missing, "key", "see the faults with: alike fault list", "product %s has no learnt fault %q in force", setup.Code, key)
		}
		row := rows[i]
		row.State, row.Reason, row.Author, row.CreatedAt = Withdrawn, reason, by.Actor, l.now()
		if version, err = s.AddFaultSignature(ctx, row); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "withdraw fault", setup.Code, reason, map[string]any{"version": version, "key": key, "was": rows[i].Version})
	})
	return version, err
}
