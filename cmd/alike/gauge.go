package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"
	"alike/reports/sheet"
	"alike/spc/gauge"
)

type gaugeCommand struct {
	Plan    gaugePlan    `cmd:"" help:"Plan a study: units, operators, seatings, in random order, as a list to work by."`
	List    gaugeList    `cmd:"" help:"List the studies and comparisons of rigs."`
	Status  gaugeStatus  `cmd:"" help:"Say how far a study has come and which runs are next."`
	Result  gaugeResult  `cmd:"" help:"Show what a study found, write it as a spreadsheet and pictures."`
	Guard   gaugeGuard   `cmd:"" help:"Put the guard bands of a study in force, as a new version of the limits."`
	Seating gaugeSeating `cmd:"" help:"Put in force how far the seatings of an attempt may differ, from a study."`
}

func (gaugeCommand) Help() string {
	return `The way from a plan to limits:
  alike gauge plan GS-1 --units U1,U2,U3,U4,U5 --operators Jorun,Pelle --seatings 3 --reason "new pads" --out plan.xlsx
  alike ingest study-folder --lot GS-1        takes that name the study as their lot are not production
  alike gauge status GS-1
  alike gauge result GS-1 --out GS-1.xlsx --pictures out
  alike gauge guard GS-1 --reason "study GS-1 after the new pads"
  alike gauge seating GS-1 --reason "study GS-1 after the new pads"`
}

type gaugePlan struct {
	database
	Code      string   `arg:"" help:"Code of the study; its takes name it as their lot."`
	Units     []string `required:"" help:"Serials, separated by commas; choose units that span what the line makes."`
	Operators []string `required:"" help:"Operators, separated by commas, as takes will name them."`
	Seatings  int      `help:"Seatings of each unit by each operator." default:"3"`
	Seed      uint64   `help:"Of the random order. Default: from the clock." placeholder:"N"`
	Product   string   `help:"Code of the product. May be left out when there is only one."`
	Reason    string   `required:"" help:"What the study is for."`
	Out       string   `help:"File of the plan as a spreadsheet." type:"path" placeholder:"FILE.xlsx"`
	Paper     string   `help:"A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *gaugePlan) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		p := line.StudyPlan{
			Code: cmd.Code, Product: cmd.Product, Kind: line.GaugeStudy, Units: cmd.Units, By: cmd.Operators, Trials: cmd.Seatings,
			Seed: seedOr(cmd.Seed), Reason: cmd.Reason,
		}
		return c.planned(w, p, cmd.Out, cmd.Paper)
	})
}

// seedOr takes a seed from the clock where none is given; it is stored with the plan.
func seedOr(seed uint64) uint64 {
	if seed == 0 {
		return uint64(time.Now().UnixNano()) % 1_000_000_000
	}
	return seed
}

// planned stores a plan and writes its sheet.
func (c *console) planned(w *workplace, p line.StudyPlan, out, paper string) error {
	if err := w.line.AddStudy(c.ctx, w.by, p); err != nil {
		return err
	}
	r, err := w.line.GaugeSheet(c.ctx, p.Code, line.ResultOptions{})
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "study %s: %d runs of %d units, seed %d\n", p.Code, len(r.Runs), len(p.Units), p.Seed)
	fmt.Fprintf(c.out, "its takes name lot %s, their unit, %s and seating\n", p.Code, r.By)
	return writeGauge(r.Gauge, out, paper)
}

// writeGauge writes a study's spreadsheet, when a name is given.
func writeGauge(g reports.Gauge, name, paper string) error {
	if name == "" {
		return nil
	}
	var file bytes.Buffer
	if err := sheet.WriteGauge(&file, g, sheet.Options{Made: time.Now(), Program: "alike " + version, Paper: paper}); err != nil {
		return err
	}
	return writeFile(name, file.Bytes())
}

type gaugeList struct{ database }

func (cmd *gaugeList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		rows, err := w.db.Site(w.line.Site()).Studies(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "STUDY\tKIND\tPRODUCT\tUNITS\tBY\tSEATINGS\tMEASURED\tREASON")
		for _, r := range rows {
			s, err := w.line.Study(c.ctx, r.Study)
			if err != nil {
				return err
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\t%d\t%d of %d\t%s\n", r.Study, r.Kind, r.Product, len(r.Units), strings.Join(r.Operators, ","), r.Trials, len(s.Done), len(s.Runs), r.Reason)
		}
		return t.Flush()
	})
}

type gaugeStatus struct {
	database
	Code string `arg:"" help:"Code of the study."`
	Next int    `help:"How many of the next runs to name." default:"10"`
}

func (cmd *gaugeStatus) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		s, err := w.line.Study(c.ctx, cmd.Code)
		if err != nil {
			return err
		}
		left := s.Left()
		fmt.Fprintf(c.out, "study %s: %d of %d runs measured\n", cmd.Code, len(s.Runs)-len(left), len(s.Runs))
		for i, r := range left {
			if i == cmd.Next {
				fmt.Fprintf(c.out, "… and %d more\n", len(left)-i)
				break
			}
			fmt.Fprintf(c.out, "next: unit %s by %s, seating %d\n", r.Part, r.Operator, r.Trial)
		}
		return nil
	})
}

// using holds what a result depends on beside the takes.
type using struct {
	Risk           float64 `help:"Of accepting a unit right at its guard that lies beyond the limit." default:"0.05"`
	SeatingRisk    float64 `help:"Of asking to seat a good unit again." default:"0.01"`
	UnitSeconds    float64 `help:"Time that a unit takes at the rig beside its seatings." default:"30"`
	SeatingSeconds float64 `help:"Time that a seating takes." default:"25"`
}

func (u using) options() line.ResultOptions {
	return line.ResultOptions{Risk: u.Risk, SeatingRisk: u.SeatingRisk, Cost: gauge.Cost{Unit: u.UnitSeconds, Seating: u.SeatingSeconds}}
}

type gaugeResult struct {
	database
	using
	Code     string `arg:"" help:"Code of the study."`
	Out      string `help:"File of the spreadsheet." type:"path" placeholder:"FILE.xlsx"`
	Pictures string `help:"Folder for the pictures (SVG), one per channel." type:"path" placeholder:"DIR"`
	Paper    string `help:"A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *gaugeResult) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.GaugeSheet(c.ctx, cmd.Code, cmd.options())
		if err != nil {
			return err
		}
		if !r.Measured() {
			return fmt.Errorf("study %s is not measured yet; what is left: alike gauge status %s", cmd.Code, cmd.Code)
		}
		if err := c.gaugeTable(r); err != nil {
			return err
		}
		if err := writeGauge(r.Gauge, cmd.Out, cmd.Paper); err != nil {
			return err
		}
		return writePlots(plot.OfGauge(r.Gauge), cmd.Pictures, "gauge-"+cmd.Code)
	})
}

// writePlots writes pictures by channel, when a folder is given.
func writePlots(plots []plot.EnvelopePlot, dir, name string) error {
	if dir == "" {
		return nil
	}
	for _, p := range plots {
		var svg bytes.Buffer
		if err := plot.Envelope(&svg, p); err != nil {
			return err
		}
		if err := writeFile(filepath.Join(dir, fmt.Sprintf("%s-%s.svg", name, p.Channel)), svg.Bytes()); err != nil {
			return err
		}
	}
	return nil
}

func (c *console) gaugeTable(r line.StudyResult) error {
	t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "QUANTITY\tCHANNEL\tBAND\tSEATING\tOPERATORS\tUNITS\t% OF STUDY\t% OF TOLERANCE\tCATEGORIES\tGUARD\tSEATINGS\t")
	for _, x := range r.Rows {
		if x.Note != "" {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t\t\t\t\t\t\t\t\n", x.Quantity, x.Channel, x.Label, x.Note)
			continue
		}
		tol := "–"
		if x.TolPercent > 0 {
			tol = fmt.Sprintf("%.0f", x.TolPercent)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%.2f\t%.2f\t%.2f\t%.0f\t%s\t%d\t%.2f\t%d\t\n", x.Quantity, x.Channel, x.Label, x.Repeatability, x.Reproducibility, x.Part, x.StudyPercent, tol, x.Distinct, x.Guard, x.Best)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "standard deviations and guard in dB; the product takes %d seatings, %d are worth taking\n", r.Seatings, r.Best)
	for _, text := range r.Warnings {
		fmt.Fprintln(c.out, "note:", text)
	}
	return nil
}

type gaugeGuard struct {
	database
	using
	Code   string `arg:"" help:"Code of the study."`
	Reason string `required:"" help:"Why the limits change."`
}

func (cmd *gaugeGuard) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		v, r, err := w.line.GuardFromStudy(c.ctx, w.by, cmd.Code, cmd.options(), cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "envelope version %d of %s is in force: guard bands for the mean of %d seatings, risk %g\n", v, r.Product, r.Seatings, r.Risk)
		return nil
	})
}

type gaugeSeating struct {
	database
	using
	Code   string `arg:"" help:"Code of the study."`
	Reason string `required:"" help:"Why the limits change."`
}

func (cmd *gaugeSeating) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		v, r, err := w.line.SeatingFromStudy(c.ctx, w.by, cmd.Code, cmd.options(), cmd.Reason)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "seating limits version %d of %s are in force\n", v, r.Product)
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(t, "BAND\tSEATINGS MAY DIFFER BY, dB\t")
		for i, db := range r.SeatingSpread {
			fmt.Fprintf(t, "%s\t%.2f\t\n", r.Labels[i], db)
		}
		return t.Flush()
	})
}
