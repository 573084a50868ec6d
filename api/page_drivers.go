package api

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

type driversBody struct {
	Product   string
	Name      string
	Batches   []line.DriverBatch
	Suppliers []string
	Pairings  []store.PairingRow
	Tolerance float64
	Margin    float64
	Said      string
}

// driversPage answers: which drivers are here, and what can be done with them?
func (s *server) driversPage(c echo.Context) error {
	ctx := c.Request().Context()
	setup, err := s.Line.DriverSetup(ctx, c.QueryParam("product"))
	if err != nil {
		if problem(err).Status == http.StatusNotFound && c.QueryParam("product") == "" {
			return s.show(c, http.StatusOK, "drivers", pages.View{Title: "Drivers", Here: "/drivers", Body: driversBody{}})
		}
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	b := driversBody{Product: setup.Code, Name: setup.Name}
	b.Tolerance, b.Margin = setup.PairSettings()
	if b.Batches, err = s.Line.DriverBatches(ctx, setup.Code); err != nil {
		return err
	}
	for _, r := range b.Batches {
		if r.Supplier != "" && r.Measured > 0 && !slices.Contains(b.Suppliers, r.Supplier) {
			b.Suppliers = append(b.Suppliers, r.Supplier)
		}
	}
	if b.Pairings, err = s.DB.Site(s.Line.Site()).Pairings(ctx, setup.Code); err != nil {
		return err
	}
	for i := range b.Pairings {
		b.Pairings[i].MadeAt = b.Pairings[i].MadeAt.In(zone)
	}
	slices.Reverse(b.Pairings)
	if c.QueryParam("done") == "withdrawn" {
		b.Said = "The pairing is withdrawn. Its drivers are free again."
	}
	return s.show(c, http.StatusOK, "drivers", pages.View{Title: "Drivers", Here: "/drivers", Body: b})
}

type driverBatchBody struct {
	Product, Batch, Supplier string
	Metrics                  []line.Metric
	Drivers                  []driverRow
}

type driverRow struct {
	line.Driver
	Look, State, Text string
	Numbers           []string
}

// driverBatchPage lists the drivers of one batch.
func (s *server) driverBatchPage(c echo.Context) error {
	batch, err := param(c, "batch")
	if err != nil {
		return err
	}
	drivers, setup, err := s.Line.Drivers(c.Request().Context(), c.QueryParam("product"), []string{batch})
	if err != nil {
		return err
	}
	b := driverBatchBody{Product: setup.Code, Batch: batch, Supplier: drivers[0].Supplier, Metrics: setup.Metrics}
	for _, d := range drivers {
		r := driverRow{Driver: d, Look: "waiting", State: "not checked", Text: strings.Join(d.NotChecked, ", ")}
		switch {
		case d.Good:
			r.Look, r.State, r.Text = "pass", "good", ""
		case d.Bad:
			r.Look, r.State, r.Text = "fail", "bad", strings.Join(d.Faults, "; ")
		}
		for _, m := range setup.Metrics {
			text := pages.Missing
			if v, ok := d.Values[m.Key]; ok {
				text = strconv.FormatFloat(v, 'g', 5, 64)
			}
			r.Numbers = append(r.Numbers, text)
		}
		b.Drivers = append(b.Drivers, r)
	}
	return s.show(c, http.StatusOK, "driverbatch", pages.View{Title: "Batch " + batch, Here: "/drivers", Body: b})
}

type studyBody struct {
	reports.DriverStudy
	Pictures []picture
	Book     string // address of the workbook
	Rows     []studyRow
}

type studyRow struct {
	Name  string
	Cells []reports.Difference
}

// studyPage compares the batches or suppliers that were chosen.
func (s *server) studyPage(c echo.Context) error {
	q := c.QueryParams()
	if len(q["batch"])+len(q["supplier"]) == 0 {
		return c.Redirect(http.StatusSeeOther, "/drivers#compare")
	}
	st, err := s.study(c)
	if err != nil {
		return err
	}
	b := studyBody{DriverStudy: st, Book: "/api/v1/drivers/study.xlsx?" + c.QueryString()}
	var plots []plot.EnvelopePlot
	for k, p := range st.Pairs {
		if len(plots) == 6 {
			break
		}
		plots = append(plots, differencePlot(st, k, p))
	}
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	for _, band := range st.Bands {
		b.Rows = append(b.Rows, studyRow{band.Name, band.Pairs})
	}
	title := "Drivers of "
	for i, g := range st.Groups {
		if i > 0 {
			title += ", "
		}
		title += g.Name
	}
	return s.show(c, http.StatusOK, "driverstudy", pages.View{Title: title, Here: "/drivers", Body: b})
}

// differencePlot draws a pair of groups: difference, interval and margin.
func differencePlot(st reports.DriverStudy, k int, p reports.GroupPair) plot.EnvelopePlot {
	out := plot.EnvelopePlot{
		Title: p.A + " minus " + p.B, Axis: st.Axis, Middle: "difference of the means",
		Description: fmt.Sprintf("Mean level of %s minus that of %s in dB over frequency in Hz, with its interval, between the margins of %.3g dB. The table below has the numbers.", p.A, p.B, st.Margin),
	}
	area := plot.Area{Name: "interval, all pairs together"}
	for _, c := range st.Bands {
		d := c.Pairs[k]
		out.Center = append(out.Center, d.Difference)
		area.Low, area.High = append(area.Low, d.Low), append(area.High, d.High)
		out.Lower, out.Upper = append(out.Lower, -c.Margin), append(out.Upper, c.Margin)
	}
	out.Areas = []plot.Area{area}
	return out
}

type pairsBody struct {
	reports.PickList
	Code      string // of the drivers' product
	Kept      bool
	InForce   bool
	Form      url.Values // of a proposal, to keep it by
	Batches   []string
	By, Wrong string
	Said      string
}

// proposalPage shows the best pairing of the batches that were chosen, not kept.
func (s *server) proposalPage(c echo.Context) error {
	b, err := s.proposal(c, c.QueryParams())
	if err != nil {
		return err
	}
	return s.showPairs(c, http.StatusOK, b)
}

func (s *server) showPairs(c echo.Context, status int, b pairsBody) error {
	title := "Pairs, not kept"
	if b.Kept {
		title = fmt.Sprintf("Pairing %d", b.Number)
	}
	return s.show(c, status, "pairs", pages.View{Title: title, Here: "/drivers", Body: b})
}

// proposal reads what a form asks for and finds the best pairing.
func (s *server) proposal(c echo.Context, form url.Values) (pairsBody, error) {
	b := pairsBody{Form: form, Batches: form["batch"], By: strings.TrimSpace(form.Get("by"))}
	r, err := pairRequest(form)
	if err != nil {
		return b, err
	}
	plan, err := s.Line.PlanPairs(c.Request().Context(), r)
	if err != nil {
		return b, err
	}
	b.PickList, b.Code = plan.List, form.Get("product")
	return b, nil
}

func pairRequest(form url.Values) (line.PairRequest, error) {
	r := line.PairRequest{Product: form.Get("product"), Batches: form["batch"], UncheckedToo: form.Get("unchecked") != ""}
	if text := strings.Replace(strings.TrimSpace(form.Get("tolerance")), ",", ".", 1); text != "" {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			p := newProblem(http.StatusUnprocessableEntity, text+" is not a tolerance", "write a number of dB, such as 0.5")
			p.Field = "tolerance"
			return r, p
		}
		r.Tolerance = v
	}
	for text := range strings.FieldsFuncSeq(form.Get("excluded"), func(r rune) bool { return strings.ContainsRune(" ,;\n\r\t", r) }) {
		r.Excluded = append(r.Excluded, text)
	}
	return r, nil
}

// keepPairs stores the pairing that was shown, under a name.
func (s *server) keepPairs(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	by := person(c)
	if by.Actor == "" {
		b, err := s.proposal(c, form)
		if err != nil {
			return err
		}
		b.Wrong = "give your name: a pairing without one cannot be asked about"
		return s.showPairs(c, http.StatusUnprocessableEntity, b)
	}
	r, err := pairRequest(form)
	if err != nil {
		return err
	}
	plan, err := s.Line.KeepPairs(c.Request().Context(), by, r)
	if err != nil {
		return err
	}
	q := url.Values{"done": {"kept"}}
	if r.Product != "" {
		q.Set("product", r.Product)
	}
	return c.Redirect(http.StatusSeeOther, fmt.Sprintf("/drivers/pairings/%d?%s", plan.List.Number, q.Encode()))
}

// pairingPage shows a kept pairing, and what was built by it.
func (s *server) pairingPage(c echo.Context) error {
	l, err := s.pickList(c)
	if err != nil {
		return err
	}
	b := pairsBody{PickList: l, Kept: true, InForce: l.Withdrawn == "", Code: c.QueryParam("product")}
	if c.QueryParam("done") == "kept" {
		b.Said = "The pairing is kept. Its drivers are spoken for."
	}
	return s.showPairs(c, http.StatusOK, b)
}

// withdrawPairs gives a pairing up.
func (s *server) withdrawPairs(c echo.Context) error {
	n, err := pathNumber(c, "pairing")
	if err != nil {
		return err
	}
	by, product := person(c), c.FormValue("product")
	reason := strings.TrimSpace(c.FormValue("reason"))
	if by.Actor == "" || reason == "" {
		l, err := s.Line.PickList(c.Request().Context(), product, n)
		if err != nil {
			return err
		}
		b := pairsBody{PickList: l, Kept: true, InForce: l.Withdrawn == "", Code: product, By: by.Actor, Wrong: "give your name and the reason"}
		return s.showPairs(c, http.StatusUnprocessableEntity, b)
	}
	if err := s.Line.WithdrawPairs(c.Request().Context(), by, product, n, reason); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/drivers?"+url.Values{"product": {product}, "done": {"withdrawn"}}.Encode())
}

// Book is the address of the pick list's workbook.
func (b pairsBody) Book() string {
	q := ""
	if b.Code != "" {
		q = "?product=" + url.QueryEscape(b.Code)
	}
	return fmt.Sprintf("/api/v1/drivers/pairings/%d/picks.xlsx%s", b.Number, q)
}

// Made is when the pairing was kept.
func (b pairsBody) Made() time.Time { return b.MadeAt }
