package api

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports/plot"
	"alike/spc/envelope"

	"github.com/labstack/echo/v4"
)

// unitsPerPage is how many units a list shows at a time.
const unitsPerPage = 100

type unitsBody struct {
	Query string
	Units []store.UnitState
	More  string // address of the next page, empty at the end
	First bool
	Limit int
	// Drivers: there is a product of single drivers, which this list leaves out.
	Drivers bool
}

// unitsPage lists units, newest first, or finds them by their serial. A serial that is
// known whole goes straight to its unit: that is what a scanner sends.
func (s *server) unitsPage(c echo.Context) error {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	b := unitsBody{Query: strings.TrimSpace(c.QueryParam("q")), First: true, Limit: unitsPerPage}
	if b.Query != "" {
		if u, err := site.Unit(ctx, b.Query); err == nil {
			return c.Redirect(http.StatusSeeOther, pages.UnitPath(u.Serial))
		}
		if b.Units, err = site.FindUnits(ctx, b.Query, unitsPerPage); err != nil {
			return err
		}
		if len(b.Units) == 1 && strings.EqualFold(b.Units[0].Serial, b.Query) {
			return c.Redirect(http.StatusSeeOther, pages.UnitPath(b.Units[0].Serial))
		}
	} else {
		seen, serial := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), ""
		if t, err := time.Parse(time.RFC3339Nano, c.QueryParam("before")); err == nil {
			seen, serial, b.First = t, c.QueryParam("serial"), false
		}
		if b.Units, err = site.UnitsBefore(ctx, seen, serial, unitsPerPage); err != nil {
			return err
		}
		if n := len(b.Units); n == unitsPerPage {
			last := b.Units[n-1]
			b.More = "/units?" + url.Values{"before": {last.FirstSeen.UTC().Format(time.RFC3339Nano)}, "serial": {last.Serial}}.Encode()
		}
	}
	if b.Query == "" {
		_, err := s.Line.DriverSetup(ctx, "")
		b.Drivers = err == nil
	}
	localise(b.Units, zone)
	status := http.StatusOK
	if b.Query != "" && len(b.Units) == 0 {
		status = http.StatusNotFound
	}
	return s.show(c, status, "units", pages.View{Title: "Units", Here: "/units", Query: b.Query, Body: b})
}

func localise(units []store.UnitState, zone *time.Location) {
	for i := range units {
		units[i].FirstAt, units[i].MeasuredAt = units[i].FirstAt.In(zone), units[i].MeasuredAt.In(zone)
	}
}

type unitBody struct {
	line.UnitDetail
	Last     *line.AttemptView
	Word     string
	Pictures []picture
	Levels   []levelRow
	Scalars  []scalarRow
	Heads    []string // of the table of levels
	Measured string   // the program's last verdict, where a person set it aside
	Override overrideBody
	Ships    bool // it passed, and its lot is decided to ship
}

// A levelRow is one band of the table that says what the pictures show.
type levelRow struct {
	Band         string
	Lower, Upper float64
	Values       []float64 // deviation, per channel
	Outside      []bool
}

type scalarRow struct {
	Name   string
	Values []float64
	Unit   string
}

// unitPage answers: what is this unit?
func (s *server) unitPage(c echo.Context) error {
	serial, err := param(c, "serial")
	if err != nil {
		return err
	}
	return s.showUnit(c, http.StatusOK, serial, overrideForm{}, "")
}

// showUnit shows a unit with what was typed on its page, and what was wrong with it.
func (s *server) showUnit(c echo.Context, status int, serial string, form overrideForm, wrong string) error {
	d, err := s.Line.UnitDetail(c.Request().Context(), serial)
	if err != nil {
		return err
	}
	for i := range d.Attempts {
		a := &d.Attempts[i]
		a.MeasuredAt, a.ReceivedAt = a.MeasuredAt.In(d.Zone), a.ReceivedAt.In(d.Zone)
		for k := range a.Takes {
			a.Takes[k].MeasuredAt = a.Takes[k].MeasuredAt.In(d.Zone)
		}
	}
	localise(d.Before, d.Zone)
	localise(d.After, d.Zone)
	b := unitBody{UnitDetail: d, Word: line.Waiting}
	if n := len(d.Attempts); n > 0 {
		b.Last = &d.Attempts[n-1]
		if b.Last.Verdict != nil {
			b.Word = string(b.Last.Verdict.Word)
			if stands := d.Stands(b.Last.Number, b.Word); stands != b.Word {
				b.Measured, b.Word = b.Word, stands
			}
		}
	}
	for i := range b.Overrides {
		b.Overrides[i].At = b.Overrides[i].At.In(d.Zone)
	}
	state, err := s.DB.Site(s.Line.Site()).LotState(c.Request().Context(), d.Lot)
	if err != nil {
		return err
	}
	b.overriding(state)
	b.Ships = b.Word == string(envelope.Pass) && state.State == line.LotDecided && (state.Outcome == line.OutcomeAccept || state.Outcome == line.OutcomeConcession)
	b.Override.Form, b.Override.Wrong = form, wrong
	if err := b.draw(); err != nil {
		return err
	}
	b.tables()
	return s.show(c, status, "unit", pages.View{Title: d.Serial, Here: "/units", Query: d.Serial, Live: true, Body: b})
}

// draw makes a picture per channel, with the attempts named and their seatings pale.
func (b *unitBody) draw() error {
	plots := make([]plot.EnvelopePlot, 0, len(b.Setup.Channels))
	for _, name := range b.Setup.Channels {
		p := framed(b.Setup, name)
		p.Lower, p.Upper, p.WorkingLower, p.WorkingUpper = b.Limits.Lower, b.Limits.Upper, b.Limits.WorkingLower, b.Limits.WorkingUpper
		for _, u := range b.Usual {
			if u.Name == name {
				p.Center, p.Middle = u.Values, "usual unit"
			}
		}
		for _, r := range b.Readings {
			for i, ch := range r.Channels {
				if ch.Name != name {
					continue
				}
				p.Strong = append(p.Strong, plot.Curve{Name: fmt.Sprintf("attempt %d", r.Number), Values: ch.Deviation})
				for _, seat := range r.Seatings[i] {
					if len(r.Seatings[i]) > 1 {
						p.Plain = append(p.Plain, plot.Curve{Values: seat})
					}
				}
			}
		}
		if len(p.Strong) == 0 {
			continue
		}
		if len(p.Strong) > plot.Named {
			p.Strong = p.Strong[len(p.Strong)-plot.Named:]
		}
		p.Description = fmt.Sprintf("Deviation of unit %s, %s channel, in dB over frequency in Hz on a logarithmic axis. The table below has the numbers.", b.Serial, name)
		plots = append(plots, p)
	}
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	return nil
}

// framed begins the picture of one channel's deviation.
func framed(setup *line.Setup, channel string) plot.EnvelopePlot {
	p := plot.EnvelopePlot{Channel: channel, Title: "Deviation from the target, " + channel, StrongLead: "-", PlainName: "one seating each"}
	for _, band := range setup.Band {
		p.Axis = append(p.Axis, band.Mid())
	}
	return p
}

// sameLevels puts pictures that stand beside each other on one level axis.
func sameLevels(plots []plot.EnvelopePlot) []plot.EnvelopePlot {
	if len(plots) == 0 {
		return nil
	}
	lo, hi := 0.0, 0.0
	for _, p := range plots {
		t := p.Ticks()
		lo, hi = min(lo, t[0]), max(hi, t[len(t)-1])
	}
	for i := range plots {
		plots[i].Levels = plot.LevelTicks(lo, hi, 9)
	}
	return plots
}

// tables says in numbers what the pictures show, of the last attempt.
func (b *unitBody) tables() {
	if len(b.Readings) == 0 {
		return
	}
	r := b.Readings[len(b.Readings)-1]
	for _, c := range r.Channels {
		b.Heads = append(b.Heads, c.Name)
	}
	b.Levels = levelRows(b.Setup, r.Channels, b.Limits.Lower, b.Limits.Upper)
	b.Scalars = scalarRows(r.Channels)
}

func levelRows(setup *line.Setup, channels []envelope.Channel, lower, upper []float64) []levelRow {
	var out []levelRow
	for i, band := range setup.Band {
		row := levelRow{Band: band.Name(), Lower: nan, Upper: nan}
		if len(lower) > 0 {
			row.Lower, row.Upper = lower[i], upper[i]
		}
		for _, c := range channels {
			v := c.Deviation[i]
			row.Values, row.Outside = append(row.Values, v), append(row.Outside, v < row.Lower || v > row.Upper)
		}
		out = append(out, row)
	}
	return out
}

func scalarRows(channels []envelope.Channel) []scalarRow {
	rows := []scalarRow{{"sensitivity", nil, "dB SPL"}, {"roughness", nil, "dB"}, {"tilt", nil, "dB per octave"}}
	for _, c := range channels {
		for i, v := range []float64{c.Sensitivity, c.Roughness, c.Tilt} {
			rows[i].Values = append(rows[i].Values, v)
		}
	}
	return rows
}
