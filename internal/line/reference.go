package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/store"
	"alike/spc/band"

	"github.com/google/uuid"
)

// What a reference unit is used for.
const (
	InUse   = "in use"
	Spare   = "spare"
	Retired = "retired"
)

// Turned is the reason that takes of a reference unit carry when it sat left on
// right: the channel is then the rig's ear, not the unit's side.
const Turned = "turned"

// visitGap is the time after which takes of a reference unit begin another visit: a
// check that was broken off is not finished the next day.
const visitGap = 2 * time.Hour

// A RigCheck says what became of one visit of a reference unit.
type RigCheck struct {
	Serial   string
	Rig      string
	Number   int
	At       time.Time
	Word     string // passed, failed, recorded, turned, waiting
	Sentence string
	Settled  []Settled // units whose verdict changed by it
}

// AddReference makes a unit a reference unit of a product: from now on its takes are
// checks of a rig and never production.
func (l *Line) AddReference(ctx context.Context, by By, product, serial, state, note string) error {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return err
	}
	if serial == "" || serial != strings.TrimSpace(serial) || len(serial) > 64 || strings.ContainsAny(serial, `/`) {
		return refuse(Invalid, "serial", "give the serial as its takes will have it", "%q is no serial", serial)
	}
	if state != InUse && state != Spare {
		return refuse(Invalid, "state", "use \"in use\" or \"spare\"", "a new reference unit cannot be %q", state)
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		if u, err := s.Unit(ctx, serial); err == nil {
			return refuse(Conflict, "serial", "measure the reference unit under a serial of its own, such as "+serial+"-ref", "unit %s was measured as production, in lot %s", serial, u.Lot)
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
		err := s.Within(ctx, func(s store.Site) error {
			return s.AddReference(ctx, store.ReferenceRow{Serial: serial, Product: setup.Code, Note: note, Author: by.Actor, AddedAt: l.now(), State: state, Reason: "new"})
		})
		if errors.Is(err, store.ErrExists) {
			return refuse(Conflict, "serial", "see the reference units with: alike rig status", "%s is a reference unit already", serial)
		} else if err != nil {
			return err
		}
		return l.journal(ctx, s, by, "add reference unit", serial, "", map[string]any{"product": setup.Code, "state": state, "note": note})
	})
}

// SetReference says what a reference unit is used for from now on, and why.
func (l *Line) SetReference(ctx context.Context, by By, serial, state, reason string) error {
	if !slices.Contains([]string{InUse, Spare, Retired}, state) {
		return refuse(Invalid, "state", "use \"in use\", \"spare\" or \"retired\"", "a reference unit cannot be %q", state)
	}
	if reason == "" {
		return refuse(Invalid, "reason", "say why", "a reference unit does not change its use without a reason")
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := l.referenceOf(ctx, s, serial); err != nil {
			return err
		}
		if err := s.SetReference(ctx, serial, state, reason, by.Actor, l.now()); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "set reference unit", serial, reason, map[string]any{"state": state})
	})
}

// referenceOf finds a reference unit and locks its product.
func (l *Line) referenceOf(ctx context.Context, s store.Site, serial string) (store.ReferenceRow, error) {
	row, err := s.Reference(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		return row, refuse(Missing, "serial", "add it with: alike rig reference", "%s is no reference unit", serial)
	} else if err != nil {
		return row, err
	}
	_, err = s.LockProduct(ctx, row.Product)
	return row, err
}

// reference takes in the takes of a reference unit. They may be of several visits:
// a folder holds a week's checks. A visit ends when its takes are there; the next
// take of a place that is filled, or one much later, begins another.
func (v *visit) reference(ctx context.Context, s store.Site, policy *RigPolicy, version int) error {
	unit, err := s.Reference(ctx, v.takes[0].Serial)
	if err != nil {
		return err
	}
	if unit.Product != v.setup.Code {
		return refuse(Conflict, "product", "correct the product or the serial", "reference unit %s belongs to product %s, not %s", unit.Serial, unit.Product, v.setup.Code)
	}
	seatings := v.setup.Seatings
	if policy != nil {
		seatings = policy.seatings(v.setup)
	}
	order, err := v.sortRig(ctx, s, seatings)
	if err != nil || len(order) == 0 {
		return err
	}
	g := gatherer{visit: v, seatings: seatings, open: map[string]*rigVisit{}}
	for _, i := range order {
		if err := g.add(ctx, s, i); err != nil {
			return err
		}
	}
	for _, r := range g.visits {
		if err := v.closeVisit(ctx, s, r, policy, version, seatings); err != nil {
			return err
		}
	}
	return nil
}

// sortRig decides for each take that is not production whether it is known, refused
// or fresh, and returns the fresh ones in order of time.
func (v *visit) sortRig(ctx context.Context, s store.Site, seatings int) ([]int, error) {
	twins, err := s.Twins(ctx, v.hashes)
	if err != nil {
		return nil, err
	}
	var order []int
	seen := map[string]bool{}
	for i := range v.takes {
		t, r := &v.takes[i], &v.receipt.Takes[i]
		if t.Seating == 0 && seatings == 1 {
			t.Seating = 1
		}
		if r.Refused = v.checkRig(*t, seatings); r.Refused != nil {
			continue
		}
		hash := string(v.hashes[i])
		for _, w := range twins {
			if string(w.ContentHash) != hash {
				continue
			}
			if w.Visit && w.Serial == t.Serial && w.Channel == t.Channel && w.Seating == t.Seating {
				r.ID, r.Known = w.Take, true
			} else if len(t.Curve.Hz) >= telling && !r.Known {
				r.Refused = refuse(Conflict, "content", "find out which of the two was measured: the rig may have saved one file twice",
					"the curve of unit %s, %s, is stored already as unit %s, %s", t.Serial, slot(t.Channel, t.Seating), w.Serial, slot(w.Channel, w.Seating))
			}
		}
		if !r.Known && r.Refused == nil && seen[hash] && len(t.Curve.Hz) >= telling {
			r.Refused = refuse(Conflict, "content", "find out which of the two was measured: the rig may have saved one file twice", "unit %s has the same curve twice in this call", t.Serial)
		}
		if r.Known {
			r.Refused = nil
		}
		if !r.Known && r.Refused == nil {
			seen[hash] = true
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return v.takes[a].MeasuredAt.Compare(v.takes[b].MeasuredAt) })
	return order, nil
}

// checkRig is the part of check that holds for takes outside production too.
func (v *visit) checkRig(t curve.Take, seatings int) *Refusal {
	s := v.setup
	switch {
	case !slices.Contains(s.Channels, t.Channel):
		return refuse(Invalid, "channel", "use one of "+strings.Join(s.Channels, ", "), "product %s has no channel %q", s.Code, t.Channel)
	case t.Seating == 0:
		return refuse(Invalid, "seating", fmt.Sprintf("number the seatings 1 to %d", seatings), "it is not said which seating this take of unit %s is", t.Serial)
	case t.Seating > seatings:
		return refuse(Invalid, "seating", fmt.Sprintf("number the seatings 1 to %d", seatings), "seating %d of unit %s is more than the %d that are wanted", t.Seating, t.Serial, seatings)
	}
	if low, high := t.Curve.Hz[0], t.Curve.Hz[len(t.Curve.Hz)-1]; !s.reaches(low, high) {
		return refuse(Invalid, "frequency", "measure from below the anchor range to above it", "the curve runs from %s to %s Hz and covers no band of the anchor range %v to %v Hz",
			band.Hertz(low), band.Hertz(high), s.Anchor.From, s.Anchor.To)
	}
	return nil
}

// A rigVisit is a visit of a reference unit with its takes so far.
type rigVisit struct {
	row   store.VisitRow
	slots map[string]bool
	fresh []store.RigTakeRow
	isNew bool
}

// A gatherer puts fresh takes of a reference unit into visits.
type gatherer struct {
	*visit
	seatings int
	open     map[string]*rigVisit // by rig and side
	visits   []*rigVisit
}

func (g *gatherer) add(ctx context.Context, s store.Site, i int) error {
	t := g.takes[i]
	turned := strings.HasPrefix(strings.ToLower(t.Reason), Turned)
	key := fmt.Sprint(t.Station, "\x00", turned)
	r := g.open[key]
	if r == nil {
		row, err := s.OpenVisit(ctx, t.Serial, t.Station, turned)
		if err == nil {
			if r, err = g.resume(ctx, s, row); err != nil {
				return err
			}
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
	}
	if r == nil || !r.takes(t, len(g.setup.Channels)*g.seatings) {
		r = &rigVisit{isNew: true, slots: map[string]bool{}, row: store.VisitRow{
			Visit: uuid.Must(uuid.NewV7()), Product: g.setup.Code, Rig: t.Station, Serial: t.Serial, Turned: turned,
			Operator: t.Operator, MeasuredAt: t.MeasuredAt, ReceivedAt: g.at,
		}}
	}
	if g.open[key] != r {
		g.open[key] = r
		g.visits = append(g.visits, r)
	}
	row := g.rigTake(i, r.row.Visit)
	r.slots[slot(t.Channel, t.Seating)] = true
	r.fresh = append(r.fresh, row)
	g.receipt.Takes[i].ID = row.Take
	return nil
}

// takes reports whether a take belongs to the visit.
func (r *rigVisit) takes(t curve.Take, whole int) bool {
	gap := t.MeasuredAt.Sub(r.row.MeasuredAt)
	return !r.slots[slot(t.Channel, t.Seating)] && len(r.slots) < whole && gap.Abs() <= visitGap
}

func (g *gatherer) resume(ctx context.Context, s store.Site, row store.VisitRow) (*rigVisit, error) {
	r := &rigVisit{row: row, slots: map[string]bool{}}
	have, err := s.RigTakes(ctx, []uuid.UUID{row.Visit})
	for _, t := range have {
		r.slots[slot(t.Channel, t.Seating)] = true
	}
	return r, err
}

// rigTake makes the row of a take that is not production.
func (v *visit) rigTake(i int, visit uuid.UUID) store.RigTakeRow {
	t := v.takes[i]
	id := uuid.Must(uuid.NewV7())
	row := store.RigTakeRow{Curve: encode(id, t.Curve), TakeRow: store.TakeRow{
		Take: id, Attempt: visit, Channel: t.Channel, Seating: t.Seating, MeasuredAt: t.MeasuredAt, ReceivedAt: v.at,
		ContentHash: v.hashes[i], Source: sourceText(t.Source), Notes: append([]string{}, t.Notes...),
	}}
	for _, lv := range band.Levels(t.Curve, v.setup.Band) {
		row.Bands = append(row.Bands, float32(lv.DB))
	}
	return row
}

// closeVisit stores a visit's fresh takes and, when all are there, judges it.
func (v *visit) closeVisit(ctx context.Context, s store.Site, r *rigVisit, policy *RigPolicy, version, seatings int) error {
	if r.isNew {
		if err := s.AddVisit(ctx, &r.row); err != nil {
			return err
		}
	}
	if err := s.AddRigTakes(ctx, r.fresh); err != nil {
		return err
	}
	check := RigCheck{Serial: r.row.Serial, Rig: r.row.Rig, Number: r.row.Number, At: r.row.MeasuredAt, Word: Waiting}
	takes, err := s.RigTakes(ctx, []uuid.UUID{r.row.Visit})
	if err != nil {
		return err
	}
	if missing := v.setup.missing(takes, seatings); missing != "" {
		check.Sentence = "takes are missing: " + missing
		v.receipt.Waiting = missing
	} else if err := v.line.judgeVisit(ctx, s, v.by, v.setup, &r.row, takes, policy, version, &check); err != nil {
		return err
	}
	v.receipt.Checks = append(v.receipt.Checks, check)
	return v.line.journal(ctx, s, v.by, "measure reference unit", r.row.Serial, "", map[string]any{
		"rig": r.row.Rig, "visit": r.row.Number, "takes": len(r.fresh), "result": check.Word,
	})
}
