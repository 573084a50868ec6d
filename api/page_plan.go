package api

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"alike/api/pages"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// planRow is a check as it stands in the form: what was typed wrongly stays typed.
type planRow struct {
	Check, Minutes, For string
}

type planBody struct {
	line.PlanDetail
	Code    string
	Typed   []planRow
	Offered []line.PlanChoice // without a check in the form
	Fault   string            // that the preview is for
	Preview []line.PlanRow
	Form    url.Values
	Wrong   string
	Said    string
	Changed bool // the form is not what is in force
}

// planPage answers: what is checked when the line moved, and in which order?
func (s *server) planPage(c echo.Context) error {
	b, err := s.planBody(c)
	if err != nil {
		return err
	}
	for _, r := range b.Rows {
		b.Typed = append(b.Typed, planRow{r.Check, plain(r.Minutes), strings.Join(r.For, ", ")})
	}
	if c.QueryParam("done") == "plan" {
		b.Said = "The new plan is in force. Findings that are closed and reports of decided lots keep the checks that they had."
	}
	b.Fault = c.QueryParam("fault")
	return s.showPlan(c, http.StatusOK, b, b.Rows)
}

func (s *server) planBody(c echo.Context) (planBody, error) {
	code, err := param(c, "product")
	if err != nil {
		return planBody{}, err
	}
	d, err := s.Line.ActionPlan(c.Request().Context(), code)
	b := planBody{PlanDetail: d, Code: code, Form: c.Request().Form}
	if b.Form == nil {
		b.Form = url.Values{}
	}
	return b, err
}

// showPlan fills what goes with the rows of the form. Those that cannot be read yet are
// left out of the preview.
func (s *server) showPlan(c echo.Context, status int, b planBody, rows []line.PlanRow) error {
	if !slices.ContainsFunc(b.Choices, func(p line.PlanChoice) bool { return p.Fault && p.Key == b.Fault }) {
		b.Fault = ""
	}
	for _, p := range b.Choices {
		if b.Fault == "" && p.Fault {
			b.Fault = p.Key
		}
		if !slices.ContainsFunc(b.Typed, func(r planRow) bool { return slices.Contains(listed(r.For), p.Key) }) {
			b.Offered = append(b.Offered, p)
		}
	}
	b.Preview = b.Setup.PlanFor(rows, b.Fault)
	return s.show(c, status, "plan", pages.View{Title: "Action plan of " + b.Setup.Name, Here: "/products", Body: b})
}

// read takes the rows from the form.
func (b *planBody) read(form url.Values) (rows []line.PlanRow, wrong string) {
	for i, check := range form["check"] {
		r := planRow{Check: check}
		if i < len(form["minutes"]) {
			r.Minutes = strings.TrimSpace(form["minutes"][i])
		}
		if i < len(form["for"]) {
			r.For = form["for"][i]
		}
		b.Typed = append(b.Typed, r)
		if strings.TrimSpace(check) == "" && r.Minutes == "" && strings.TrimSpace(r.For) == "" {
			continue // a row that was added and not filled
		}
		minutes, err := strconv.ParseFloat(strings.ReplaceAll(r.Minutes, ",", "."), 64)
		if err != nil {
			if wrong == "" {
				wrong = fmt.Sprintf("Check %d: minutes %q is not a number.", i+1, r.Minutes)
			}
			continue
		}
		switch {
		case wrong != "":
		case strings.TrimSpace(check) == "":
			wrong = fmt.Sprintf("Check %d has no sentence: write what to check, or remove it.", i+1)
		case !(minutes >= 0 && minutes <= line.MostMinutes):
			wrong = fmt.Sprintf("Check %d: minutes %q must be from 0 to 100 000.", i+1, r.Minutes)
		}
		rows = append(rows, line.PlanRow{Check: check, Minutes: minutes, For: listed(r.For)})
	}
	return rows, wrong
}

// editPlan adds and removes rows, shows what a fault would list, or puts the plan in force.
func (s *server) editPlan(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	b, err := s.planBody(c)
	if err != nil {
		return err
	}
	rows, wrong := b.read(form)
	b.Fault, b.Changed = form.Get("fault"), true
	do, what, _ := strings.Cut(form.Get("do"), ":")
	switch do {
	case "row":
		b.Typed = append(b.Typed, planRow{})
	case "offer":
		for _, p := range b.Choices {
			if p.Key == what {
				b.Typed = append(b.Typed, planRow{p.Check, plain(p.Minutes), p.Key})
				rows = append(rows, line.PlanRow{Check: p.Check, Minutes: p.Minutes, For: []string{p.Key}})
			}
		}
	case "remove":
		if i, err := strconv.Atoi(what); err == nil && i >= 0 && i < len(b.Typed) {
			b.Typed = slices.Delete(b.Typed, i, i+1)
			again := url.Values{}
			for _, r := range b.Typed {
				again["check"], again["minutes"], again["for"] = append(again["check"], r.Check), append(again["minutes"], r.Minutes), append(again["for"], r.For)
			}
			b.Typed = nil
			rows, _ = b.read(again)
		}
	case "look":
	default:
		return s.savePlan(c, b, rows, wrong)
	}
	return s.showPlan(c, http.StatusOK, b, rows)
}

func (s *server) savePlan(c echo.Context, b planBody, rows []line.PlanRow, wrong string) error {
	if wrong != "" {
		b.Wrong = wrong
		return s.showPlan(c, http.StatusUnprocessableEntity, b, rows)
	}
	err := errNoName.orNone(c)
	if err == nil {
		_, err = s.Line.PutPlan(c.Request().Context(), person(c), b.Code, rows, strings.TrimSpace(c.FormValue("reason")))
	}
	if err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			b.Wrong = pages.Upper(p.Detail) + ": " + p.Remedy + "."
			return s.showPlan(c, p.Status, b, rows)
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(b.Code)+"/plan?done=plan")
}
