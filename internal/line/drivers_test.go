package line_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"
)

func limit(v float64) *float64 { return &v }

// driverProduct is that of the drivers of product p1: octaves, one channel, flat.
func driverProduct() line.Product {
	return line.Product{
		Code: "d1", Name: "Driver", Stage: line.StageDriver, Of: "p1", Channels: []string{"mono"}, Fraction: 1,
		Bands: line.Span{From: 63, To: 8000}, Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3,
		FirstPassYield: 0.9, FalseAlarms: 500,
		Metrics: []line.Metric{{Key: "resonance", Name: "resonance frequency", Unit: "Hz", Lower: limit(90), Upper: limit(150), Margin: 6,
			Target: 120, MeanTolerance: 6, MostSD: 8}},
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.15, ConsumerRisk: 0.10, PairTolerance: 0.4},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	}
}

// driverLine opens a line with a product and that of its drivers.
func driverLine(t *testing.T) (*line.Line, *store.DB) {
	t.Helper()
	p := product()
	p.Components = []line.Component{{Kind: "driver"}, {Kind: "foam", Certificate: []line.Quantity{{Name: "density", Unit: "kg/m³"}}}}
	l, db := workshop(t, p)
	if _, err := l.AddProduct(t.Context(), tester, driverProduct()); err != nil {
		t.Fatal(err)
	}
	return l, db
}

// driverTake is one driver's: offset everywhere, scatter per octave, and phase.
func driverTake(rng *rand.Rand, serial, batch string, offset float64, reversed bool) curve.Take {
	bumps := make([]float64, 9)
	for i := range bumps {
		bumps[i] = 0.2 * rng.NormFloat64()
	}
	level := offset + 0.2*rng.NormFloat64()
	t := take(serial, "mono", 1, 0, func(hz float64) float64 { return level + bumps[int(math.Log2(hz/44.7)+20)%9] })
	t.Lot, t.Product = batch, "d1"
	for _, hz := range t.Curve.Hz {
		phase := -90 * math.Log10(hz/1000)
		if reversed {
			phase += 180
		}
		t.Curve.Phase = append(t.Curve.Phase, phase)
	}
	return t
}

// fillDrivers takes in n drivers of a batch with their resonance.
func fillDrivers(t *testing.T, l *line.Line, batch string, n int, offset, resonance float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(9, uint64(len(batch))+uint64(batch[0])))
	for i := range n {
		serial := fmt.Sprintf("%s-%03d", batch, i+1)
		intake(t, l, []curve.Take{driverTake(rng, serial, batch, offset, false)})
		v := line.ValueSet{Serial: serial, Values: map[string]float64{"resonance": resonance + 3*rng.NormFloat64()}}
		if r, err := l.AddValues(t.Context(), tester, "d1", v); err != nil || r.New != 1 {
			t.Fatalf("%+v, %v", r, err)
		}
	}
}

func refusal(t *testing.T, err error, part string) *line.Refusal {
	t.Helper()
	var r *line.Refusal
	if !errors.As(err, &r) || !strings.Contains(r.Error(), part) {
		t.Fatalf("%v, want a refusal with %q", err, part)
	}
	return r
}

func TestDriversComeInAndAreCompared(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	day := time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)
	added, err := l.AddBatches(t.Context(), tester, "", []line.Batch{
		{Kind: "driver", Code: "NV1", Supplier: "Norvane", Received: &day, Pieces: 120, Certificate: []line.BatchValue{{Name: "moving mass", Value: 0.08, Unit: "g"}}},
		{Kind: "driver", Code: "OS1", Supplier: "Ostrel", Pieces: 100},
	})
	if err != nil || added.New != 2 {
		t.Fatalf("%+v, %v", added, err)
	}
	fillDrivers(t, l, "NV1", 40, 0, 120)
	fillDrivers(t, l, "OS1", 40, 0.9, 128)
	// One reversed driver, and one whose resonance was not measured.
	rng := rand.New(rand.NewPCG(1, 1))
	intake(t, l, []curve.Take{driverTake(rng, "OS1-900", "OS1", 0.9, true)})

	drivers, _, err := l.Drivers(t.Context(), "", []string{"OS1"})
	if err != nil || len(drivers) != 41 {
		t.Fatalf("%d drivers, %v", len(drivers), err)
	}
	last := drivers[40]
	if last.Serial != "OS1-900" || last.Polarity != -1 || !last.Bad || last.Good || drivers[0].Polarity != 1 || !drivers[0].Good || drivers[0].Supplier != "Ostrel" {
		t.Errorf("%+v\n%+v", last, drivers[0])
	}
	if !slices.Contains(last.NotChecked, "resonance frequency") {
		t.Errorf("not checked: %q", last.NotChecked)
	}

	st, err := l.DriverStudy(t.Context(), line.StudyRequest{Batches: []string{"NV1", "OS1"}, Seed: 1, Draws: 999, Program: "test"})
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(st.Conclusion, "\n")
	if st.Headline.P > 0.01 || !strings.Contains(text, "the batches differ") || !strings.Contains(text, "OS1 and NV1 differ by more than the margin of 0.5") {
		t.Errorf("%+v\n%s", st.Headline, text)
	}
	if len(st.Pairs) != 1 || st.Pairs[0].Beyond == 0 || len(st.Bands) != 8 || st.Bands[0].Pairs[0].Word != "differs" {
		t.Errorf("%+v", st.Pairs)
	}
	for _, b := range st.Bands {
		d := b.Pairs[0]
		if math.Abs(d.Difference-0.9) > 0.3 || !(d.Low < d.Difference && d.Difference < d.High && d.TukeyLow < d.Difference) || b.Share < 0.5 || b.BetweenSD < 0.3 {
			t.Errorf("%+v", b)
		}
	}
	g := st.Groups[1]
	if g.Supplier != "Ostrel" || g.Pieces != 100 || g.Good != 40 || g.Bad != 1 || g.Reversed != 1 || g.Yield.Of != 41 || g.Yield.Low > 40.0/41 || !g.Pairing.Known || g.Pairing.Pairs < 20 {
		t.Errorf("%+v", g)
	}
	if st.Groups[0].Certified[0].Value != "0.08 g" || st.Groups[0].Received != day {
		t.Errorf("%+v", st.Groups[0])
	}
	words := map[string]string{}
	for _, a := range g.Acceptance {
		words[a.Of] = a.Word
	}
	// With all 41 tested, at most 3 may be bad: hypergeom.cdf(3, 100, 15, 41) is 0.0625
	// and that of 4 is 0.1744 (scipy 1.10).
	if a := g.Acceptance[0]; !strings.HasSuffix(a.Plan, "with 41 tested at most 3") {
		t.Errorf("%+v", a)
	}
	// The mean of 128 Hz is certainly beyond 120 ± 6 Hz, the single drivers are inside.
	if words["mean and spread of resonance frequency"] != "refuse" || words["resonance frequency of single drivers"] != "accept" || words["bad drivers"] != "accept" {
		t.Errorf("%+v", g.Acceptance)
	}
	if m := st.Metrics[0]; m.Pairs[0].Word != "differs" && m.Pairs[0].Word != "open" || math.Abs(m.Pairs[0].Difference-8) > 3 {
		t.Errorf("%+v", m)
	}

	// By supplier, with the caution that one batch tells little of a supplier.
	st, err = l.DriverStudy(t.Context(), line.StudyRequest{Suppliers: []string{"Norvane", "Ostrel"}, Draws: 99})
	if err != nil || st.By != "supplier" || !strings.Contains(strings.Join(st.Warnings, " "), "known from one batch only") {
		t.Errorf("%q, %v", st.Warnings, err)
	}
	one, err := l.DriverStudy(t.Context(), line.StudyRequest{Batches: []string{"NV1"}})
	if err != nil || len(one.Pairs) != 0 || !math.IsNaN(one.Headline.P) {
		t.Errorf("%+v, %v", one.Pairs, err)
	}
	// Batches of drivers are no production lots.
	if lots, err := db.Site("main").Lots(t.Context()); err != nil || len(lots) != 0 {
		t.Errorf("%+v, %v", lots, err)
	}
	for _, tt := range []struct {
		r    line.StudyRequest
		part string
	}{
		{line.StudyRequest{}, "not clear what is to be compared"},
		{line.StudyRequest{Batches: []string{"NV1", "XX"}}, `no driver of batch "XX"`},
		{line.StudyRequest{Suppliers: []string{"Nobody", "Ostrel"}}, `no driver of supplier "Nobody"`},
		{line.StudyRequest{Batches: []string{"NV1", "NV1"}}, "stands twice"},
		{line.StudyRequest{Batches: []string{"NV1"}, Margin: -1}, "margin"},
		{line.StudyRequest{Batches: []string{"NV1"}, Confidence: 2}, "confidence"},
		{line.StudyRequest{Batches: []string{"NV1"}, Product: "zz"}, `no product "zz"`},
	} {
		_, err := l.DriverStudy(t.Context(), tt.r)
		refusal(t, err, tt.part)
	}
}

// The same takes and numbers again change nothing; other numbers need a reason; each
// deed has its journal entry.
func TestDriverValues(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	v := line.ValueSet{Serial: "D1", Lot: "NV1", Values: map[string]float64{"resonance": 120}}
	for i, want := range []line.ValueReceipt{{Serial: "D1", New: 1}, {Serial: "D1", Known: 1}} {
		if r, err := l.AddValues(t.Context(), tester, "d1", v); err != nil || r != want {
			t.Fatalf("%d: %+v, %v", i, r, err)
		}
	}
	v.Values["resonance"] = 121
	_, err := l.AddValues(t.Context(), tester, "d1", v)
	if r := refusal(t, err, "stored already as 120 Hz"); r.Kind != line.Conflict {
		t.Errorf("%+v", r)
	}
	v.Reason = "clamp was loose"
	if r, err := l.AddValues(t.Context(), tester, "d1", v); err != nil || r.New != 1 {
		t.Fatalf("%+v, %v", r, err)
	}
	drivers, _, err := l.Drivers(t.Context(), "p1", nil)
	if err != nil || len(drivers) != 1 || drivers[0].Values["resonance"] != 121 || drivers[0].Good || drivers[0].Bad {
		t.Errorf("%+v, %v", drivers, err)
	}
	for _, tt := range []struct {
		v    line.ValueSet
		part string
	}{
		{line.ValueSet{Serial: "D2", Values: map[string]float64{"resonance": 1}}, "its batch is not named"},
		{line.ValueSet{Serial: "D1", Lot: "NV2", Values: map[string]float64{"resonance": 1}}, "is of batch NV1"},
		{line.ValueSet{Serial: "D1", Values: map[string]float64{"colour": 1}}, `no metric "colour"`},
	} {
		_, err := l.AddValues(t.Context(), tester, "d1", tt.v)
		refusal(t, err, tt.part)
	}
	entries, err := db.Site("main").Journal(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range entries {
		if e.Action == "take in values" && e.Subject == "D1" {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d journal entries", n)
	}
}

func TestReadValuesRefusesRows(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	data := "serial;Resonance [Hz];batch\nD1;120,5;NV1\nD2;x;NV1\nD1;121;NV1\n;120;NV1\nD4;;NV1\nD5;118;\n"
	o, err := l.IngestValues(t.Context(), tester, "d1", "NV9", "values.csv", []byte(data))
	if err != nil || o.Pieces != 2 || o.Stored != 2 || len(o.Refused) != 4 {
		t.Fatalf("%+v, %v", o, err)
	}
	var text []string
	for _, r := range o.Refused {
		text = append(text, r.Error())
	}
	for _, part := range []string{`values.csv:3: resonance [hz]: "x" is not a number`, "values.csv:4: serial: D1 is on line 2 too", "values.csv:5: serial: is empty", "values.csv:6: has no numbers"} {
		if !strings.Contains(strings.Join(text, "\n"), part) {
			t.Errorf("no %q in\n%s", part, strings.Join(text, "\n"))
		}
	}
	if u, err := db.Site("main").Unit(t.Context(), "D5"); err != nil || u.Lot != "NV9" {
		t.Errorf("%+v, %v", u, err)
	}
	if rows, err := db.Site("main").Refused(t.Context(), "NV9"); err != nil || len(rows) != 4 || rows[0].Remedy == "" {
		t.Errorf("%+v, %v", rows, err)
	}
	again, err := l.IngestValues(t.Context(), tester, "d1", "NV9", "values.csv", []byte(data))
	if err != nil || again.Stored != 0 || again.Known != 2 {
		t.Errorf("%+v, %v", again, err)
	}
	for _, tt := range []struct{ data, part string }{
		{"serial;colour\nD1;2\n", "is no metric of product d1"},
		{"serial;resonance [kHz]\nD1;2\n", "give it in Hz"},
		{"resonance\n2\n", "the column is missing"},
		{"serial;resonance\n", "no rows"},
		{"", "empty"},
		{"serial;resonance;resonance\nD1;2;3\n", "stands twice"},
		{"serial;resonance\nD1;2;3\n", "does not fit the head"},
	} {
		o, err := l.IngestValues(t.Context(), tester, "d1", "NV9", "bad.csv", []byte(tt.data))
		if err != nil || len(o.Refused) != 1 || !strings.Contains(o.Refused[0].Error(), tt.part) || o.Refused[0].Remedy == "" {
			t.Errorf("%q: %+v, %v", tt.data, o, err)
		}
	}
}

func TestPairsAreKeptAndBuilt(t *testing.T) {
	t.Parallel()
	l, _ := driverLine(t)
	fillDrivers(t, l, "NV1", 24, 0, 120)
	fillDrivers(t, l, "OS1", 12, 0.1, 120)
	r := line.PairRequest{Fixed: [][2]string{{"NV1-005", "NV1-002"}}, Excluded: []string{"NV1-001"}}
	plan, err := l.PlanPairs(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	list := plan.List
	if list.Number != 0 || len(list.Pairs) < 10 || list.Tolerance != 0.4 || len(list.TradeOff) != 11 {
		t.Fatalf("%+v", list)
	}
	seen := map[string]bool{}
	for i, p := range list.Pairs {
		if seen[p.Left] || seen[p.Right] || p.Left == "NV1-001" || p.Rank != i+1 || i > 0 && p.Mismatch < list.Pairs[i-1].Mismatch {
			t.Errorf("%+v", p)
		}
		seen[p.Left], seen[p.Right] = true, true
		if p.Fixed != (p.Left == "NV1-005" && p.Right == "NV1-002") || !p.Fixed && p.Mismatch > 0.4 {
			t.Errorf("%+v", p)
		}
	}
	for i := 1; i < 7; i++ {
		if list.TradeOff[i].Pairs < list.TradeOff[i-1].Pairs {
			t.Errorf("fewer pairs at a wider tolerance: %+v", list.TradeOff)
		}
	}
	kept, err := l.KeepPairs(t.Context(), tester, r)
	if err != nil || kept.List.Number != 1 || len(kept.List.Pairs) != len(list.Pairs) {
		t.Fatalf("%+v, %v", kept.List.Number, err)
	}
	// Kept drivers are spoken for.
	rest, err := l.PlanPairs(t.Context(), line.PairRequest{Tolerance: 5})
	if err == nil {
		for _, p := range rest.List.Pairs {
			if seen[p.Left] || seen[p.Right] {
				t.Errorf("promised twice: %+v", p)
			}
		}
	}
	// Build the best two, one of them the other way round; the design adds 0.5 dB and
	// the pair's own difference shows.
	var parts []line.PartUse
	for i, p := range kept.List.Pairs[:2] {
		unit := fmt.Sprintf("U%d", i+1)
		sides := []string{"left", "right"}
		if i == 1 {
			sides = []string{"right", "left"}
		}
		parts = append(parts, line.PartUse{Kind: "driver", Channel: sides[0], Piece: p.Left, First: unit, Last: unit},
			line.PartUse{Kind: "driver", Channel: sides[1], Piece: p.Right, First: unit, Last: unit})
	}
	if n, err := l.AddParts(t.Context(), tester, "p1", parts); err != nil || n != 4 {
		t.Fatalf("%d, %v", n, err)
	}
	if n, err := l.AddParts(t.Context(), tester, "p1", parts); err != nil || n != 0 {
		t.Fatalf("again: %d, %v", n, err)
	}
	for i, p := range kept.List.Pairs[:2] {
		balance := p.Predicted
		if i == 1 {
			balance = -balance
		}
		louder := func(float64) float64 { return 0.5 + balance }
		intake(t, l, visit(fmt.Sprintf("U%d", i+1), louder, flat))
	}
	built, err := l.PickList(t.Context(), "", 0)
	if err != nil || built.Built.Units != 2 || math.Abs(built.Built.Offset-0.5) > 0.02 || built.Built.SD > 0.02 || built.Author != "tester" {
		t.Fatalf("%+v, %v", built.Built, err)
	}
	if p := built.Pairs[1]; p.Unit != "U2" || p.Left != kept.List.Pairs[1].Right || p.Predicted != -kept.List.Pairs[1].Predicted {
		t.Errorf("%+v, kept %+v", p, kept.List.Pairs[1])
	}
	drivers, _, err := l.Drivers(t.Context(), "", []string{kept.List.Pairs[0].LeftBatch})
	if err != nil || !slices.ContainsFunc(drivers, func(d line.Driver) bool {
		return d.Serial == kept.List.Pairs[0].Left && d.Unit == "U1" && d.Channel == "left" && d.Pairing == 1
	}) {
		t.Errorf("the driver does not know its unit (%v)", err)
	}
	refusal(t, l.WithdrawPairs(t.Context(), tester, "", 1, " "), "needs a reason")
	if err := l.WithdrawPairs(t.Context(), tester, "", 1, "other margin"); err != nil {
		t.Fatal(err)
	}
	refusal(t, l.WithdrawPairs(t.Context(), tester, "", 1, "again"), "no pairing 1 is in force")
	free, err := l.PlanPairs(t.Context(), line.PairRequest{})
	if err != nil || !slices.ContainsFunc(free.List.Unpaired, func(p reports.PickLone) bool {
		return p.Serial == kept.List.Pairs[0].Left && strings.Contains(p.Why, "built into unit U1")
	}) {
		t.Errorf("%v", err)
	}
	if gone, err := l.PickList(t.Context(), "", 1); err != nil || !strings.Contains(gone.Withdrawn, "by tester: other margin") {
		t.Errorf("%q, %v", gone.Withdrawn, err)
	}
}

func TestLeftCupsWithRightCups(t *testing.T) {
	t.Parallel()
	l, _ := driverLine(t)
	fillDrivers(t, l, "L1", 12, 0, 120)
	fillDrivers(t, l, "R12", 12, 0, 120)
	plan, err := l.PlanPairs(t.Context(), line.PairRequest{Left: []string{"L1"}, Right: []string{"R12"}, Tolerance: 1})
	if err != nil || len(plan.List.Pairs) < 8 || plan.List.Form != "left cups with right cups" {
		t.Fatalf("%+v, %v", plan.List, err)
	}
	for _, p := range plan.List.Pairs {
		if p.LeftBatch != "L1" || p.RightBatch != "R12" {
			t.Errorf("%+v", p)
		}
	}
	buy, need, err := l.Purchase(t.Context(), line.PairRequest{Batches: []string{"L1"}, Tolerance: 0.5}, 5, 0.95, 1)
	if err != nil || buy.Buy != 100 || buy.Pairs < 20 || need.Buy < 10 || need.Typical > need.Buy {
		t.Errorf("%+v, %+v, %v", buy, need, err)
	}
	for _, tt := range []struct {
		r    line.PairRequest
		part string
	}{
		{line.PairRequest{Left: []string{"L1"}}, "one side is not named"},
		{line.PairRequest{Left: []string{"L1"}, Right: []string{"L1"}}, "named left and right"},
		{line.PairRequest{Left: []string{"L1"}, Right: []string{"R12"}, Batches: []string{"L1"}}, "beside left and right"},
		{line.PairRequest{Tolerance: -1}, "pair_tolerance"},
		{line.PairRequest{Fixed: [][2]string{{"L1-001", "nobody"}}}, `no driver "nobody"`},
		{line.PairRequest{Excluded: []string{"nobody"}}, `no driver "nobody"`},
		{line.PairRequest{Fixed: [][2]string{{"L1-001", "L1-002"}}, Excluded: []string{"L1-001"}}, "excluded by hand"},
		{line.PairRequest{Fixed: [][2]string{{"L1-001", "L1-002"}}, Left: []string{"L1"}, Right: []string{"R12"}}, "of one side"},
		{line.PairRequest{Batches: []string{"zz"}}, `batch "zz"`},
	} {
		_, err := l.PlanPairs(t.Context(), tt.r)
		refusal(t, err, tt.part)
	}
	_, err = l.KeepPairs(t.Context(), tester, line.PairRequest{Tolerance: 1e-6})
	refusal(t, err, "no two drivers are within")
	_, err = l.PickList(t.Context(), "", 0)
	refusal(t, err, "no pairing yet")
	_, err = l.PickList(t.Context(), "", 7)
	refusal(t, err, "no pairing 7")
}

func TestDriverProductsAreChecked(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		edit func(*line.Product)
		part string
	}{
		{func(p *line.Product) { p.Stage = "wheel" }, `stage "wheel"`},
		{func(p *line.Product) { p.Channels = []string{"left", "right"} }, "single driver has the one channel"},
		{func(p *line.Product) { p.Stage = "" }, "belong to a product of the stage"},
		{func(p *line.Product) { p.Of = "A B" }, "of \"A B\""},
		{func(p *line.Product) { p.Metrics[0].Key = "serial" }, `metric "serial"`},
		{func(p *line.Product) { p.Metrics[0].Unit = "" }, "name and unit"},
		{func(p *line.Product) { p.Metrics[0].Lower = limit(200) }, "not below upper"},
		{func(p *line.Product) { p.Metrics[0].Margin = -1 }, "margin, mean_tolerance"},
		{func(p *line.Product) { p.Incoming.Margin = 0 }, "margin 0"},
		{func(p *line.Product) { p.Incoming.PairTolerance = 0 }, "pair_tolerance 0"},
		{func(p *line.Product) { p.Incoming.Bad = 0.01 }, "not below"},
		{func(p *line.Product) { p.Incoming.Weights = []line.Weight{{From: 200, To: 100, Weight: 1}} }, "rising frequencies"},
		{func(p *line.Product) { p.Incoming.SensitivityWeight = -1 }, "sensitivity_weight"},
		{func(p *line.Product) { p.Components = []line.Component{{Kind: "Foam"}} }, `kind 1, "Foam"`},
		{func(p *line.Product) {
			p.Components = []line.Component{{Kind: "foam", Certificate: []line.Quantity{{Name: "x"}}}}
		}, "without name or unit"},
	} {
		p := driverProduct()
		tt.edit(&p)
		if _, err := p.SetUp(); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	l, _ := workshop(t, product())
	_, err := l.DriverSetup(t.Context(), "")
	refusal(t, err, "no product of single drivers")
	_, err = l.DriverSetup(t.Context(), "p1")
	refusal(t, err, "goes into product p1")
}
