package api

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"
	"alike/reports/sheet"

	"github.com/labstack/echo/v4"
)

// A Study is a gauge study, or a comparison of rigs, with its plan and once measured
// its result.
type Study struct {
	Study     string       `json:"study"`
	Kind      string       `json:"kind"` // gauge, rigs
	Product   string       `json:"product"`
	Units     []string     `json:"units"`
	Operators []string     `json:"operators"` // or rigs
	Seatings  int          `json:"seatings"`
	Seed      int64        `json:"seed"`
	Reason    string       `json:"reason"`
	Author    string       `json:"author"`
	CreatedAt time.Time    `json:"created_at"`
	Runs      []StudyRun   `json:"runs,omitempty"`
	Measured  int          `json:"measured"`
	Of        int          `json:"of"`
	Result    []GaugeRow   `json:"result,omitempty"`
	Choices   []SeatingRow `json:"choices,omitempty"`
	Worth     int          `json:"seatings_worth,omitempty"`
	Warnings  []string     `json:"warnings,omitempty"`
}

// A StudyRun is one run of the plan, in the order in which it is to be done.
type StudyRun struct {
	Unit     string `json:"unit"`
	Operator string `json:"operator"`
	Seating  int    `json:"seating"`
	Measured bool   `json:"measured"`
}

// A GaugeRow is the result for one number per unit: standard deviations in dB.
type GaugeRow struct {
	Quantity         string `json:"quantity"`
	Channel          string `json:"channel"`
	Band             string `json:"band"`
	Repeatability    number `json:"repeatability"`
	Reproducibility  number `json:"reproducibility"`
	Gauge            number `json:"gauge"`
	Part             number `json:"part"`
	PercentStudy     number `json:"percent_study"`
	PercentTolerance number `json:"percent_tolerance"`
	Distinct         int    `json:"distinct_categories"`
	Mean             number `json:"mean"`  // sigma of the mean of the product's seatings
	Guard            number `json:"guard"` // dB
	Worth            int    `json:"seatings_worth"`
	Note             string `json:"note"`
}

// A SeatingRow is what a number of seatings gives.
type SeatingRow struct {
	Seatings int    `json:"seatings"`
	Sigma    number `json:"sigma"`
	Gain     number `json:"gain"`
	Effort   number `json:"effort"`
}

func (s *server) getStudies(c echo.Context) error {
	ctx := c.Request().Context()
	rows, err := s.DB.Site(s.Line.Site()).Studies(ctx)
	if err != nil {
		return err
	}
	out := struct {
		Studies []Study `json:"studies"`
	}{[]Study{}}
	for _, r := range rows {
		state, err := s.Line.Study(ctx, r.Study)
		if err != nil {
			return err
		}
		out.Studies = append(out.Studies, studyOf(state))
	}
	return c.JSON(http.StatusOK, out)
}

func studyOf(s line.StudyState) Study {
	return Study{
		Study: s.Study, Kind: s.Kind, Product: s.Product, Units: s.Units, Operators: s.Operators, Seatings: s.Trials, Seed: s.Seed,
		Reason: s.Reason, Author: s.Author, CreatedAt: s.CreatedAt, Measured: len(s.Done), Of: len(s.Runs),
	}
}

// options reads risk and times from the address.
func (s *server) options(c echo.Context) (line.ResultOptions, error) {
	var o line.ResultOptions
	if q := c.QueryParam("risk"); q != "" {
		v, err := strconv.ParseFloat(q, 64)
		if err != nil || !(v > 0 && v <= 0.5) {
			p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("risk %q is no share", q), "use a number above 0 and up to 0.5")
			p.Field = "risk"
			return o, p
		}
		o.Risk = v
	}
	return o, nil
}

func (s *server) gaugeSheet(c echo.Context) (line.StudyResult, line.StudyState, error) {
	code, err := pathPart(c, "study")
	if err != nil {
		return line.StudyResult{}, line.StudyState{}, err
	}
	o, err := s.options(c)
	if err != nil {
		return line.StudyResult{}, line.StudyState{}, err
	}
	ctx := c.Request().Context()
	state, err := s.Line.Study(ctx, code)
	if err != nil {
		return line.StudyResult{}, state, err
	}
	r, err := s.Line.GaugeSheet(ctx, code, o)
	return r, state, err
}

func (s *server) getStudy(c echo.Context) error {
	r, state, err := s.gaugeSheet(c)
	if err != nil {
		return err
	}
	out := studyOf(state)
	for _, x := range r.Runs {
		out.Runs = append(out.Runs, StudyRun{x.Unit, x.Operator, x.Trial, x.Done})
	}
	for _, x := range r.Rows {
		out.Result = append(out.Result, GaugeRow{
			x.Quantity, x.Channel, x.Label, number(x.Repeatability), number(x.Reproducibility), number(x.Gauge), number(x.Part),
			number(x.StudyPercent), number(x.TolPercent), x.Distinct, number(x.Mean), number(x.Guard), x.Best, x.Note,
		})
	}
	for _, x := range r.Choices {
		out.Choices = append(out.Choices, SeatingRow{x.Seatings, number(x.Sigma), number(x.Gain), number(x.Effort)})
	}
	out.Worth, out.Warnings = r.Best, r.Warnings
	return c.JSON(http.StatusOK, out)
}

func (s *server) getStudySheet(c echo.Context) error {
	r, _, err := s.gaugeSheet(c)
	if err != nil {
		return err
	}
	var file bytes.Buffer
	if err := sheet.WriteGauge(&file, r.Gauge, sheet.Options{Made: time.Now(), Program: "alike " + s.Version}); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf("attachment; filename*=UTF-8''%s.xlsx", url.PathEscape("study-"+r.Code)))
	return c.Blob(http.StatusOK, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", file.Bytes())
}

// getStudyPicture draws the result, or of a comparison of rigs the transfer curve.
func (s *server) getStudyPicture(c echo.Context) error {
	r, state, err := s.gaugeSheet(c)
	if err != nil {
		return err
	}
	plots := plot.OfGauge(r.Gauge)
	if state.Kind == line.RigsStudy {
		t, err := s.Line.Transfer(c.Request().Context(), state.Study, 0)
		if err != nil {
			return err
		}
		plots = plot.OfTransfer(t)
	}
	for _, p := range plots {
		if p.Channel != c.QueryParam("channel") {
			continue
		}
		var svg bytes.Buffer
		if err := plot.Envelope(&svg, p); err != nil {
			return err
		}
		return c.Blob(http.StatusOK, "image/svg+xml", svg.Bytes())
	}
	if len(plots) == 0 {
		return newProblem(http.StatusConflict, "the study is not measured yet", "see which runs are left at the study's own address")
	}
	return newProblem(http.StatusNotFound, fmt.Sprintf("the study has no channel %q", c.QueryParam("channel")), "name a channel of the product")
}

// A TransferRow is one band of one channel: reading on one rig minus reading on the
// other, in dB.
type TransferRow struct {
	Channel string `json:"channel"`
	Band    string `json:"band"`
	Units   int    `json:"units"`
	Mean    number `json:"difference"`
	U       number `json:"uncertainty"`
	Low     number `json:"low"`
	High    number `json:"high"`
	UnitU   number `json:"unit_uncertainty"`
	Differs bool   `json:"differs"`
}

func (s *server) getTransfer(c echo.Context) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	t, err := s.Line.Transfer(c.Request().Context(), code, 0)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, transferOf(t))
}

type transferAnswer struct {
	Study      string        `json:"study"`
	From       string        `json:"from"`
	To         string        `json:"to"`
	Units      int           `json:"units"`
	Confidence float64       `json:"confidence"`
	Rows       []TransferRow `json:"rows"`
	Warnings   []string      `json:"warnings"`
}

func transferOf(t reports.Transfer) transferAnswer {
	out := transferAnswer{t.Code, t.From, t.To, t.Units, t.Confidence, []TransferRow{}, append([]string{}, t.Warnings...)}
	for _, r := range t.Rows {
		out.Rows = append(out.Rows, TransferRow{r.Channel, r.Label, r.N, number(r.Mean), number(r.U), number(r.Low), number(r.High), number(r.UnitU), r.Differs})
	}
	return out
}

func (s *server) postStudy(c echo.Context) error {
	var in struct {
		Study     string   `json:"study"`
		Kind      string   `json:"kind"`
		Product   string   `json:"product"`
		Units     []string `json:"units"`
		Operators []string `json:"operators"`
		Seatings  int      `json:"seatings"`
		Seed      uint64   `json:"seed"`
		Reason    string   `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	ctx := c.Request().Context()
	if err := s.Line.AddStudy(ctx, by(c), line.StudyPlan{
		Code: in.Study, Product: in.Product, Kind: in.Kind, Units: in.Units, By: in.Operators, Trials: in.Seatings, Seed: in.Seed, Reason: in.Reason,
	}); err != nil {
		return err
	}
	state, err := s.Line.Study(ctx, in.Study)
	if err != nil {
		return err
	}
	out := studyOf(state)
	for _, r := range state.Runs {
		out.Runs = append(out.Runs, StudyRun{Unit: r.Part, Operator: r.Operator, Seating: r.Trial})
	}
	return c.JSON(http.StatusCreated, out)
}

// putInForce answers the two uses of a study.
func (s *server) putInForce(c echo.Context, do func(code string, o line.ResultOptions, reason string) (int, error)) error {
	var in struct {
		Reason      string  `json:"reason"`
		Risk        float64 `json:"risk"`
		SeatingRisk float64 `json:"seating_risk"`
	}
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	v, err := do(code, line.ResultOptions{Risk: in.Risk, SeatingRisk: in.SeatingRisk}, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, map[string]int{"version": v})
}

func (s *server) postGuard(c echo.Context) error {
	return s.putInForce(c, func(code string, o line.ResultOptions, reason string) (int, error) {
		v, _, err := s.Line.GuardFromStudy(c.Request().Context(), by(c), code, o, reason)
		return v, err
	})
}

func (s *server) postSeating(c echo.Context) error {
	return s.putInForce(c, func(code string, o line.ResultOptions, reason string) (int, error) {
		v, _, err := s.Line.SeatingFromStudy(c.Request().Context(), by(c), code, o, reason)
		return v, err
	})
}
