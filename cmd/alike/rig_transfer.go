package main

import (
	"fmt"
	"text/tabwriter"

	"alike/internal/line"
	"alike/reports/plot"
)

type rigCompare struct {
	database
	Code     string   `arg:"" help:"Code of the comparison; its takes name it as their lot."`
	Rigs     []string `required:"" help:"The two rigs, separated by a comma, as takes will name their station."`
	Units    []string `required:"" help:"Serials, separated by commas; ten are common practice."`
	Seatings int      `help:"Seatings of each unit on each rig." default:"3"`
	Seed     uint64   `help:"Of the random order. Default: from the clock." placeholder:"N"`
	Product  string   `help:"Code of the product. May be left out when there is only one."`
	Reason   string   `required:"" help:"What the comparison is for."`
	Out      string   `help:"File of the plan as a spreadsheet." type:"path" placeholder:"FILE.xlsx"`
	Paper    string   `help:"A4 or Letter." enum:"A4,Letter" default:"A4"`
}

func (cmd *rigCompare) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		p := line.StudyPlan{
			Code: cmd.Code, Product: cmd.Product, Kind: line.RigsStudy, Units: cmd.Units, By: cmd.Rigs, Trials: cmd.Seatings,
			Seed: seedOr(cmd.Seed), Reason: cmd.Reason,
		}
		return c.planned(w, p, cmd.Out, cmd.Paper)
	})
}

type rigTransfer struct {
	database
	Code       string  `arg:"" help:"Code of the comparison."`
	Confidence float64 `help:"Of the interval that holds the whole curve." default:"0.95"`
	Pictures   string  `help:"Folder for the pictures (SVG), one per channel." type:"path" placeholder:"DIR"`
}

func (cmd *rigTransfer) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		tr, err := w.line.Transfer(c.ctx, cmd.Code, cmd.Confidence)
		if err != nil {
			return err
		}
		if err := writePlots(plot.OfTransfer(tr), cmd.Pictures, "transfer-"+cmd.Code); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s minus %s, from %d units on both\n", tr.To, tr.From, tr.Units)
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintf(t, "CHANNEL\tBAND\tUNITS\tDIFFERENCE, dB\tUNCERTAINTY\tLOW\tHIGH\tONE UNIT'S UNCERTAINTY\t\t\n")
		for _, r := range tr.Rows {
			mark := ""
			if r.Differs {
				mark = "differs"
			}
			fmt.Fprintf(t, "%s\t%s\t%d\t%+.2f\t%.2f\t%+.2f\t%+.2f\t%.2f\t%s\t\n", r.Channel, r.Label, r.N, r.Mean, r.U, r.Low, r.High, r.UnitU, mark)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "low and high hold the whole curve with %.0f %% confidence; uncertainties are standard ones\n", 100*tr.Confidence)
		for _, text := range tr.Warnings {
			fmt.Fprintln(c.out, "note:", text)
		}
		return nil
	})
}
