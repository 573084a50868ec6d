package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/internal/store"
	"alike/spc/envelope"
)

// demoRigCheck is how the simulated rig is kept trustworthy.
func demoRigCheck() *line.RigPolicy {
	return &line.RigPolicy{
		Hours: 24, Tolerance: []envelope.Guard{{From: 20, To: 80, DB: 1.5}, {From: 100, To: 4000, DB: 0.6}, {From: 5000, To: 16000, DB: 2}},
		Ambient: &line.Ambient{Temperature: [2]float64{18, 26}, Humidity: [2]float64{25, 65}, Noise: 35},
	}
}

// rig brings in what keeps the rig trustworthy before the first lot: reference units with
// their baselines, calibrations, a gauge study and a comparison with a second rig.
func (cmd *demoCommand) rig(c *console, w *workplace, story *sim.Story, product string) (sim.RigFolder, error) {
	dir := filepath.Join(cmd.Out, fmt.Sprintf("simulated-rig-seed%d-units%d", cmd.Seed, story.Options.Units))
	f := story.FolderOfRig(dir)
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		part := dir + ".part"
		if err := os.RemoveAll(part); err != nil { // of a run that was killed
			return f, err
		}
		if _, err := story.WriteRig(c.ctx, part); err != nil {
			return f, err
		}
		if err := os.Rename(part, dir); err != nil {
			return f, err
		}
	}
	for n, state := range []string{line.InUse, line.Spare} {
		err := w.line.AddReference(c.ctx, w.by, product, sim.ReferenceSerial(n+1), state, "kept in the cupboard beside the rig")
		if err := unlessThere(err); err != nil {
			return f, err
		}
	}
	if err := cmd.studies(c, w, product); err != nil {
		return f, err
	}
	for _, name := range []string{f.Baseline, f.Gauge, f.Compare} {
		if _, err := cmd.bring(c, w, "rig", name); err != nil {
			return f, err
		}
	}
	for n := range 2 {
		serial := sim.ReferenceSerial(n + 1)
		if _, err := w.db.Site(w.line.Site()).Baseline(c.ctx, serial, sim.Station); err == nil {
			continue
		} else if !errors.Is(err, store.ErrNotFound) {
			return f, err
		}
		if _, err := w.line.SetBaseline(c.ctx, w.by, serial, sim.Station, 6, "microphones and coupler calibrated the week before"); err != nil {
			return f, err
		}
	}
	return f, cmd.entries(c, w, story)
}

// unlessThere passes over what an earlier run of the demo did.
func unlessThere(err error) error {
	var r *line.Refusal
	if errors.As(err, &r) && r.Kind == line.Conflict {
		return nil
	}
	return err
}

func (cmd *demoCommand) studies(c *console, w *workplace, product string) error {
	for _, p := range []line.StudyPlan{
		{Code: sim.GaugeCode, Kind: line.GaugeStudy, By: sim.Operators, Trials: sim.GaugeTrials, Reason: "what seating and operator add, before the first lot"},
		{Code: sim.CompareCode, Kind: line.RigsStudy, By: []string{sim.Station, sim.UsualSecondRig().Name}, Trials: sim.CompareTrials, Reason: "a second rig, borrowed for the busy weeks"},
	} {
		p.Product, p.Seed = product, cmd.Seed
		units := sim.GaugeUnits
		if p.Kind == line.RigsStudy {
			units = sim.CompareUnits
		}
		for n := range units {
			p.Units = append(p.Units, sim.StudySerial(n+1))
		}
		if err := unlessThere(w.line.AddStudy(c.ctx, w.by, p)); err != nil {
			return err
		}
	}
	return nil
}

// entries notes calibrations and surroundings, once. What the story dates later than the
// clock is noted by a clock at its end.
func (cmd *demoCommand) entries(c *console, w *workplace, story *sim.Story) error {
	have, err := w.db.Site(w.line.Site()).Entries(c.ctx, sim.Station, "", 1)
	if err != nil || len(have) > 0 {
		return err
	}
	l := line.New(w.db, w.line.Site(), func() time.Time {
		if end := story.Monday().AddDate(0, 0, 7*sim.Weeks); time.Now().Before(end) {
			return end
		}
		return time.Now()
	})
	at := func(day, hour int) time.Time {
		return story.Monday().AddDate(0, 0, day).Add(time.Duration(hour) * time.Hour)
	}
	db := func(v float64) *float64 { return &v }
	due := func(day int) *time.Time { t := story.Monday().AddDate(0, 0, day); return &t }
	for _, e := range []line.Entry{
		{Kind: "calibration", Subject: "microphone left", At: at(-10, 14), Level: db(94.02), Certificate: "CAL-0412", Due: due(365), Note: "1 kHz calibrator at the ear, drive disabled"},
		{Kind: "calibration", Subject: "microphone right", At: at(-10, 15), Level: db(93.97), Certificate: "CAL-0413", Due: due(365)},
		{Kind: "calibration", Subject: "amplifier", At: at(-10, 16), Level: db(0.01), Certificate: "CAL-0398", Due: due(35)},
		{Kind: "work", Subject: "coupler", At: at(-9, 9), Note: "new pad seats fitted, before the baseline"},
		{Kind: "ambient", At: at(7*sim.Weeks-3, 7), Temperature: db(22.5), Humidity: db(48), Noise: db(29)},
	} {
		e.Rig, e.Changed = sim.Station, e.Kind == "work"
		if _, err := l.AddEntry(c.ctx, w.by, e); err != nil {
			return err
		}
	}
	return nil
}

// bring takes in files by the door a user has.
func (cmd *demoCommand) bring(c *console, w *workplace, what string, names ...string) (line.Outcome, error) {
	entries, refused, err := curve.Plan(names, curve.Options{Zone: time.UTC})
	if err != nil {
		return line.Outcome{}, err
	}
	out, err := ingest(c, w, what, entries, refused)
	for _, r := range out.Refused {
		fmt.Fprintln(c.err, "refused:", r.Error())
	}
	return out, err
}

// week brings in a lot's takes beside the rig's checks of its week, in order of time as far
// as it matters: what was measured before a check that came late waits for it.
func (cmd *demoCommand) week(c *console, w *workplace, story *sim.Story, f sim.RigFolder, lot int, entries []curve.Entry, refused []*curve.Refusal) (line.Outcome, error) {
	what := "lot " + story.Lots[lot].Code
	late, day := sim.SkippedCheck()
	if lot != late {
		if _, err := cmd.bring(c, w, what+", checks of the rig", f.Checks[lot]...); err != nil {
			return line.Outcome{}, err
		}
		return ingest(c, w, what, entries, refused)
	}
	if _, err := cmd.bring(c, w, what+", checks of the rig", f.Checks[lot][:day]...); err != nil {
		return line.Outcome{}, err
	}
	at := story.CheckAt(lot, day)
	var before, after []curve.Entry
	for _, e := range entries {
		if e.MeasuredAt.Before(at) {
			before = append(before, e)
		} else {
			after = append(after, e)
		}
	}
	out, err := ingest(c, w, what, before, refused)
	if err != nil {
		return out, err
	}
	checked, err := cmd.bring(c, w, what+", checks of the rig", f.Checks[lot][day:]...)
	if err != nil {
		return out, err
	}
	cmd.tellLate(c, at, checked)
	rest, err := ingest(c, w, what, after, nil)
	return together(out, rest, checked), err
}

// tellLate says what waited for the check that came late.
func (cmd *demoCommand) tellLate(c *console, at time.Time, checked line.Outcome) {
	words := line.Outcome{Verdicts: map[envelope.Word]int{}}
	n := 0
	for _, k := range checked.Checks {
		for _, x := range k.Settled {
			words.Verdicts[x.To]++
			n++
		}
	}
	if n > 0 {
		fmt.Fprintf(c.out, "the rig was not checked on the morning of %s: %d units waited on hold until noon, then %s\n", at.Format(time.DateOnly), n, verdicts(words))
	}
}

// together sums up two parts of a lot, with what a check between them let go.
func together(a, b, checked line.Outcome) line.Outcome {
	a.Stored, a.Known, a.Refused = a.Stored+b.Stored, a.Known+b.Known, append(a.Refused, b.Refused...)
	for w, n := range b.Verdicts {
		a.Verdicts[w] += n
	}
	for _, k := range checked.Checks {
		for _, x := range k.Settled {
			a.Verdicts[x.From]--
			a.Verdicts[x.To]++
		}
	}
	return a
}
