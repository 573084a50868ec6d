package line_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/spc/chart"
)

func serial(i int) string { return fmt.Sprintf("S%04d", i) }

// produce takes in units whose channels wobble a little in tilt and level, plus a
// change on the left.
func produce(t *testing.T, l *line.Line, rng *rand.Rand, from, to int, change func(hz float64) float64) {
	t.Helper()
	for i := from; i <= to; i++ {
		wobble := func(extra func(float64) float64) func(float64) float64 {
			level, tilt, bass := 0.08*rng.NormFloat64(), 0.04*rng.NormFloat64(), 0.1*rng.NormFloat64()
			return func(hz float64) float64 {
				return level + tilt*math.Log2(hz/1000) + bass/(1+hz/200) + extra(hz)
			}
		}
		r := intake(t, l, visit(serial(i), wobble(change), wobble(flat)))
		if r.Verdict == nil {
			t.Fatalf("unit %d: %+v %q", i, r, refusals(r))
		}
	}
}

// quick calibrates with few boards: tests of the flow do not need the budget exact.
func quick(base line.Baseline, reason string) line.Freezing {
	return line.Freezing{Baseline: base, Reason: reason, Boards: 50}
}

func TestFreezeRefuses(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	ctx := t.Context()
	produce(t, l, rand.New(rand.NewPCG(1, 1)), 1, 19, flat)
	for _, tt := range []struct {
		name   string
		base   line.Baseline
		reason string
		field  string
	}{
		{"no reason", line.Baseline{Lot: "L1"}, "", "reason"},
		{"no such lot", line.Baseline{Lot: "L9"}, "r", "baseline"},
		{"too few", line.Baseline{Lot: "L1"}, "r", "baseline"},
		{"strangers", line.Baseline{Serials: []string{"X1", "X2"}}, "r", "baseline"},
	} {
		_, err := l.Freeze(ctx, tester, "p1", quick(tt.base, tt.reason))
		var r *line.Refusal
		if !errors.As(err, &r) || r.Field != tt.field {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	produce(t, l, rand.New(rand.NewPCG(1, 2)), 20, 20, flat)
	if _, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Lot: "L1"}, "first twenty")); err != nil {
		t.Errorf("twenty units: %v", err)
	}
}

func TestFreezeLeavesOutWhatDidNotPass(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, product())
	rng := rand.New(rand.NewPCG(2, 1))
	produce(t, l, rng, 1, 25, flat)
	produce(t, l, rng, 26, 26, func(hz float64) float64 { return -9 / (1 + hz/100) })
	f, err := l.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot"))
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Used) != 25 || len(f.LeftOut) != 1 || f.LeftOut[0].Serial != "S0026" || !strings.Contains(f.LeftOut[0].Reason, "fail") {
		t.Errorf("used %d, left out %+v", len(f.Used), f.LeftOut)
	}
	if f.FromPlace != 26 { // the unit after the last one used
		t.Errorf("in force from place %d", f.FromPlace)
	}
}

// The flow's charts against the individuals chart of spc run over the same values:
// limits and every signal, for each stream.
func TestBoardAgreesWithTheChart(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(3, 1))
	produce(t, l, rng, 1, 30, flat)
	if _, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
		t.Fatal(err)
	}
	produce(t, l, rng, 31, 60, flat)
	produce(t, l, rng, 61, 90, func(hz float64) float64 { return -0.9 / (1 + hz/150) })
	set, err := db.Site("main").LimitSet(ctx, "p1", 0)
	if err != nil {
		t.Fatal(err)
	}
	setup, err := l.Setup(ctx, "p1")
	if err != nil {
		t.Fatal(err)
	}
	charted := 0
	for _, sigma := range set.Sigma {
		if !math.IsNaN(sigma) {
			charted++
		}
	}
	// The anchor is one band here: its deviation is zero in every unit, and no chart.
	if charted != len(setup.StreamList)-2 {
		t.Errorf("%d of %d streams charted", charted, len(setup.StreamList))
	}
	var rules []chart.Rule
	if err := json.Unmarshal(set.Rules, &rules); err != nil || len(rules) != 8 {
		t.Fatalf("stored rules %s: %v", set.Rules, err)
	}
	fired := 0
	for i, st := range setup.StreamList {
		if math.IsNaN(set.Sigma[i]) {
			continue
		}
		got, err := l.Chart(ctx, "p1", st.Key, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Values) != 90 {
			t.Fatalf("%s has %d points", st.Key, len(got.Values))
		}
		e, err := chart.EstimateFrom(got.Values[:30])
		if err != nil {
			t.Fatal(err)
		}
		if set.Center[i] != e.Center || set.Sigma[i] != e.Sigma {
			t.Errorf("%s: frozen %v ± %v, estimated %v ± %v", st.Key, set.Center[i], set.Sigma[i], e.Center, e.Sigma)
		}
		want, err := chart.Individuals(got.Values[30:], chart.Options{Center: &e.Center, Sigma: &e.Sigma, Rules: rules, Width: rules[0].Width})
		if err != nil {
			t.Fatal(err)
		}
		marks := map[int][]chart.Key{}
		for _, m := range got.Marks {
			if m.Rule == string(line.Together) {
				continue
			}
			marks[m.Index] = append(marks[m.Index], chart.Key(m.Rule))
			fired++
		}
		for k, p := range want.Points {
			have := marks[30+k]
			slices.Sort(have)
			expect := slices.Clone(p.Signals)
			slices.Sort(expect)
			if !slices.Equal(have, expect) {
				t.Errorf("%s at unit %d: %v, want %v", st.Key, 31+k, have, expect)
			}
		}
		if math.Abs(got.Upper-want.Points[0].Upper) > 1e-9 || math.Abs(got.Lower-want.Points[0].Lower) > 1e-9 {
			t.Errorf("%s: limits %v %v, want %v %v", st.Key, got.Lower, got.Upper, want.Points[0].Lower, want.Points[0].Upper)
		}
	}
	if fired == 0 {
		t.Error("nothing fired on a change of 0.9 dB")
	}
}

// Limits frozen late read the units measured meanwhile as if they had been there.
func TestFreezeReadsWhatCameSince(t *testing.T) {
	t.Parallel()
	signals := func(early bool) []string {
		l, db := workshop(t, product())
		rng := rand.New(rand.NewPCG(4, 1))
		freeze := func() {
			serials := make([]string, 25)
			for i := range serials {
				serials[i] = fmt.Sprintf("S%04d", i+1)
			}
			if _, err := l.Freeze(t.Context(), tester, "p1", quick(line.Baseline{Serials: serials}, "pilot")); err != nil {
				t.Fatal(err)
			}
		}
		produce(t, l, rng, 1, 25, flat)
		if early {
			freeze()
		}
		produce(t, l, rng, 26, 45, func(hz float64) float64 { return 1.5 / (1 + hz/150) })
		if !early {
			freeze()
		}
		rows, err := db.Site("main").SignalsOfLot(t.Context(), "L1")
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, r := range rows {
			if r.LimitSet > 0 { // what was said while limits were learnt stays in the record
				out = append(out, fmt.Sprint(r.Place, r.Stream, r.Rule, r.Z))
			}
		}
		return out
	}
	a, b := signals(true), signals(false)
	if len(a) == 0 || !slices.Equal(a, b) {
		t.Errorf("%d signals when frozen early, %d when frozen late", len(a), len(b))
	}
}

// A new limit set supersedes the old one for the units after it; the old one's
// signals stay.
func TestLimitSetsAreSuperseded(t *testing.T) {
	t.Parallel()
	l, db := workshop(t, product())
	rng := rand.New(rand.NewPCG(5, 1))
	ctx := t.Context()
	up := func(hz float64) float64 { return 1.5 / (1 + hz/150) }
	produce(t, l, rng, 1, 25, flat)
	if _, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Lot: "L1"}, "pilot")); err != nil {
		t.Fatal(err)
	}
	produce(t, l, rng, 26, 50, up)
	var second []string
	for i := 26; i <= 50; i++ {
		second = append(second, fmt.Sprintf("S%04d", i))
	}
	f, err := l.Freeze(ctx, tester, "p1", quick(line.Baseline{Serials: second}, "new pad supplier, agreed with the designer"))
	if err != nil || f.Version != 2 || f.FromPlace != 51 {
		t.Fatalf("%+v, %v", f, err)
	}
	produce(t, l, rng, 51, 60, up)
	rows, err := db.Site("main").SignalsOfLot(ctx, "L1")
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		t.Error("the old limits saw no change of 1.5 dB")
	}
	for _, r := range rows {
		if r.LimitSet != 1 || r.Place > 50 {
			t.Errorf("signal %+v: the new level is the usual one from place 51 on", r)
		}
	}
	sets, err := db.Site("main").LimitSets(ctx, "p1")
	if err != nil || len(sets) != 2 {
		t.Errorf("%d limit sets (%v)", len(sets), err)
	}
}
