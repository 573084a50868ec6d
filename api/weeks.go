package api

import (
	"bytes"
	"net/http"
	"time"

	"alike/internal/access"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/sheet"

	"github.com/labstack/echo/v4"
)

func (s *server) weeksReport(c echo.Context) (reports.Weeks, error) {
	weeks, err := whole(c, "weeks", line.UsualWeeks, 1, line.MostWeeks)
	if err != nil {
		return reports.Weeks{}, err
	}
	until, err := line.ReadDay(c.QueryParam("until"))
	if err != nil {
		return reports.Weeks{}, fieldProblem("until", err.Error(), "write it as 2026-09-30")
	}
	// Other workshops are the licensor's business, and of who works without sign-in.
	k := callerOf(c)
	all := k.actor == "" || k.role == access.Licensor
	return s.Line.Weeks(c.Request().Context(), all, until, weeks, s.Version)
}

// getWeeks answers the weekly report over workshops and lots as a spreadsheet.
func (s *server) getWeeks(c echo.Context) error {
	r, err := s.weeksReport(c)
	if err != nil {
		return err
	}
	var file bytes.Buffer
	if err := sheet.WriteWeeks(&file, r, sheet.Options{Made: time.Now(), Program: "alike " + s.Version}); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, `attachment; filename="weeks.xlsx"`)
	return c.Blob(http.StatusOK, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", file.Bytes())
}

func (s *server) getWeeksTwin(c echo.Context) error {
	r, err := s.weeksReport(c)
	if err != nil {
		return err
	}
	twin, err := r.Twin()
	if err != nil {
		return err
	}
	return c.JSONBlob(http.StatusOK, twin)
}
