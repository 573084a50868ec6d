package api

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

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
	Of        string // product that the drivers go into
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
	if c.QueryParam("product") == "" {
		several, err := s.severalOf(ctx, line.StageDriver)
		if err != nil {
			return err
		}
		if several {
			_, err := s.whichProduct(c, line.StageDriver, "Drivers", "/drivers")
			return err
		}
	}
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
	b := driversBody{Product: setup.Code, Name: setup.Name, Of: setup.Of}
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
	Code     string // of the drivers' product
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
	b := studyBody{DriverStudy: st, Code: c.QueryParam("product"), Book: "/api/v1/drivers/study.xlsx?" + c.QueryString()}
	var plots []plot.EnvelopePlot
	for k, p := range st.Pairs {
		if len(plots) == 6 {
			break
		}
		plots = append(plots, differencePlot(st, k, p))
	}
	for i, p := range sameLevels(plots) {
		if t := p.Levels; len(t) > 1 { // a margin at the edge of the picture is not seen
			plots[i].Levels = plot.LevelTicks(min(t[0], -1.2*st.Margin), max(t[len(t)-1], 1.2*st.Margin), 9)
			p = plots[i]
		}
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
		Title: p.A + " minus " + p.B, Axis: st.Axis, Middle: "difference of the means", Bounds: "margin",
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
