package api

import (
	"fmt"
	"net/http"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

// findingsShown is how many findings of a state the list shows.
const findingsShown = 200

type findingsBody struct {
	Line, Units, Closed []findingLine
}

type findingLine struct {
	Finding
	Opened time.Time
}

// findingsPage lists what the charts found: changes of the line that are not closed,
// single units, and what is closed.
func (s *server) findingsPage(c echo.Context) error {
	ctx := c.Request().Context()
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	all, err := s.Line.Findings(ctx, "", "", findingsShown)
	if err != nil {
		return err
	}
	var b findingsBody
	for _, f := range all {
		row := findingLine{findingOf(f), f.OpenedAt.In(zone)}
		switch {
		case f.State == line.Closed:
			b.Closed = append(b.Closed, row)
		case f.Kind == line.OneUnit:
			b.Units = append(b.Units, row)
		default:
			b.Line = append(b.Line, row)
		}
	}
	return s.show(c, http.StatusOK, "findings", pages.View{Title: "Findings", Here: "/findings", Live: true, Body: b})
}

type findingBody struct {
	FindingDetail
	Head     string
	Opened   time.Time
	Pictures []picture
	Moved    []line.Moved
	Bands    []bandChange
	Said     []eventLine
	Choices  []deedChoice
	Wrong    string
	Form     deedForm
}

type bandChange struct {
	Band   string
	Change []float64
	Error  []float64
}

type eventLine struct {
	FindingEvent
	At time.Time
}

type deedChoice struct{ Kind, Words string }

type deedForm struct{ Kind, Text, Cause, Action, By string }

// findingPage says all about one finding, analysed up to the latest unit.
func (s *server) findingPage(c echo.Context) error {
	return s.showFinding(c, http.StatusOK, deedForm{}, "")
}

func (s *server) showFinding(c echo.Context, status int, form deedForm, wrong string) error {
	ctx := c.Request().Context()
	n, err := findingNumber(c)
	if err != nil {
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	f, err := s.Line.Finding(ctx, n)
	if err != nil {
		return err
	}
	setup, err := s.Line.Setup(ctx, f.Product)
	if err != nil {
		return err
	}
	b := findingBody{FindingDetail: findingDetail(f), Opened: f.OpenedAt.In(zone), Form: form, Wrong: wrong, Choices: choices(f.State)}
	b.Head = fmt.Sprintf("Finding %d: the line moved", f.Number)
	if f.Perhaps() {
		b.Head = fmt.Sprintf("Finding %d: perhaps the line moved", f.Number)
	}
	if f.Kind == line.OneUnit {
		b.Head = fmt.Sprintf("Finding %d: one unit stands out", f.Number)
	}
	for _, e := range b.Events {
		if e.Kind != "signals" {
			b.Said = append(b.Said, eventLine{e, e.At.In(zone)})
		}
	}
	for _, m := range f.Analysis.Channels {
		if m.Moved {
			b.Moved = append(b.Moved, m)
		}
	}
	b.numbers(setup)
	if b.Pictures, err = changePictures(setup, b.Moved); err != nil {
		return err
	}
	as, err := s.readAs(ctx, f.Product)
	if err != nil {
		return err
	}
	return s.show(c, status, "finding", pages.View{ReadAs: as, Title: fmt.Sprintf("Finding %d", f.Number), Here: "/findings", Body: b})
}

// choices are the deeds that a state allows, in the order in which they come.
func choices(state string) []deedChoice {
	if state == line.Closed {
		return []deedChoice{{line.Reopen, "open it again, because"}}
	}
	out := []deedChoice{{line.Looked, "I looked, and saw"}, {line.Named, "the cause is"}, {line.Action, "this was done about it"}, {line.Close, "close it, because"}}
	if state == line.Acted {
		out = append(out, deedChoice{line.Reopen, "the action did not hold: open it again, because"})
	}
	return out
}

func (b *findingBody) numbers(setup *line.Setup) {
	for i, band := range setup.Band {
		row := bandChange{Band: band.Name()}
		for _, m := range b.Moved {
			if i < len(m.Change) {
				row.Change, row.Error = append(row.Change, m.Change[i]), append(row.Error, m.Error[i])
			}
		}
		b.Bands = append(b.Bands, row)
	}
}

// changePictures draws the unanchored change of each channel that moved, with twice its
// standard error either way.
func changePictures(setup *line.Setup, moved []line.Moved) ([]picture, error) {
	var plots []plot.EnvelopePlot
	for _, m := range moved {
		p := framed(setup, m.Channel)
		p.Title = "Change of level, " + m.Channel
		p.Description = fmt.Sprintf("The unanchored change of the %s channel in dB over frequency in Hz: %s.", m.Channel, m.Words)
		area := plot.Area{Name: "twice the standard error either way"}
		for i, d := range m.Change {
			area.Low, area.High = append(area.Low, d-2*m.Error[i]), append(area.High, d+2*m.Error[i])
		}
		p.Areas = []plot.Area{area}
		p.Strong = []plot.Curve{{Name: "change", Values: m.Change}}
		plots = append(plots, p)
	}
	var out []picture
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return nil, err
		}
		out = append(out, pic)
	}
	return out, nil
}

// actOnFinding records what a person says was done; what is refused is said beside what
// was typed.
func (s *server) actOnFinding(c echo.Context) error {
	n, err := findingNumber(c)
	if err != nil {
		return err
	}
	f := deedForm{c.FormValue("kind"), c.FormValue("text"), c.FormValue("cause"), c.FormValue("action"), person(c).Actor}
	if f.By == "" {
		return s.showFinding(c, http.StatusUnprocessableEntity, f, "Say who you are: the record keeps it.")
	}
	if _, err = s.Line.Act(c.Request().Context(), person(c), n, line.Deed{Kind: f.Kind, Text: f.Text, Cause: f.Cause, Action: f.Action}); err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showFinding(c, p.Status, f, pages.Upper(p.Detail)+": "+p.Remedy+".")
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, fmt.Sprintf("/findings/%d#record", n))
}
