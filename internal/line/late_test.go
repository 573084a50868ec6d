package line_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
)

// Takes of an older lot that come in after later ones were charted are judged, told, and
// left off the charts, so that good units of last week join no finding of this week.
func TestLateUnitsAreToldAndNotCharted(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(6, 1))
	produce(t, l, rng, 1, 25, flat)
	if _, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
		t.Fatal(err)
	}
	measured := func(serial, lot string, hours int, shape func(float64) float64, more ...string) line.Receipt {
		takes := slices.Clone(visit(serial, shape, shape))
		for i := range takes {
			takes[i].Lot, takes[i].MeasuredAt = lot, moment.Add(time.Duration(hours)*time.Hour)
			takes[i].Curve = curve.Take{Curve: takes[i].Curve}.Curve
			wiggle := 0.02 * rng.NormFloat64()
			for k := range takes[i].Curve.DB {
				takes[i].Curve.DB[k] += wiggle + 0.01*math.Sin(float64(k)+wiggle*50)
			}
			if len(more) > 0 {
				takes[i].Attempt, takes[i].Reason = 2, more[0]
			}
		}
		return intake(t, l, takes)
	}
	for i, serial := range []string{"N1", "N2", "N3", "N4", "N5", "N6"} {
		if r := measured(serial, "L3", 300+i, flat); r.Notice != "" {
			t.Errorf("%s: %s", serial, r.Notice)
		}
	}
	r := measured("O1", "L2", 100, func(hz float64) float64 { return -2.5 / (1 + hz/150) })
	if r.Verdict == nil || len(r.Signals) != 0 || !strings.Contains(r.Notice, "unit O1 of lot L2 comes in late: units of lot L3 that were measured after it are on the charts already") {
		t.Errorf("%+v", r)
	}
	if r := measured("O1", "L2", 310, flat, "looked at the pad"); r.Verdict == nil || len(r.Signals) != 0 {
		t.Errorf("a retest of it: %+v", r)
	}
	if r := measured("N7", "L3", 99, flat); r.Notice != "" { // files of one lot come in any order
		t.Errorf("%s", r.Notice)
	}
	if r := measured("P1", "L4", 400, flat); r.Notice != "" {
		t.Errorf("%s", r.Notice)
	}
	rows, err := db.Site("main").LastReadings(ctx, "p1", 1, math.MaxInt64, 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range rows {
		if x.Serial == "O1" {
			t.Errorf("it is charted at place %d", x.Place)
		}
	}
	if len(rows) != 25+8 {
		t.Errorf("%d units charted", len(rows))
	}
}
