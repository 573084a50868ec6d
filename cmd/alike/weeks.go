package main

import (
	"bytes"
	"fmt"
	"time"

	"alike/internal/line"
	"alike/reports/sheet"
)

type weeksCommand struct {
	database
	Weeks int    `name:"weeks" help:"How many weeks." default:"6" placeholder:"N"`
	Until string `help:"A day of the last week. Default: that of the newest measurement." placeholder:"YYYY-MM-DD"`
	Out   string `help:"File to write." default:"" placeholder:"FILE.xlsx" type:"path"`
	Paper string `help:"Paper to print on: A4 or Letter." enum:"A4,Letter" default:"A4"`
	JSON  bool   `name:"json" help:"Write JSON for programs."`
}

func (cmd *weeksCommand) Run(c *console) error {
	until, err := line.ReadDay(cmd.Until)
	if err != nil {
		return fmt.Errorf("--until: %w", err)
	}
	if cmd.Out == "" {
		cmd.Out = "weeks" + map[bool]string{false: ".xlsx", true: ".json"}[cmd.JSON]
	}
	cmd.anySite = true
	return cmd.with(c, func(w *workplace) error {
		r, err := w.line.Weeks(c.ctx, true, until, cmd.Weeks, version)
		if err != nil {
			return err
		}
		var file bytes.Buffer
		if cmd.JSON {
			var twin []byte
			if twin, err = r.Twin(); err == nil {
				file.Write(append(twin, '\n'))
			}
		} else {
			err = sheet.WriteWeeks(&file, r, sheet.Options{Made: time.Now(), Program: "alike " + version, Paper: cmd.Paper})
		}
		if err != nil {
			return err
		}
		if err := writeFile(cmd.Out, file.Bytes()); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s: %s to %s, lots: %d\n", cmd.Out, r.Names[0], r.Names[len(r.Names)-1], len(r.Lots))
		for _, e := range r.Eyes {
			fmt.Fprintf(c.out, "  look: %s, %s: %s\n", e.Site, e.About, e.Sentence)
		}
		return nil
	})
}
