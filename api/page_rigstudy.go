package api

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

type rigStudyBody struct {
	line.StudyState
	Result   line.StudyResult
	Transfer *reports.Transfer
	Left     int
	Next     []reports.GaugeRun
	Pictures []picture
	Rows     []reports.GaugeRow
	Why      string // why there is no result yet
	Wrong    string
	Form     url.Values
	Version  int
}

// nextRuns is how many runs of a study the page lists.
const nextRuns = 12

// rigStudyPage shows the plan of a study and, once it is measured, its result and what
// can be put in force from it.
func (s *server) rigStudyPage(c echo.Context) error { return s.showRigStudy(c, http.StatusOK, "") }

func (s *server) showRigStudy(c echo.Context, status int, wrong string) error {
	r, state, err := s.gaugeSheet(c)
	if err != nil {
		return err
	}
	if state.Kind == line.FaultStudy {
		return c.Redirect(http.StatusSeeOther, pages.ProductPath(state.Product)+"/faults/studies/"+url.PathEscape(state.Study))
	}
	b := rigStudyBody{StudyState: state, Result: r, Left: len(state.Left()), Wrong: wrong, Form: c.Request().Form}
	if b.Form == nil {
		b.Form = url.Values{}
	}
	for _, x := range r.Runs {
		if !x.Done && len(b.Next) < nextRuns {
			b.Next = append(b.Next, x)
		}
	}
	plots := plot.OfGauge(r.Gauge)
	if state.Kind == line.RigsStudy {
		t, err := s.Line.Transfer(c.Request().Context(), state.Study, 0)
		var refused *line.Refusal
		switch {
		case errors.As(err, &refused):
			b.Why = pages.Upper(refused.Error()) + "."
		case err != nil:
			return err
		default:
			b.Transfer, plots = &t, plot.OfTransfer(t)
		}
	}
	for _, p := range plots {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	for _, x := range r.Rows {
		if x.Quantity == "deviation" || x.Quantity == "sensitivity" {
			b.Rows = append(b.Rows, x)
		}
	}
	return s.show(c, status, "rigstudy", pages.View{Title: "Study " + state.Study, Here: "/rig", Body: b})
}

// useStudy puts a study's guard bands, or how far seatings may differ, in force.
func (s *server) useStudy(c echo.Context) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	ctx, reason := c.Request().Context(), strings.TrimSpace(c.FormValue("reason"))
	if err = errNoName.orNone(c); err == nil {
		switch c.FormValue("deed") {
		case "guard":
			_, _, err = s.Line.GuardFromStudy(ctx, person(c), code, line.ResultOptions{}, reason)
		case "seating":
			_, _, err = s.Line.SeatingFromStudy(ctx, person(c), code, line.ResultOptions{}, reason)
		default:
			err = newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("%q is nothing to do with a study", c.FormValue("deed")), "use one of the buttons of the page")
		}
	}
	if err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showRigStudy(c, p.Status, pages.Upper(p.Detail)+": "+p.Remedy+".")
		}
		return err
	}
	state, err := s.Line.Study(ctx, code)
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/products/"+url.PathEscape(state.Product))
}
