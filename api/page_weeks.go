package api

import (
	"bytes"
	"net/http"
	"net/url"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

type weeksBody struct {
	reports.Weeks
	Count   int
	Day     string // until, as asked
	Own     string // name of this workshop: its lots and findings have pages here
	Several bool
	Yields  *picture
	Table   []weekLine
	File    string // address of the spreadsheet
}

// A weekLine is one product at one workshop, week after week.
type weekLine struct {
	Site, Product string
	Asked         float64
	Cells         []*reports.WeekRow // nil where nothing was measured
}

// weeksPage answers: how do the weeks go, here or in all workshops, and what needs a look?
func (s *server) weeksPage(c echo.Context) error {
	r, err := s.weeksReport(c)
	if err != nil {
		return err
	}
	site, err := s.site(c.Request().Context())
	if err != nil {
		return err
	}
	b := weeksBody{Weeks: r, Count: len(r.Names), Day: strings.TrimSpace(c.QueryParam("until")), Own: site.Name, Several: len(r.Sites) > 1, Table: weekLines(r)}
	b.File = "/api/v1/weeks.xlsx?" + url.Values{"weeks": {c.QueryParam("weeks")}, "until": {b.Day}}.Encode()
	for _, row := range r.Rows {
		if row.First.Of > 0 {
			b.Yields, err = twice(func(w *bytes.Buffer, width float64) error { return plot.Yields(w, r, width) })
			break
		}
	}
	if err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "weeks", pages.View{Title: "Weeks", Here: "/lots", Body: b})
}

// weekLines puts the rows of each product at each workshop beside each other.
func weekLines(r reports.Weeks) []weekLine {
	index := map[string]int{}
	for i, name := range r.Names {
		index[name] = i
	}
	var out []weekLine
	for i := range r.Rows {
		row := &r.Rows[i]
		if n := len(out); n == 0 || out[n-1].Site != row.Site || out[n-1].Product != row.Product {
			out = append(out, weekLine{Site: row.Site, Product: row.Product, Asked: row.Asked, Cells: make([]*reports.WeekRow, len(r.Names))})
		}
		out[len(out)-1].Cells[index[row.Week]] = row
	}
	return out
}

// EyePath is the page of what needs a look; empty for other workshops, which have none here.
func (b weeksBody) EyePath(e reports.Eye) string {
	if e.Site != b.Own {
		return ""
	}
	switch what, which, _ := strings.Cut(e.About, " "); what {
	case "finding":
		return "/findings/" + which
	case "lot":
		return pages.LotPath(which)
	}
	return pages.ProductPath(e.About)
}

// LotStands says in words where a lot stands.
func (weeksBody) LotStands(l reports.WeekLot) string {
	if l.State == line.LotDecided {
		return l.Outcome + " by " + l.Who
	}
	return l.State
}
