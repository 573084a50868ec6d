package line

import (
	"context"
	"fmt"

	"alike/internal/store"
)

// lateBehind is how many units must have been measured, of other lots, after a unit that
// only now comes in, before it counts as late.
const lateBehind = 5

// late says that a unit of an older lot comes in after later ones were charted, or nothing.
// Charts read production in its order: put at their end, such a unit would break runs and
// join a finding that later units made. It is judged like any other, and not charted.
// Before there are limits nobody watches an order, and it is a unit like any other.
func (v *visit) late(ctx context.Context, s store.Site, place int64) (string, error) {
	before, err := s.FirstAttempts(ctx, v.setup.Code, place-lateBehind, place-1)
	if err != nil || len(before) < lateBehind {
		return "", err
	}
	for _, u := range before {
		if u.Lot == v.unit.Lot || !u.MeasuredAt.After(v.attempt.MeasuredAt) {
			return "", nil
		}
	}
	return fmt.Sprintf("unit %s of lot %s comes in late: units of lot %s that were measured after it are on the charts already; it is judged, and the charts leave it out",
		v.unit.Serial, v.unit.Lot, before[len(before)-1].Lot), nil
}
