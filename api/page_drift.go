package api

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"alike/api/pages"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// driftRows is how many units a page of the map's table holds.
const driftRows = 25

// A driftBody is what the drift page shows.
type driftBody struct {
	Product  string
	Products []string
	Groups   []string // blocks of rows
	Group    string   // chosen for the table
	Source   string   // address of the map's data
	Fixed    bool     // not the newest units: the map does not renew itself
	Newest   string   // address of the newest units
	Map      string   // address of the map of what the table shows
	Table    *driftTable
}

// A driftTable is a part of the map as text: a row per unit, newest first.
type driftTable struct {
	Heads          []string
	Rows           []driftRow
	Held           []string // what the scores are held against
	Newer, Earlier string   // addresses of the pages beside it
}

type driftRow struct {
	Serial, Lot, Verdict string
	Cells                []driftCell
}

type driftCell struct{ Score, Fired string }

// driftPage shows the drift map, or the same as a table.
func (s *server) driftPage(c echo.Context) error {
	b := driftBody{Product: c.QueryParam("product"), Group: c.QueryParam("rows")}
	if err := s.chooseProduct(c, &b.Product, &b.Products); err != nil {
		return err
	}
	v := pages.View{Title: "Drift map", Here: "/drift", Style: "drift.css", Body: &b}
	if b.Product == "" {
		return s.show(c, http.StatusOK, "drift", v)
	}
	upTo, err := placeParam(c, "up_to")
	if err != nil {
		return err
	}
	setup, err := s.Line.Setup(c.Request().Context(), b.Product)
	if err != nil {
		return err
	}
	if v.ReadAs, err = s.readAs(c.Request().Context(), b.Product); err != nil {
		return err
	}
	for _, st := range setup.StreamList {
		if n := len(b.Groups); n == 0 || b.Groups[n-1] != st.Group() {
			b.Groups = append(b.Groups, st.Group())
		}
	}
	at := url.Values{"product": {b.Product}}
	b.Newest = "/drift?" + at.Encode()
	if b.Fixed = c.QueryParam("up_to") != ""; b.Fixed {
		at.Set("up_to", c.QueryParam("up_to"))
	}
	b.Source, b.Map = "/api/v1/drift?"+at.Encode(), "/drift?"+at.Encode()
	if c.QueryParam("view") != "table" {
		v.Module, v.Live = "drift.mjs", true
		return s.show(c, http.StatusOK, "drift", v)
	}
	if b.Group == "" {
		b.Group = b.Groups[0]
	}
	v.Title = "Drift map as a table"
	if b.Table, err = s.driftTable(c, b, upTo); err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "drift", v)
}

// chooseProduct fills in the product a page is about: the one asked for, else the
// first there is.
func (s *server) chooseProduct(c echo.Context, product *string, all *[]string) error {
	rows, err := s.DB.Site(s.Line.Site()).Products(c.Request().Context())
	for _, r := range rows {
		*all = append(*all, r.Product)
	}
	if *product == "" && len(rows) > 0 {
		*product = rows[0].Product
	}
	return err
}

func (s *server) driftTable(c echo.Context, b driftBody, upTo int64) (*driftTable, error) {
	d, err := s.Line.Drift(c.Request().Context(), b.Product, upTo, driftRows)
	if err != nil {
		return nil, err
	}
	var t driftTable
	var rows []int
	for i, st := range d.Streams {
		if st.Group() == b.Group {
			rows, t.Heads = append(rows, i), append(t.Heads, st.Title)
		}
	}
	for i := len(d.Units) - 1; i >= 0; i-- {
		u := d.Units[i]
		r := driftRow{Serial: u.Serial, Lot: u.Lot, Verdict: u.Verdict}
		for _, row := range rows {
			r.Cells = append(r.Cells, driftCellOf(d, row, i))
		}
		t.Rows = append(t.Rows, r)
	}
	for _, sec := range d.Sections {
		t.Held = append(t.Held, heldAgainst(sec, d.Units[sec.First].Serial))
	}
	at := func(place int64) string {
		return "/drift?" + url.Values{"product": {b.Product}, "view": {"table"}, "rows": {b.Group}, "up_to": {strconv.FormatInt(place, 10)}}.Encode()
	}
	if d.Earlier {
		t.Earlier = at(d.Units[0].Place - 1)
	}
	if n := len(d.Units); n > 0 && b.Fixed {
		t.Newer = at(d.Units[n-1].Place + driftRows)
	}
	return &t, nil
}

func driftCellOf(d line.Drift, row, i int) driftCell {
	at := row*len(d.Units) + i
	var out driftCell
	switch z := d.Scores[at]; z {
	case line.NoScore:
		out.Score = "–"
	case 127, -127:
		out.Score = "beyond " + pages.Signed(float64(z)/10)
	default:
		out.Score = pages.Signed(float64(z) / 10)
	}
	for bit, key := range line.RuleKeys {
		if d.Fired[at]>>bit&1 == 1 {
			if out.Fired != "" {
				out.Fired += ", "
			}
			out.Fired += string(key)
		}
	}
	return out
}

func heldAgainst(sec line.DriftSection, serial string) string {
	if sec.Version == 0 {
		return fmt.Sprintf("From %s on: no limit set was in force. These units are held against the median and the spread (1.4826 times the median absolute deviation) of the first %d of them at most.", serial, line.OwnMost)
	}
	return fmt.Sprintf("From %s on: limit set %d (%s). Its limits lie at ±%.1f sigmas.", serial, sec.Version, sec.Reason, sec.Width)
}
