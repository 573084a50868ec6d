package main

import (
	"fmt"
	"text/tabwriter"
	"time"

	"alike/internal/line"
)

// moment is when something was done, in the workshop's zone.
type moment struct {
	At string `help:"When it was done, as 2006-01-02 15:04 in the workshop's zone. Default: now." placeholder:"TIME"`
}

func (m moment) time(c *console, w *workplace) (time.Time, error) {
	if m.At == "" {
		return time.Time{}, nil
	}
	zone, err := w.line.Zone(c.ctx)
	if err != nil {
		return time.Time{}, err
	}
	t, err := time.ParseInLocation("2006-01-02 15:04", m.At, zone)
	if err != nil {
		return t, fmt.Errorf("at: %q is not a time; write 2006-01-02 15:04", m.At)
	}
	return t, nil
}

// enter notes an entry and prints what it changed.
func (m moment) enter(c *console, w *workplace, e line.Entry) error {
	var err error
	if e.At, err = m.time(c, w); err != nil {
		return err
	}
	settled, err := w.line.AddEntry(c.ctx, w.by, e)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "noted for rig %s\n", e.Rig)
	c.settled(settled)
	if e.Changed {
		fmt.Fprintln(c.out, "the rig was changed: units wait until a check of a reference unit passes")
	}
	return nil
}

type rigCalibrate struct {
	database
	moment
	Rig         string  `arg:"" help:"Station that its takes name."`
	Subject     string  `required:"" help:"What was calibrated, such as: microphone left."`
	Level       float64 `required:"" help:"Level it read, dB."`
	Certificate string  `help:"Number of the certificate."`
	Due         string  `help:"Date when it is due again, as 2006-01-02." placeholder:"DATE"`
	Adjusted    bool    `help:"It was adjusted: readings before and after may differ."`
	Note        string  `help:"Anything worth knowing."`
}

func (cmd *rigCalibrate) Run(c *console) error {
	var due *time.Time
	if cmd.Due != "" {
		t, err := time.Parse(time.DateOnly, cmd.Due)
		if err != nil {
			return fmt.Errorf("due: %q is not a date; write 2006-01-02", cmd.Due)
		}
		due = &t
	}
	return cmd.with(c, func(w *workplace) error {
		return cmd.enter(c, w, line.Entry{
			Rig: cmd.Rig, Kind: "calibration", Subject: cmd.Subject, Changed: cmd.Adjusted, Level: &cmd.Level,
			Certificate: cmd.Certificate, Due: due, Note: cmd.Note,
		})
	})
}

type rigWork struct {
	database
	moment
	Rig     string `arg:"" help:"Station that its takes name."`
	Subject string `help:"What was worked on, such as: microphone left."`
	Note    string `required:"" help:"What was done."`
}

func (cmd *rigWork) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		return cmd.enter(c, w, line.Entry{Rig: cmd.Rig, Kind: "work", Subject: cmd.Subject, Changed: true, Note: cmd.Note})
	})
}

type rigAmbient struct {
	database
	moment
	Rig         string   `arg:"" help:"Station that its takes name."`
	Temperature *float64 `help:"Degrees Celsius."`
	Humidity    *float64 `help:"Per cent, relative."`
	Noise       *float64 `help:"dB(A)."`
	Note        string   `help:"Anything worth knowing."`
}

func (cmd *rigAmbient) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		return cmd.enter(c, w, line.Entry{
			Rig: cmd.Rig, Kind: "ambient", Temperature: cmd.Temperature, Humidity: cmd.Humidity, Noise: cmd.Noise, Note: cmd.Note,
		})
	})
}

type rigEntries struct {
	database
	Rig   string `arg:"" optional:"" help:"Station that its takes name. Left out: all rigs."`
	Kind  string `help:"calibration, work or ambient. Left out: all." enum:",calibration,work,ambient" default:""`
	Limit int    `help:"Most entries to show." default:"100"`
}

func (cmd *rigEntries) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		zone, err := w.line.Zone(c.ctx)
		if err != nil {
			return err
		}
		rows, err := w.db.Site(w.line.Site()).Entries(c.ctx, cmd.Rig, cmd.Kind, cmd.Limit)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "AT\tRIG\tKIND\tSUBJECT\tLEVEL, dB\tCERTIFICATE\tDUE\t°C\t%\tdB(A)\tBY\tNOTE")
		value := func(v *float64) string {
			if v == nil {
				return ""
			}
			return fmt.Sprintf("%g", *v)
		}
		for _, e := range rows {
			due := ""
			if e.Due != nil {
				due = e.Due.Format(time.DateOnly)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", e.At.In(zone).Format("2006-01-02 15:04"), e.Rig, e.Kind, e.Subject,
				value(e.Level), e.Certificate, due, value(e.Temperature), value(e.Humidity), value(e.Noise), e.Author, e.Note)
		}
		return t.Flush()
	})
}
