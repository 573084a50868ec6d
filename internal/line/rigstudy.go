package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/gauge"

	"github.com/google/uuid"
)

// Kinds of studies.
const (
	GaugeStudy = "gauge" // operators seat the same units: what measuring adds
	RigsStudy  = "rigs"  // rigs measure the same units: what carries one to the other
	FaultStudy = "fault" // units built faulty on purpose: what their fault looks like
)

// A StudyRun says what became of the takes of a study.
type StudyRun struct {
	Study   string
	Done    int // runs with all their takes
	Of      int
	Waiting string // what the runs of these takes still lack
}

// A StudyPlan says what to study.
type StudyPlan struct {
	Code    string
	Product string
	Kind    string
	Units   []string
	By      []string // operators, or rigs
	Trials  int
	Seed    uint64
	Reason  string
}

// AddStudy stores the plan of a study. Takes that name its code as their lot belong
// to it from then on, and are never production.
func (l *Line) AddStudy(ctx context.Context, by By, p StudyPlan) error {
	setup, err := l.Setup(ctx, p.Product)
	if err != nil {
		return err
	}
	if err := p.named(); err != nil {
		return err
	}
	switch {
	case p.Kind != GaugeStudy && p.Kind != RigsStudy:
		return refuse(Invalid, "kind", "use gauge or rigs", "there is no kind of study %q", p.Kind)
	case p.Kind == RigsStudy && len(p.By) != 2:
		return refuse(Invalid, "rigs", "name two rigs", "a transfer curve goes from one rig to another, and %d are named", len(p.By))
	}
	if _, err := gauge.Plan(p.Units, p.By, p.Trials, p.Seed); err != nil {
		return refuse(Invalid, "plan", "change units, operators or seatings", "%v", err)
	}
	return l.addStudy(ctx, by, setup, p, nil)
}

// named checks what a plan of any kind needs.
func (p StudyPlan) named() error {
	code := strings.TrimSpace(p.Code)
	switch {
	case code == "" || code != p.Code || len(code) > 64:
		return refuse(Invalid, "code", "give it a short code without blanks at its ends, such as GS-1", "%q cannot name a study", p.Code)
	case strings.TrimSpace(p.Reason) == "":
		return refuse(Invalid, "reason", "say what the study is for", "a study needs a reason")
	case p.Seed > 1<<62:
		return refuse(Invalid, "seed", "use a smaller number", "the seed %d is too large", p.Seed)
	}
	return nil
}

// addStudy stores a study that was checked, with what belongs to its kind.
func (l *Line) addStudy(ctx context.Context, by By, setup *Setup, p StudyPlan, own func(store.Site) error) error {
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		if _, err := s.Lot(ctx, p.Code); err == nil {
			return refuse(Conflict, "code", "give the study another code", "%s is a lot of production", p.Code)
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
		err := s.Within(ctx, func(s store.Site) error {
			return s.AddStudy(ctx, store.StudyRow{
				Study: p.Code, Product: setup.Code, Kind: p.Kind, Units: p.Units, Operators: p.By, Trials: p.Trials,
				Seed: int64(p.Seed), Reason: p.Reason, Author: by.Actor, CreatedAt: l.now(),
			})
		})
		if errors.Is(err, store.ErrExists) {
			return refuse(Conflict, "code", "give the study another code: a plan does not change once it stands", "there is a study %s already", p.Code)
		} else if err != nil {
			return err
		}
		if own != nil {
			if err := own(s); err != nil {
				return err
			}
		}
		return l.journal(ctx, s, by, "plan study", p.Code, p.Reason, map[string]any{
			"kind": p.Kind, "units": p.Units, "by": p.By, "trials": p.Trials, "seed": p.Seed,
		})
	})
}

// runOf is the run that a visit of a study is.
func runOf(kind string, v store.VisitRow) gauge.Run {
	who := v.Operator
	switch kind {
	case RigsStudy:
		who = v.Rig
	case FaultStudy: // it does not matter who measures
		who = ""
	}
	return gauge.Run{Part: v.Serial, Operator: who, Trial: v.Number}
}

// study takes in the takes of a study: the seating of a take is the trial.
func (v *visit) study(ctx context.Context, s store.Site, code string) error {
	plan, err := s.Study(ctx, code)
	if err != nil {
		return err
	}
	if plan.Product != v.setup.Code {
		return refuse(Conflict, "lot", "correct the product or the lot", "study %s is of product %s, not %s", code, plan.Product, v.setup.Code)
	}
	order, err := v.sortRig(ctx, s, plan.Trials)
	if err != nil {
		return err
	}
	rows, err := s.StudyVisits(ctx, code)
	if err != nil {
		return err
	}
	runs := map[gauge.Run]*rigVisit{}
	done := 0
	var ids []uuid.UUID
	byVisit := map[uuid.UUID]*rigVisit{}
	for _, r := range rows {
		x := &rigVisit{row: r, slots: map[string]bool{}}
		runs[runOf(plan.Kind, r)], byVisit[r.Visit] = x, x
		ids = append(ids, r.Visit)
		if r.Complete {
			done++
		}
	}
	have, err := s.RigTakes(ctx, ids)
	if err != nil {
		return err
	}
	for _, t := range have {
		byVisit[t.Attempt].slots[t.Channel] = true
	}
	var touched []*rigVisit
	for _, i := range order {
		if v.receipt.Takes[i].Refused = v.unplanned(plan, i, runs); v.receipt.Takes[i].Refused != nil {
			continue
		}
		x := v.enter(plan, i, runs)
		if !slices.Contains(touched, x) {
			touched = append(touched, x)
		}
	}
	out := &StudyRun{Study: code, Of: len(plan.Units) * max(1, len(plan.Operators)) * plan.Trials}
	for _, x := range touched {
		if err := v.storeRun(ctx, s, x, out); err != nil {
			return err
		}
		if x.row.Complete {
			done++
		}
	}
	out.Done = done
	v.receipt.Study = out
	v.receipt.Lot = code
	if len(touched) == 0 {
		return nil
	}
	return v.line.journal(ctx, s, v.by, "measure for study", code, "", map[string]any{"unit": v.takes[0].Serial, "runs": len(touched)})
}

// run returns the run that a take says it is.
func (v *visit) runOfTake(plan store.StudyRow, i int) gauge.Run {
	t := v.takes[i]
	return runOf(plan.Kind, store.VisitRow{Serial: t.Serial, Operator: t.Operator, Rig: t.Station, Number: t.Seating})
}

// unplanned refuses a take that the plan does not have, or whose place is filled.
func (v *visit) unplanned(plan store.StudyRow, i int, runs map[gauge.Run]*rigVisit) *Refusal {
	t, run := v.takes[i], v.runOfTake(plan, i)
	field, who := "operator", "operator"
	if plan.Kind == RigsStudy {
		field, who = "station", "rig"
	}
	switch {
	case !slices.Contains(plan.Units, t.Serial):
		return refuse(Invalid, "serial", "use one of "+strings.Join(plan.Units, ", "), "study %s has no unit %s", plan.Study, t.Serial)
	case plan.Kind != FaultStudy && run.Operator == "":
		return refuse(Invalid, field, "give each take its "+field+", one of "+strings.Join(plan.Operators, ", "), "study %s needs the %s, and the take names none", plan.Study, who)
	case plan.Kind != FaultStudy && !slices.Contains(plan.Operators, run.Operator):
		return refuse(Invalid, field, "use one of "+strings.Join(plan.Operators, ", "), "study %s has no %s %q", plan.Study, who, run.Operator)
	case runs[run] != nil && runs[run].slots[t.Channel]:
		if plan.Kind == FaultStudy {
			return refuse(Conflict, "seating", "check unit and seating: a run of a study is measured once", "unit %s, %s, seating %d is stored already with another curve", t.Serial, t.Channel, t.Seating)
		}
		return refuse(Conflict, "seating", "check unit, "+who+" and seating: a run of a study is measured once",
			"unit %s, %s, seating %d by %s is stored already with another curve", t.Serial, t.Channel, t.Seating, run.Operator)
	}
	return nil
}

// enter puts a fresh take into its run.
func (v *visit) enter(plan store.StudyRow, i int, runs map[gauge.Run]*rigVisit) *rigVisit {
	t, run := v.takes[i], v.runOfTake(plan, i)
	x := runs[run]
	if x == nil {
		x = &rigVisit{isNew: true, slots: map[string]bool{}, row: store.VisitRow{
			Visit: uuid.Must(uuid.NewV7()), Product: plan.Product, Rig: t.Station, Serial: t.Serial, Study: &plan.Study,
			Number: t.Seating, Operator: t.Operator, MeasuredAt: t.MeasuredAt, ReceivedAt: v.at,
		}}
		runs[run] = x
	}
	row := v.rigTake(i, x.row.Visit)
	x.slots[t.Channel] = true
	x.fresh = append(x.fresh, row)
	v.receipt.Takes[i].ID = row.Take
	return x
}

func (v *visit) storeRun(ctx context.Context, s store.Site, x *rigVisit, out *StudyRun) error {
	if x.isNew {
		if err := s.AddVisit(ctx, &x.row); err != nil {
			return err
		}
	}
	if err := s.AddRigTakes(ctx, x.fresh); err != nil {
		return err
	}
	var missing []string
	for _, c := range v.setup.Channels {
		if !x.slots[c] {
			missing = append(missing, slot(c, x.row.Number))
		}
	}
	if len(missing) > 0 {
		out.Waiting = strings.Join(missing, ", ")
		return nil
	}
	x.row.Complete = true
	return s.CompleteVisit(ctx, x.row)
}

// studyOf finds a study.
func (l *Line) studyOf(ctx context.Context, s store.Site, code string) (store.StudyRow, error) {
	row, err := s.Study(ctx, code)
	if errors.Is(err, store.ErrNotFound) {
		return row, refuse(Missing, "study", "see the studies with: alike gauge list", "there is no study %q", code)
	}
	return row, err
}

// A StudyState is a study with how far it has come.
type StudyState struct {
	store.StudyRow
	Runs []gauge.Run // in the order in which they are to be done
	Done map[gauge.Run]bool
}

// Left returns the runs that still lack takes, in order.
func (s StudyState) Left() []gauge.Run {
	var out []gauge.Run
	for _, r := range s.Runs {
		if !s.Done[r] {
			out = append(out, r)
		}
	}
	return out
}

func runsOf(r store.StudyRow) ([]gauge.Run, error) {
	if r.Kind == FaultStudy {
		return gauge.Order(r.Units, r.Trials, uint64(r.Seed))
	}
	return gauge.Plan(r.Units, r.Operators, r.Trials, uint64(r.Seed))
}

// Study returns a study with how far it has come.
func (l *Line) Study(ctx context.Context, code string) (StudyState, error) {
	var out StudyState
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		out, _, err = l.studyState(ctx, s, code)
		return err
	})
	return out, err
}

func (l *Line) studyState(ctx context.Context, s store.Site, code string) (StudyState, []store.VisitRow, error) {
	out := StudyState{Done: map[gauge.Run]bool{}}
	var err error
	if out.StudyRow, err = l.studyOf(ctx, s, code); err != nil {
		return out, nil, err
	}
	if out.Runs, err = runsOf(out.StudyRow); err != nil {
		return out, nil, fmt.Errorf("stored study %s: %w", code, err)
	}
	visits, err := s.StudyVisits(ctx, code)
	for _, v := range visits {
		if v.Complete {
			out.Done[runOf(out.Kind, v)] = true
		}
	}
	return out, visits, err
}
