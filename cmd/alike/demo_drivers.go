package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/reports/sheet"
	"alike/spc/envelope"
)

// driverProduct writes the simulated product's drivers the way a maker would define
// them.
func driverProduct(of string) line.Product {
	num := func(v float64) *float64 { return &v }
	p := line.Product{
		Code: sim.DriverCode, Revision: "C", Name: "TB40 driver, bare on the jig", Stage: line.StageDriver, Of: of, Channels: []string{"mono"},
		Fraction: 3, Bands: line.Span{From: 31.5, To: 16000}, Anchor: line.Span{From: 500, To: 2000}, Seatings: 1, MaxAttempts: 3,
		FirstPassYield: 0.9, FalseAlarms: 500,
		Metrics: []line.Metric{
			{Key: "resonance", Name: "resonance frequency", Unit: "Hz", Lower: num(98), Upper: num(145), Margin: 4, Target: 120, MeanTolerance: 5, MostSD: 9},
			{Key: "impedance", Name: "impedance at 1 kHz", Unit: "ohm", Lower: num(34), Upper: num(42), Margin: 0.8},
			{Key: "distortion", Name: "distortion at the resonance", Unit: "%", Upper: num(1), Margin: 0.1},
		},
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.10, ConsumerRisk: 0.10, PairTolerance: 0.4,
			Weights: []line.Weight{{From: 315, To: 3150, Weight: 2}}},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 50, To: 200, Minus: 3.5, Plus: 3.5}, {From: 250, To: 10000, Minus: 2.5, Plus: 2.5}}},
	}
	t := sim.BareTarget()
	for i, f := range t.Hz {
		p.Target.Points = append(p.Target.Points, line.Point{f, t.DB[i]})
	}
	return p
}

// drivers takes in the batches of single drivers as the incoming jig exports them.
func (cmd *demoCommand) drivers(c *console, w *workplace, story *sim.Story, product string) error {
	dir := filepath.Join(cmd.Out, fmt.Sprintf("simulated-incoming-seed%d-units%d", cmd.Seed, story.Options.Units))
	f := sim.FolderOfDrivers(dir)
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		part := dir + ".part"
		if err := os.RemoveAll(part); err != nil { // of a run that was killed
			return err
		}
		if _, err := sim.WriteDrivers(c.ctx, part, story.Incoming(0)); err != nil {
			return err
		}
		if err := os.Rename(part, dir); err != nil {
			return err
		}
	}
	if _, err := w.line.AddProduct(c.ctx, w.by, driverProduct(product)); err != nil {
		return err
	}
	data, err := os.ReadFile(f.Batches)
	if err != nil {
		return err
	}
	batches, err := line.ReadBatches(f.Batches, data)
	if err != nil {
		return err
	}
	if _, err := w.line.AddBatches(c.ctx, w.by, product, batches); err != nil {
		return err
	}
	entries, refused, err := curve.Plan([]string{f.Takes}, curve.Options{Zone: time.UTC})
	if err != nil {
		return err
	}
	out, err := ingest(c, w, "drivers", entries, refused)
	if err != nil {
		return err
	}
	if data, err = os.ReadFile(f.Values); err != nil {
		return err
	}
	values, err := w.line.IngestValues(c.ctx, w.by, sim.DriverCode, "", f.Values, data)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "incoming drivers: %d takes and %d numbers stored, %d and %d known already; %s\n", out.Stored, values.Stored, out.Known, values.Known, verdicts(out))
	for _, r := range append(out.Refused, values.Refused...) {
		fmt.Fprintln(c.err, "refused:", r.Error())
	}
	return cmd.buildIn(c, w, f.Built, product)
}

// buildIn keeps the pairs that the workshop matched by hand, once, and enters which unit
// each driver went into: the units' balance is held against the predicted one later.
func (cmd *demoCommand) buildIn(c *console, w *workplace, name, product string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	parts, err := line.ReadParts(name, data)
	if err != nil {
		return err
	}
	kept, err := w.db.Site(w.line.Site()).Pairings(c.ctx, sim.DriverCode)
	if err != nil {
		return err
	}
	if len(kept) == 0 {
		if _, err := w.line.KeepPairs(c.ctx, w.by, pairsOf(parts)); err != nil {
			return err
		}
	}
	_, err = w.line.AddParts(c.ctx, w.by, product, parts)
	return err
}

// pairsOf asks for the pairs of drivers that went into the same unit, and no others.
func pairsOf(parts []line.PartUse) line.PairRequest {
	r := line.PairRequest{Product: sim.DriverCode}
	at := map[string][2]string{}
	var units []string
	for _, p := range parts {
		x, ok := at[p.First]
		if !ok {
			units = append(units, p.First)
		}
		if p.Channel == sim.Channels[0] {
			x[0] = p.Piece
		} else {
			x[1] = p.Piece
		}
		at[p.First] = x
		batch := p.Piece[:strings.LastIndex(p.Piece, "-")]
		if !slices.Contains(r.Batches, batch) {
			r.Batches = append(r.Batches, batch)
		}
	}
	for _, u := range units {
		r.Fixed = append(r.Fixed, at[u])
	}
	return r
}

// driverReports compares the batches, and pairs what is good.
func (cmd *demoCommand) driverReports(c *console, w *workplace) error {
	var names []string
	batches, err := w.line.DriverBatches(c.ctx, sim.DriverCode)
	if err != nil {
		return err
	}
	for _, b := range batches {
		if b.Measured > 1 {
			names = append(names, b.Batch)
		}
	}
	st, err := w.line.DriverStudy(c.ctx, line.StudyRequest{Product: sim.DriverCode, Batches: names, Seed: cmd.Seed, Draws: 1999, Program: "alike " + version})
	if err != nil {
		return err
	}
	o := sheet.Options{Made: time.Now().In(st.Zone), Program: "alike " + version, Paper: cmd.Paper}
	name := filepath.Join(cmd.Out, "drivers.xlsx")
	if err := writeBook(name, func(f io.Writer) error { return sheet.WriteStudy(f, st, o) }); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "\ndrivers %s  %s\n", strings.Join(names, ", "), filepath.Base(name))
	for _, text := range st.Conclusion {
		fmt.Fprintln(c.out, "    "+text)
	}
	st, err = w.line.DriverStudy(c.ctx, line.StudyRequest{Product: sim.DriverCode, Suppliers: suppliersOf(batches), Seed: cmd.Seed, Draws: 1999, Program: "alike " + version})
	if err != nil {
		return err
	}
	name = filepath.Join(cmd.Out, "suppliers.xlsx")
	if err := writeBook(name, func(f io.Writer) error { return sheet.WriteStudy(f, st, o) }); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "\nsuppliers %s  %s\n", strings.Join(suppliersOf(batches), ", "), filepath.Base(name))
	for _, text := range st.Conclusion {
		fmt.Fprintln(c.out, "    "+text)
	}
	return cmd.pairReports(c, w, o)
}

func suppliersOf(batches []line.DriverBatch) []string {
	var out []string
	for _, b := range batches {
		if b.Measured > 1 && !slices.Contains(out, b.Supplier) {
			out = append(out, b.Supplier)
		}
	}
	return out
}

// pairReports says what the pairs that were built are worth, and finds pairs among the
// drivers that are left.
func (cmd *demoCommand) pairReports(c *console, w *workplace, o sheet.Options) error {
	built, err := w.line.PickList(c.ctx, sim.DriverCode, 1)
	if err != nil {
		return err
	}
	name := filepath.Join(cmd.Out, "pairing-1.xlsx")
	if err := writeBook(name, func(f io.Writer) error { return sheet.WritePicks(f, built, o) }); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "\npairing 1, matched by hand: %d pairs  %s\n    %s\n", len(built.Pairs), filepath.Base(name), built.Built.Sentence)
	plan, err := w.line.PlanPairs(c.ctx, line.PairRequest{Product: sim.DriverCode})
	if err != nil {
		return err
	}
	name = filepath.Join(cmd.Out, "driver-pairs.xlsx")
	if err := writeBook(name, func(f io.Writer) error { return sheet.WritePicks(f, plan.List, o) }); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "best pairs of the drivers that are free: %d pairs within %g dB, %d drivers without a partner  %s\n", len(plan.List.Pairs), plan.List.Tolerance, plan.List.Lone(), filepath.Base(name))
	return nil
}
