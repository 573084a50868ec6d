package api

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

const (
	lotsPerPage = 50
	lotChoices  = 200 // in the form that compares two
	lotMarks    = 600 // units of a lot that are shown one by one
)

type lotsBody struct {
	Lots  []lotLine
	More  string
	First bool
	Names []string

	Sampled []string // products with a sampling plan
	Form    sampleForm
	Wrong   string
}

type lotLine struct {
	store.LotRow
	Share float64
	State string // where it stands
}

// lotsPage lists the lots, newest first.
func (s *server) lotsPage(c echo.Context) error {
	return s.showLots(c, http.StatusOK, sampleForm{}, "")
}

func (s *server) showLots(c echo.Context, status int, form sampleForm, wrong string) error {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	b := lotsBody{First: true, Form: form, Wrong: wrong}
	opened, lot := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), ""
	if t, err := time.Parse(time.RFC3339Nano, c.QueryParam("before")); err == nil {
		opened, lot, b.First = t, c.QueryParam("lot"), false
	}
	rows, err := site.LotsBefore(ctx, opened, lot, lotsPerPage)
	if err != nil {
		return err
	}
	states, err := site.LotStates(ctx)
	if err != nil {
		return err
	}
	for _, r := range rows {
		r.OpenedAt = r.OpenedAt.In(zone)
		l := lotLine{LotRow: r, Share: share(r.FirstPass, r.Judged), State: line.LotOpen}
		if st, ok := states[r.Lot]; ok {
			l.State = st.State
			if st.Outcome != "" {
				l.State += ": " + st.Outcome
			}
		}
		b.Lots = append(b.Lots, l)
	}
	if b.Sampled, err = s.Line.SampledProducts(ctx); err != nil {
		return err
	}
	if n := len(rows); n == lotsPerPage {
		b.More = "/lots?" + url.Values{"before": {rows[n-1].OpenedAt.UTC().Format(time.RFC3339Nano)}, "lot": {rows[n-1].Lot}}.Encode()
	}
	if b.Names, err = site.LotNames(ctx, "", lotChoices); err != nil {
		return err
	}
	return s.show(c, status, "lots", pages.View{Title: "Lots", Here: "/lots", Live: true, Body: b})
}

func share(good, of int) float64 {
	if of == 0 {
		return nan
	}
	return float64(good) / float64(of)
}

type lotBody struct {
	reports.Lot
	ProductCode string
	StreamKeys  map[string]string // by title
	Report      string
	Pictures    []picture
	Charts      []lotChart
	NotPassed   []reports.UnitRow
	Marks       []reports.UnitRow // the units one by one, empty when there are too many
	Bar         template.HTML
	Names       []string // of other lots to compare with
	Balance     *picture
	Ships       bool // decided to ship, and the decision fits the data
	Decide      decideBody
}

type lotChart struct {
	Title   string
	Picture template.HTML
}

// lotPage answers: may this lot go?
func (s *server) lotPage(c echo.Context) error {
	code, err := param(c, "lot")
	if err != nil {
		return err
	}
	return s.showLot(c, http.StatusOK, code, stepForm{}, "")
}

// showLot shows a lot with what was typed on its page, and what was wrong with it.
func (s *server) showLot(c echo.Context, status int, code string, form stepForm, wrong string) error {
	ctx := c.Request().Context()
	l, err := s.Line.LotReport(ctx, code, s.Version)
	if err != nil {
		return err
	}
	site := s.DB.Site(s.Line.Site())
	row, err := site.Lot(ctx, code)
	if err != nil {
		return err
	}
	b := lotBody{Lot: l, ProductCode: row.Product, Report: reportPath(code)}
	if b.Names, err = site.LotNames(ctx, row.Product, lotChoices); err != nil {
		return err
	}
	setup, err := s.Line.Setup(ctx, row.Product)
	if err != nil {
		return err
	}
	b.StreamKeys = map[string]string{}
	for _, st := range setup.StreamList {
		b.StreamKeys[st.Title] = st.Key
	}
	if b.Decide, err = deciding(l, setup); err != nil {
		return err
	}
	b.Decide.Form, b.Decide.Wrong = form, wrong
	b.Ships = line.Ships(l) == nil
	b.units()
	if err := b.draw(); err != nil {
		return err
	}
	as, err := s.readAs(ctx, row.Product)
	if err != nil {
		return err
	}
	return s.show(c, status, "lot", pages.View{ReadAs: as, Title: "Lot " + code, Here: "/lots", Live: true, Body: b})
}

func (b *lotBody) units() {
	n := b.Counts
	for _, u := range b.Units {
		if u.Last != "pass" {
			b.NotPassed = append(b.NotPassed, u)
		}
	}
	if len(b.Units) <= lotMarks {
		b.Marks = b.Units
		return
	}
	b.Bar = pages.Shares([]pages.Share{
		{Word: "pass", Units: n.Pass}, {Word: "fail", Units: n.Fail}, {Word: "doubtful", Units: n.Doubtful},
		{Word: "reseat", Units: n.Reseat}, {Word: "hold", Units: n.Hold}, {Word: "waiting", Units: n.Waiting},
	})
	b.NotPassed = b.NotPassed[:min(len(b.NotPassed), lotMarks)]
}

func (b *lotBody) draw() error {
	for _, p := range plot.OfLot(b.Lot) {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	if p, _, ok := plot.BalanceOf(b.Lot); ok {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Balance = &pic
	}
	for _, ch := range b.Lot.Charts {
		var w strings.Builder
		if err := plot.Control(&w, ch); err != nil {
			return err
		}
		b.Charts = append(b.Charts, lotChart{ch.Stream, template.HTML(w.String())}) // the writer escapes every text
	}
	return nil
}

type compareBody struct {
	line.LotComparison
	Pictures []picture
	Rows     []compareRow
}

type compareRow struct {
	Band  string
	Cells []compareCell
}

type compareCell struct {
	Diff, Low, High float64
	Differs         bool
}

// comparePage holds two lots against each other.
func (s *server) comparePage(c echo.Context) error {
	first, second := c.QueryParam("first"), c.QueryParam("second")
	if first == "" || second == "" {
		return c.Redirect(http.StatusSeeOther, "/lots#compare")
	}
	cmp, err := s.Line.CompareLots(c.Request().Context(), first, second)
	if err != nil {
		return err
	}
	b := compareBody{LotComparison: cmp}
	var plots []plot.EnvelopePlot
	for _, ch := range cmp.Channels {
		p := framed(cmp.Setup, ch.Name)
		p.Title = fmt.Sprintf("%s minus %s, %s", second, first, ch.Name)
		p.Areas = []plot.Area{{Name: "95 % interval", Low: ch.Low, High: ch.High}}
		p.Center, p.Middle = ch.Diff, "difference of means"
		p.Description = fmt.Sprintf("Difference of the mean deviation of lot %s and lot %s, %s channel, in dB over frequency in Hz. The table below has the numbers.", second, first, ch.Name)
		plots = append(plots, p)
	}
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	for i, band := range cmp.Setup.Band {
		r := compareRow{Band: band.Name()}
		for _, ch := range cmp.Channels {
			r.Cells = append(r.Cells, compareCell{ch.Diff[i], ch.Low[i], ch.High[i], ch.P[i] <= 0.05})
		}
		b.Rows = append(b.Rows, r)
	}
	as, err := s.readAs(c.Request().Context(), cmp.Setup.Code)
	if err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "compare", pages.View{ReadAs: as, Title: first + " and " + second, Here: "/lots", Body: b})
}
