package line_test

import (
	"math/rand/v2"
	"testing"

	"alike/internal/curve"
)

// Single drivers are no units of the line: they are counted apart, wait for nobody on
// the first page, and do not move the week.
func TestDriversAreCountedApart(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	rng := rand.New(rand.NewPCG(2, 1))
	intake(t, l, []curve.Take{driverTake(rng, "D1", "B", 0, false)})
	intake(t, l, []curve.Take{driverTake(rng, "D2", "B", 9, false)})
	weird := driverTake(rng, "D3", "B", 0, false)
	for i, hz := range weird.Curve.Hz {
		if hz < 200 {
			weird.Curve.DB[i] += 9
		}
	}
	intake(t, l, []curve.Take{weird})
	n, err := l.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !n.Newest.IsZero() || len(n.Days) != 0 || len(n.Waiting) != 0 || len(n.Counts) != 0 || n.Yield.Of != 0 {
		t.Errorf("%+v", n)
	}
	words := map[string]int{}
	for _, c := range n.Drivers {
		words[c.Word] = c.Units
	}
	if words["pass"] != 2 || words["fail"] != 1 {
		t.Errorf("drivers: %v", n.Drivers)
	}
	units, err := db.Site("main").UnitsBefore(t.Context(), n.At.AddDate(1, 0, 0), "", 10)
	if err != nil || len(units) != 0 {
		t.Errorf("%+v, %v", units, err)
	}
	if units, err = db.Site("main").FindUnits(t.Context(), "D", 10); err != nil || len(units) != 3 {
		t.Errorf("a scanned driver is not found: %+v, %v", units, err)
	}
}
