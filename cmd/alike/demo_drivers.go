package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
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
	dir := filepath.Join(cmd.Out, fmt.Sprintf("simulated-drivers-seed%d", cmd.Seed))
	f := sim.DriverFolder{Takes: filepath.Join(dir, "drivers"), Values: filepath.Join(dir, "driver-values.csv"), Batches: filepath.Join(dir, "driver-batches.csv")}
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		part := dir + ".part"
		if err := os.RemoveAll(part); err != nil { // of a run that was killed
			return err
		}
		if _, err := sim.WriteDrivers(c.ctx, part, sim.IncomingDrivers(cmd.Seed, story.Monday(), 0)); err != nil {
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
	return nil
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
	plan, err := w.line.PlanPairs(c.ctx, line.PairRequest{Product: sim.DriverCode})
	if err != nil {
		return err
	}
	name = filepath.Join(cmd.Out, "driver-pairs.xlsx")
	if err := writeBook(name, func(f io.Writer) error { return sheet.WritePicks(f, plan.List, o) }); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "    %d pairs within %g dB of %d drivers  %s\n", len(plan.List.Pairs), plan.List.Tolerance, 2*len(plan.List.Pairs)+len(plan.List.Unpaired), filepath.Base(name))
	return nil
}
