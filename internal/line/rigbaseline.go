package line

import (
	"context"

	"alike/internal/store"
	"alike/spc/gauge"

	"github.com/google/uuid"
)

// A BaselineSet says what SetBaseline did.
type BaselineSet struct {
	Version  int
	Visits   int
	Turned   int // visits turned round among them
	Seatings int
	Check    RigCheck // of the last visit
	Warnings []string
}

// SetBaseline takes the last visits of a reference unit on a rig as what it reads on a
// healthy rig, with the reason why the rig is held healthy. The last of them becomes
// the first check that passes, and units that waited for it are judged.
func (l *Line) SetBaseline(ctx context.Context, by By, serial, rig string, visits int, reason string) (BaselineSet, error) {
	var out BaselineSet
	if reason == "" {
		return out, refuse(Invalid, "reason", "say how it is known that the rig is good now, such as calibrated today", "a baseline needs a reason")
	}
	if visits < 1 || visits > 200 {
		return out, refuse(Invalid, "visits", "use 1 to 200", "a baseline cannot rest on %d visits", visits)
	}
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		unit, err := l.referenceOf(ctx, s, serial)
		if err != nil {
			return err
		}
		setup, err := l.setup(ctx, s, unit.Product)
		if err != nil {
			return err
		}
		rows, err := s.Visits(ctx, serial, rig, visits)
		if err != nil {
			return err
		}
		return l.setBaseline(ctx, s, by, setup, serial, rig, complete(rows), reason, &out)
	})
	return out, err
}

func complete(rows []store.VisitRow) []store.VisitRow {
	var out []store.VisitRow
	for _, r := range rows {
		if r.Complete {
			out = append(out, r)
		}
	}
	return out
}

func (l *Line) setBaseline(ctx context.Context, s store.Site, by By, setup *Setup, serial, rig string, rows []store.VisitRow, reason string, out *BaselineSet) error {
	row := store.BaselineRow{Serial: serial, Rig: rig, Reason: reason, Author: by.Actor, CreatedAt: l.now(), Visits: []uuid.UUID{}}
	var straight, turned [][][]float64
	var last *store.VisitRow
	var lastTakes []store.TakeRow
	for i, r := range rows {
		takes, err := s.RigTakes(ctx, []uuid.UUID{r.Visit})
		if err != nil {
			return err
		}
		row.Visits = append(row.Visits, r.Visit)
		if r.Turned {
			turned = append(turned, setup.levels(takes))
			continue
		}
		straight = append(straight, setup.levels(takes))
		last, lastTakes = &rows[i], takes
	}
	if last == nil {
		return refuse(Missing, "visits", "measure it there first, five times on different days if you can", "reference unit %s has no complete visit on %s", serial, rigName(rig))
	}
	ref, err := gauge.ReferenceOf(straight, setup.groups())
	if err != nil {
		return refuse(Invalid, "visits", "measure it again", "reference unit %s: %v", serial, err)
	}
	row.Seatings, row.Mean, row.SD, row.Freedom = ref.Seatings, ref.Mean, ref.SD, ref.Freedom
	row.Turned = make([]float64, len(ref.Mean))
	for p := range row.Turned {
		sum, n := 0.0, 0.0
		for _, v := range turned {
			for _, seat := range v {
				sum, n = sum+seat[p], n+1
			}
		}
		row.Turned[p] = sum / n // NaN without
	}
	if row.Version, err = s.AddBaseline(ctx, row); err != nil {
		return err
	}
	*out = BaselineSet{Version: row.Version, Visits: len(straight), Turned: len(turned), Seatings: row.Seatings, Warnings: ref.Warnings}
	if len(turned) == 0 && setup.pair() {
		out.Warnings = append(out.Warnings, "The unit was not measured turned round: without that, turning it later cannot tell a bad ear from a bad unit.")
	}
	if err := l.journal(ctx, s, by, "set rig baseline", serial, reason, map[string]any{"rig": rig, "version": row.Version, "visits": len(rows)}); err != nil {
		return err
	}
	return l.firstCheck(ctx, s, by, setup, last, lastTakes, out)
}

// firstCheck judges the last visit of a new baseline, unless it was judged before.
func (l *Line) firstCheck(ctx context.Context, s store.Site, by By, setup *Setup, last *store.VisitRow, takes []store.TakeRow, out *BaselineSet) error {
	out.Check = RigCheck{Serial: last.Serial, Rig: last.Rig, Number: last.Number, At: last.MeasuredAt}
	route, err := s.Route(ctx, setup.Code, last.Serial, "")
	if err != nil {
		return err
	}
	policy, err := policyOf(route)
	if err != nil {
		return err
	}
	if last.Passed != nil {
		out.Check.Word, out.Check.Sentence = "recorded", "the last visit was judged by the baseline before; measure the unit once more to check the rig by the new one"
		return nil
	}
	if err := l.judgeVisit(ctx, s, by, setup, last, takes, policy, route.Version, &out.Check); err != nil {
		return err
	}
	return l.journal(ctx, s, by, "check rig", last.Serial, "", map[string]any{"rig": last.Rig, "visit": last.Number, "result": out.Check.Word})
}
