package api

import (
	"fmt"
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

// streamRows is how many units the page's table holds.
const streamRows = 25

// A streamBody is what the page of a stream shows.
type streamBody struct {
	Product, Key, Title, Unit string
	Streams                   []line.Stream
	Positive                  bool
	Fixed                     bool   // not the newest units
	Query                     string // of the addresses below /api/v1
	Units                     int
	Sections                  []string // limits in words
	Rules                     []streamRule
	Rows                      []chartRow // newest first
	Earlier, Newest           string     // addresses
}

type streamRule struct {
	Number         int
	Sign, Sentence string
}

type chartRow struct {
	Serial, Lot, Limits string
	Value, Moving       string
	Signals             string // numbers of the rules that fired, with their keys
}

// streamPage shows one stream's control chart.
func (s *server) streamPage(c echo.Context) error {
	product, err := param(c, "product")
	if err != nil {
		return err
	}
	key, err := param(c, "*")
	if err != nil {
		return err
	}
	upTo, err := placeParam(c, "up_to")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	setup, err := s.Line.Setup(ctx, product)
	if err != nil {
		return err
	}
	v, err := s.Line.StreamView(ctx, product, key, upTo, streamUsual)
	if err != nil {
		return err
	}
	q := url.Values{"product": {product}, "stream": {key}}
	b := streamBody{
		Product: product, Key: key, Title: v.Title, Unit: v.Unit, Streams: setup.StreamList, Positive: v.Of.Positive(), Units: len(v.Values),
		Newest: pages.StreamPath(product, key),
	}
	if b.Fixed = c.QueryParam("up_to") != ""; b.Fixed {
		q.Set("up_to", c.QueryParam("up_to"))
	}
	b.Query = q.Encode()
	b.fill(v)
	as, err := s.readAs(ctx, product)
	if err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "stream", pages.View{
		ReadAs: as, Title: v.Title, Here: "/drift", Base: "plot-uplot.css", Style: "stream.css", Script: "plot-uplot.js", Module: "stream.mjs", Live: !b.Fixed, Body: b,
	})
}

func (b *streamBody) fill(v line.StreamView) {
	for _, sec := range v.Stream.Sections {
		text := fmt.Sprintf("From %s on %s", v.Serials[sec.First], sec.Name)
		if plot.Finite(sec.Center) {
			text += fmt.Sprintf(": centre %s, limits %s and %s %s; mean moving range %s dB, its limit %s dB", plot.Level(sec.Center, 0.01),
				plot.Level(sec.Lower, 0.01), plot.Level(sec.Upper, 0.01), v.Unit, plot.Level(sec.RangeMean, 0.01), plot.Level(sec.RangeHigh, 0.01))
		}
		b.Sections = append(b.Sections, text+".")
	}
	chart := reports.Chart{Serials: v.Serials, Values: v.Values, Marks: v.Marks}
	fired := map[int]string{}
	for _, r := range plot.Rules(chart) {
		b.Rules = append(b.Rules, streamRule{r.Number, r.Sign, r.Sentence(chart)})
		for _, i := range r.Points {
			if fired[i] != "" {
				fired[i] += ", "
			}
			fired[i] += fmt.Sprintf("%d %s", r.Number, r.Rule)
		}
	}
	n := len(v.Values)
	for i := n - 1; i >= max(0, n-streamRows); i-- {
		sec, _ := v.SectionAt(i)
		b.Rows = append(b.Rows, chartRow{v.Serials[i], v.Lots[i], sec.Name, pages.Number(v.Values[i], 2), pages.Number(v.Moving[i], 2), fired[i]})
	}
	if first := max(0, n-streamRows); n > 0 && (first > 0 || v.Earlier) {
		b.Earlier = b.Newest + "?up_to=" + strconv.FormatInt(v.Places[first]-1, 10) + "#table"
	}
}

// streamChoice leads to the page of the stream chosen in a form.
func (s *server) streamChoice(c echo.Context) error {
	product, key := c.QueryParam("product"), strings.TrimSpace(c.QueryParam("stream"))
	setup, err := s.Line.Setup(c.Request().Context(), product)
	if err != nil {
		return err
	}
	if key == "" {
		key = setup.StreamList[0].Key
	}
	return c.Redirect(http.StatusSeeOther, pages.StreamPath(setup.Code, key))
}
