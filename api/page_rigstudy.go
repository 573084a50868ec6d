package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
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
	formState
	Adopted []string // which transfers come from this comparison, in whole sentences
}

// nextRuns is how many runs of a study the page lists.
const nextRuns = 12

// rigStudyPage shows the plan of a study and, once it is measured, its result and what
// can be put in force from it.
func (s *server) rigStudyPage(c echo.Context) error { return s.showRigStudy(c, http.StatusOK, nil) }

func (s *server) showRigStudy(c echo.Context, status int, wrong map[string]string) error {
	r, state, err := s.gaugeSheet(c)
	if err != nil {
		return err
	}
	if state.Kind == line.FaultStudy {
		return c.Redirect(http.StatusSeeOther, pages.ProductPath(state.Product)+"/faults/studies/"+url.PathEscape(state.Study))
	}
	b := rigStudyBody{StudyState: state, Result: r, Left: len(state.Left()), formState: formState{c.Request().Form, wrong}}
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
	if b.Adopted, err = s.adoptedFrom(c.Request().Context(), state); err != nil {
		return err
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

// adoptedFrom says which transfers come from a comparison.
func (s *server) adoptedFrom(ctx context.Context, state line.StudyState) ([]string, error) {
	rows, err := s.Line.Transfers(ctx, state.Product)
	if err != nil || len(rows) == 0 {
		return nil, err
	}
	zone, err := s.zone(ctx)
	var out []string
	for _, r := range rows {
		if r.Study == state.Study {
			out = append(out, fmt.Sprintf("Version %d: %s. %s: %s.", r.Version, line.TransferWords(r, zone), r.Author, strings.TrimSuffix(r.Reason, ".")))
		}
	}
	return out, err
}

// adoptStudy puts a comparison's curve in force.
func (s *server) adoptStudy(c echo.Context, code, reason string) error {
	ctx := c.Request().Context()
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	from, wrong := momentField(c.FormValue("from"), "from", zone)
	if wrong != nil {
		return wrong
	}
	a := line.Adoption{Study: code, Rig: c.FormValue("rig"), From: from, After: strings.TrimSpace(c.FormValue("after")), Reason: reason}
	if a.Risk, wrong = decimalField(c, "risk", 0); wrong != nil {
		return wrong
	}
	_, err = s.Line.AdoptTransfer(ctx, person(c), a)
	return err
}

// decimalField reads a number from a form; the usual one when it was left empty.
func decimalField(c echo.Context, name string, usual float64) (float64, *Problem) {
	text := strings.TrimSpace(strings.Replace(c.FormValue(name), ",", ".", 1))
	if text == "" {
		return usual, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("%s %q is not a number", name, c.FormValue(name)), "write it with digits")
		p.Field = name
		return 0, p
	}
	return v, nil
}

// useStudy puts a study's guard bands, or how far seatings may differ, or a comparison's
// curve in force.
func (s *server) useStudy(c echo.Context) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	ctx, reason, form, next := c.Request().Context(), strings.TrimSpace(c.FormValue("reason")), "use", "/products/"
	if err = errNoName.orNone(c); err == nil {
		switch c.FormValue("deed") {
		case "adopt":
			form, next = "adopt", "/rig?product="
			err = s.adoptStudy(c, code, reason)
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
			if c.FormValue("deed") == "adopt" {
				form = "adopt"
			}
			return s.showRigStudy(c, p.Status, formWrong(form, c.Request().Form, p, pages.Upper(p.Detail)+": "+p.Remedy+"."))
		}
		return err
	}
	state, err := s.Line.Study(ctx, code)
	if err != nil {
		return err
	}
	if form == "adopt" {
		return c.Redirect(http.StatusSeeOther, next+url.QueryEscape(state.Product)+"#transfers")
	}
	return c.Redirect(http.StatusSeeOther, next+url.PathEscape(state.Product))
}
