package api

import (
	"html/template"
	"net/http"

	"alike/api/pages"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

type nowBody struct {
	line.Now
	Days      []nowDay
	NotPassed int
	Full      bool // there are more than were counted
}

type nowDay struct {
	line.DayNow
	Bar template.HTML // where units are too many to stand one by one
}

// nowPage answers: is the line all right? An empty database is shown how to begin.
func (s *server) nowPage(c echo.Context) error {
	n, err := s.Line.Now(c.Request().Context())
	if err != nil {
		return err
	}
	if len(n.Products) == 0 {
		return c.Redirect(http.StatusSeeOther, "/start")
	}
	body := nowBody{Now: n}
	for _, d := range n.Days {
		var shares []pages.Share
		for _, c := range d.Counts {
			shares = append(shares, pages.Share(c))
		}
		body.Days = append(body.Days, nowDay{d, pages.Shares(shares)})
	}
	for _, c := range n.Counts {
		body.NotPassed += c.Units
	}
	body.Full = body.NotPassed == line.MostCounted
	return s.show(c, http.StatusOK, "now", pages.View{Title: "Line", Here: "/", Live: true, Body: body})
}
