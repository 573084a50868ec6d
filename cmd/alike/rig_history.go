package main

import (
	"bytes"
	"fmt"
	"strings"
	"text/tabwriter"

	"alike/internal/line"
	"alike/reports/plot"
)

type rigHistory struct {
	database
	Serial  string `arg:"" help:"Serial of the reference unit."`
	Rig     string `help:"Station that its takes name."`
	Limit   int    `help:"Most visits to show." default:"200"`
	Channel string `help:"Of the chart to draw, such as left."`
	Band    string `help:"Of the chart to draw, such as 63 or 1k."`
	Out     string `help:"File of the picture (SVG)." type:"path" placeholder:"FILE"`
}

func (cmd *rigHistory) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		h, err := w.line.History(c.ctx, cmd.Serial, cmd.Rig, cmd.Limit)
		if err != nil {
			return err
		}
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "VISIT\tAT\tBY\tRESULT\t")
		for i, v := range h.Visits {
			word := "recorded"
			if h.Judged[i] {
				word = "failed"
				if v.Passed {
					word = "passed"
				}
			}
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\n", v.Number, v.At.In(zone).Format("2006-01-02 15:04"), v.Operator, word, v.Sentence)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		for _, d := range h.Drifts {
			fmt.Fprintf(c.out, "drifts: %s by %+.2f dB a week (95 %%: %+.2f to %+.2f; adjusted p %.3g)\n", d.Place, d.PerWeek, d.Low, d.High, d.P)
		}
		if cmd.Out == "" {
			return nil
		}
		return cmd.draw(c, h)
	})
}

func (cmd *rigHistory) draw(c *console, h line.ReferenceHistory) error {
	var have []string
	for _, ch := range h.Charts {
		if ch.Channel == cmd.Channel && ch.Band == cmd.Band {
			var svg bytes.Buffer
			if err := plot.Control(&svg, ch.Chart); err != nil {
				return err
			}
			return writeFile(cmd.Out, svg.Bytes())
		}
		if ch.Channel == h.Charts[0].Channel {
			have = append(have, ch.Band)
		}
	}
	return fmt.Errorf("there is no chart of channel %q, band %q: name a channel and one of the bands %s", cmd.Channel, cmd.Band, strings.Join(have, ", "))
}
