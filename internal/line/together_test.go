package line_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/multi"
)

const (
	baselineUnits = 40
	driftFrom     = 60 // unit from 0
)

// drifting puts 110 units through a workshop whose foam, mesh, port and pads all get a
// tenth or less away from the drawing at one unit: 0.3 to 0.4 dB around 600 Hz.
func drifting(t *testing.T) (*line.Line, *store.DB) {
	t.Helper()
	product := sim.TB40()
	l, db := workshop(t, simulated(product))
	for i := range 110 {
		var changes []sim.Change
		if i >= driftFrom {
			changes = append(changes, func(_ int, q sim.Params) sim.Params {
				q.Rf, q.Rm, q.Mp, q.V2 = q.Rf*1.1, q.Rm/1.1, q.Mp*(1+0.1/3), q.V2*1.02
				return q
			})
		}
		u := product.Draw(sim.Key{Seed: 1, Unit: i}, changes...)
		var takes []curve.Take
		for seat := 1; seat <= sim.Seatings; seat++ {
			for ch, name := range sim.Channels {
				k := curve.Take{Curve: u.Curve(ch, 1, seat)}
				k.Identity = curve.Identity{Lot: "L1", Serial: fmt.Sprintf("S%03d", i+1), Channel: name, Seating: seat, MeasuredAt: moment.Add(time.Duration(i) * time.Hour)}
				takes = append(takes, k)
			}
		}
		intake(t, l, takes)
		if i == baselineUnits-1 {
			if _, err := l.Freeze(t.Context(), tester, product.Code, quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
				t.Fatal(err)
			}
		}
	}
	return l, db
}

// The "it must show": no value of any unit ever leaves the limits of its chart,
// and no run rule fires, yet the board finds the drift, by all streams together, and says
// since when.
func TestBoardFindsADriftThatNoStreamShows(t *testing.T) {
	t.Parallel()
	l, db := drifting(t)
	ctx := t.Context()
	all, err := l.Findings(ctx, "", "", 100)
	if err != nil || len(all) != 1 {
		t.Fatalf("%d findings (%v)", len(all), err)
	}
	f, err := l.Finding(ctx, all[0].Number)
	if err != nil {
		t.Fatal(err)
	}
	if f.Kind != line.TheLine || f.FirstPlace <= driftFrom || f.FirstPlace > driftFrom+15 {
		t.Errorf("a finding of the %s from place %d", f.Kind, f.FirstPlace)
	}
	for _, g := range f.Rows {
		if g.Rule != string(line.Together) {
			t.Errorf("rule %s fired on %s at %s", g.Rule, g.Stream, g.Serial)
		}
	}
	if c := f.Analysis.Change; c == nil || !slices.Contains(c.Set, driftFrom+1) || len(c.Set) > 12 || c.P > 0.05 {
		t.Errorf("%+v", c)
	}

	set, err := db.Site("main").LimitSet(ctx, f.Product, 0)
	if err != nil {
		t.Fatal(err)
	}
	var rules []chart.Rule
	if err := json.Unmarshal(set.Rules, &rules); err != nil || rules[0].Key != chart.Beyond {
		t.Fatal(rules, err)
	}
	readings, err := db.Site("main").LastReadings(ctx, f.Product, set.FromPlace, math.MaxInt64, 1000)
	if err != nil || len(readings) != 70 {
		t.Fatal(len(readings), err)
	}
	for _, r := range readings {
		for i, v := range r.Streams {
			if z := math.Abs(float64(v)-set.Center[i]) / set.Sigma[i]; z > rules[0].Width {
				t.Errorf("%s: %s lies %.1f sigmas off", r.Serial, set.Streams[i], z)
			}
		}
	}
	agreesWithSpc(t, db, f, set, readings)
}

// agreesWithSpc reads the stored values with the chart of spc, fitted anew to the
// baseline, and asks for the same units.
func agreesWithSpc(t *testing.T, db *store.DB, f line.Finding, set store.LimitSetRow, readings []store.ReadingRow) {
	t.Helper()
	row, err := db.Site("main").Together(t.Context(), f.Product, set.Version)
	if err != nil {
		t.Fatal(err)
	}
	base, err := db.Site("main").LastReadings(t.Context(), f.Product, 1, set.FromPlace, 1000)
	if err != nil || len(base) != baselineUnits || len(row.Streams) != len(set.Streams) {
		t.Fatal(len(base), len(row.Streams), err)
	}
	standard := func(r store.ReadingRow) (z []float64) {
		for i, v := range r.Streams {
			z = append(z, (float64(v)-set.Center[i])/set.Sigma[i])
		}
		return z
	}
	var z [][]float64
	for _, r := range base {
		z = append(z, standard(r))
	}
	fitted, err := multi.FitTogether(z, row.Lambda)
	if err != nil {
		t.Fatal(err)
	}
	reader := fitted.NewReader()
	var want, got []int64
	for _, r := range readings {
		if reader.Push(standard(r)) >= row.FiresAbove {
			want = append(want, r.Place)
		}
	}
	for _, g := range f.Rows {
		got = append(got, g.Place)
	}
	if got = slices.Compact(got); !slices.Equal(got, want) {
		t.Errorf("fires at %v, want %v", got, want)
	}
}
