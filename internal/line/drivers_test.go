package line_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
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
	if list.Number != 0 || len(list.Pairs) < 10 || list.Tolerance != 0.4 || len(list.TradeOff) != 7 {
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

func TestPartsLedger(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	ctx := t.Context()
	dir := t.TempDir()
	read := func(text string) ([]line.Batch, error) { return line.ReadBatches("batches.csv", []byte(text)) }
	batches, err := read("kind;batch;supplier;received;pieces;density [kg/m³];air-flow resistance [Pa·s/m]\nfoam;F1;Lathmoor;2026-08-20;300;28,5;410\nfoam;F2;Lathmoor;;;29;\n")
	if err != nil || len(batches) != 2 || len(batches[0].Certificate) != 2 || batches[0].Certificate[1] != (line.BatchValue{Name: "air-flow resistance", Value: 410, Unit: "Pa·s/m"}) || len(batches[1].Certificate) != 1 {
		t.Fatalf("%+v, %v", batches, err)
	}
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{New: 2}) {
		t.Fatalf("%+v, %v", a, err)
	}
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{Known: 2}) {
		t.Fatalf("%+v, %v", a, err)
	}
	batches[0].Certificate[0].Value = 30
	_, err = l.AddBatches(ctx, tester, "p1", batches)
	refusal(t, err, "entered already with other contents")
	batches[0].Reason = "typing error"
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{Corrected: 1, Known: 1}) {
		t.Fatalf("%+v, %v", a, err)
	}
	history, err := db.Site("main").BatchHistory(ctx, "foam", "F1")
	if err != nil || len(history) != 2 || history[1].Reason != "typing error" {
		t.Errorf("%+v, %v", history, err)
	}
	for _, tt := range []struct{ text, part string }{
		{"kind;batch;colour\nfoam;F1;red\n", "batches.csv:1: colour: is neither a known column"},
		{"kind;batch;density [kg/m³]\nfoam;F1;soft\n", `batches.csv:2: density [kg/m³]: "soft" is not a number`},
		{"kind;batch;pieces\nfoam;F1;-2\n", "batches.csv:2: pieces"},
		{"kind;batch;received\nfoam;F1;May\n", "batches.csv:2: received"},
		{"kind;batch\nfoam;\n", "batches.csv:2: batch: is empty"},
		{"kind;batch\nfoam;F1\nfoam;F1\n", "batches.csv:3: batch: foam batch F1 is on line 2 too"},
	} {
		if _, err := read(tt.text); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	_, err = l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "felt", Code: "X"}})
	refusal(t, err, `no component of the kind "felt"`)
	_, err = l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "foam", Code: "X", Certificate: []line.BatchValue{{Name: "density", Value: 1, Unit: "lb/ft³"}}}})
	refusal(t, err, "in kg/m³, not in lb/ft³")

	// By lot: units 1 to 3 of one lot in a row are one range, and with a stranger
	// between them an entry each.
	for _, u := range []string{"U1", "U2", "U3"} {
		intake(t, l, visit(u, flat, flat))
	}
	name := filepath.Join(dir, "parts.csv")
	if err := os.WriteFile(name, []byte("kind,batch,lot,unit,first,last\nfoam,F1,L1,,,\nfoam,F2,,U9,,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	data, _ := os.ReadFile(name)
	parts, err := line.ReadParts(name, data)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := l.AddParts(ctx, tester, "p1", parts); err != nil || n != 2 {
		t.Fatalf("%d, %v", n, err)
	}
	held, err := db.Site("main").Parts(ctx, "p1")
	if err != nil || len(held) != 2 || held[0].FirstSerial != "U1" || held[0].LastSerial != "U3" || held[0].Supplier != "Lathmoor" || held[0].ReceivedOn == nil {
		t.Fatalf("%+v, %v", held, err)
	}
	stranger := visit("U2x", flat, flat)
	for i := range stranger {
		stranger[i].Serial, stranger[i].Lot = "U0", "L2"
	}
	intake(t, l, stranger)
	stranger = visit("U5", flat, flat)
	for i := range stranger {
		stranger[i].Lot = "L2"
	}
	intake(t, l, stranger)
	if n, err := l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "foam", Batch: "F2", Lot: "L2"}}); err != nil || n != 2 {
		t.Fatalf("%d, %v", n, err)
	}

	// A correction keeps the entry it replaces.
	next, err := l.CorrectPart(ctx, tester, held[1].Use, &line.PartUse{Kind: "foam", Batch: "F2", First: "U8", Last: "U8"}, "wrong unit scanned")
	if err != nil {
		t.Fatal(err)
	}
	old, err := db.Site("main").Part(ctx, held[1].Use)
	if err != nil || old.WithdrawnAt == nil || *old.WithdrawnWhy != "wrong unit scanned" || *old.ReplacedBy != next || *old.WithdrawnBy != "tester" {
		t.Errorf("%+v, %v", old, err)
	}
	_, err = l.CorrectPart(ctx, tester, held[1].Use, nil, "again")
	refusal(t, err, "was withdrawn before")
	_, err = l.CorrectPart(ctx, tester, next, nil, "")
	refusal(t, err, "needs a reason")
	if _, err = l.CorrectPart(ctx, tester, next, nil, "never built"); err != nil {
		t.Error(err)
	}
	for _, tt := range []struct {
		p    line.PartUse
		part string
	}{
		{line.PartUse{Kind: "foam", Batch: "F1", Supplier: "Other", First: "U1", Last: "U1"}, `is from "Lathmoor", not "Other"`},
		{line.PartUse{Kind: "foam", Batch: "F1", Lot: "L9"}, "lot L9 has no units"},
		{line.PartUse{Kind: "felt", Batch: "F1", First: "U1", Last: "U1"}, `kind "felt"`},
		{line.PartUse{Kind: "foam", Batch: "F1", Channel: "top", First: "U1", Last: "U1"}, `no channel "top"`},
		{line.PartUse{Kind: "driver", Piece: "D1", Channel: "left", First: "U1", Last: "U1"}, "was never measured"},
		{line.PartUse{Kind: "driver", Piece: "D1", First: "U1", Last: "U1"}, "on which side"},
		{line.PartUse{Kind: "driver", Piece: "U2", Channel: "left", First: "U1", Last: "U1"}, "U2 is a unit of product p1"},
		{line.PartUse{Kind: "driver", Piece: "D1", Channel: "left", First: "U1", Last: "U2"}, "several units"},
		{line.PartUse{Kind: "foam", First: "U1", Last: "U1"}, "batch"},
		{line.PartUse{Kind: "foam", Batch: "F1", First: "U2", Last: "U1"}, "does not follow"},
	} {
		_, err := l.AddParts(ctx, tester, "p1", []line.PartUse{tt.p})
		refusal(t, err, tt.part)
	}
}

func TestScanParts(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	ctx := t.Context()
	if _, err := l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "foam", Code: "F1", Supplier: "Lathmoor"}, {Kind: "driver", Code: "F1"}, {Kind: "driver", Code: "NV1"}}); err != nil {
		t.Fatal(err)
	}
	fillDrivers(t, l, "NV1", 4, 0, 120)
	scan := func(text string) (int, error) { return l.ScanParts(ctx, tester, "p1", "scan.txt", []byte(text)) }
	for _, tt := range []struct{ text, part string }{
		{"F1\nU1\n", "scan.txt:1: batch: \"F1\" is a batch of driver and of foam"},
		{"U1\n", `scan.txt:1: batch: "U1" is no batch in the ledger`},
		{"foam:F1\nU1\nNV1-001\n", "scan.txt:3: unit: ends with driver NV1-001"},
		{"foam:F1\n", "scan.txt:1: unit: names no unit"},
		{"NV1-001\nNV1-002\nNV1-003\nU1\n", "scan.txt:3: piece: 2 drivers wait"},
		{"NV1-001\nNV1-001\nU1\n", "scan.txt:3: piece: driver NV1-001 is in unit U1 already"},
	} {
		if n, err := scan(tt.text); err == nil || n != 0 || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%q: %d, %v, want %q", tt.text, n, err, tt.part)
		}
	}
	const good = "# bench 2\nfoam:F1\nNV1-001\nNV1-002\nU1\nNV1-004\nNV1-003\nU2\n"
	if n, err := scan(good); err != nil || n != 6 {
		t.Fatalf("%d, %v", n, err)
	}
	if n, err := scan(good); err != nil || n != 0 {
		t.Errorf("again: %d, %v", n, err)
	}
	parts, err := db.Site("main").PartsOfUnit(ctx, "p1", "U2")
	if err != nil || len(parts) != 3 {
		t.Fatalf("%+v, %v", parts, err)
	}
	for _, p := range parts {
		if p.Kind == "driver" && p.Piece != map[string]string{"left": "NV1-004", "right": "NV1-003"}[p.Channel] {
			t.Errorf("%+v", p)
		}
	}
	_, err = scan("NV1-001\nU3\n")
	if err == nil || !strings.Contains(err.Error(), "driver NV1-001 is in unit U1 already, left") {
		t.Errorf("%v", err)
	}
	_, err = l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "driver", Piece: "X9", Batch: "NV1", Channel: "left", First: "U1", Last: "U1"}})
	refusal(t, err, "unit U1 holds driver NV1-001 on its left already")
}
