package api

import (
	"bytes"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports/plot"
	"alike/spc/cause"

	"github.com/labstack/echo/v4"
)

type faultsBody struct {
	line.KnownFaults
	Code     string
	Cards    []faultCard
	GoneBy   []faultCard
	Learnt   []line.KnownFault // that can be withdrawn
	Kinds    []string          // of part
	Seatings int
	Sides    []string
	Form     url.Values
	Wrong    map[string]string // by form
	Said     string
}

// A faultCard is a known fault with its small picture.
type faultCard struct {
	line.KnownFault
	Picture template.HTML
}

// faultsPage answers: which faults does this product know, where from, and which of them
// are confused?
func (s *server) faultsPage(c echo.Context) error { return s.showFaults(c, http.StatusOK, "", "") }

func (s *server) showFaults(c echo.Context, status int, form, wrong string) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	k, err := s.Line.KnownFaults(c.Request().Context(), code)
	if err != nil {
		return err
	}
	b := faultsBody{KnownFaults: k, Code: code, Form: c.Request().Form, Wrong: map[string]string{form: wrong}, Seatings: k.Setup.Seatings, Sides: append([]string{line.Both}, k.Setup.Channels...)}
	if b.Form == nil {
		b.Form = url.Values{}
	}
	for _, p := range k.Setup.Components {
		b.Kinds = append(b.Kinds, p.Kind)
	}
	if b.Cards, err = cards(k, k.Faults); err != nil {
		return err
	}
	if b.GoneBy, err = cards(k, k.Gone); err != nil {
		return err
	}
	for _, f := range k.Faults {
		if f.Learnt != nil {
			b.Learnt = append(b.Learnt, f)
		}
	}
	switch c.QueryParam("done") {
	case "learnt":
		b.Said = "The fault is known from now on. Verdicts given before and the reports of decided lots stand."
	case "withdrawn":
		b.Said = "The learnt fault is withdrawn."
	}
	return s.show(c, status, "faults", pages.View{Title: "Known faults of " + k.Setup.Name, Here: "/products", Body: b})
}

func cards(k line.KnownFaults, faults []line.KnownFault) ([]faultCard, error) {
	var out []faultCard
	for _, f := range faults {
		p := plot.SmallPlot{Title: f.Words, Values: f.Shape, Low: f.Low, High: f.High, Description: "What the fault adds to a unit, in dB over frequency in Hz: " + faultShape(k.Setup, f.Shape) + "."}
		for _, b := range k.Setup.Band {
			p.Axis = append(p.Axis, b.Mid())
		}
		var svg bytes.Buffer
		if err := plot.Small(&svg, p); err != nil {
			return nil, err
		}
		out = append(out, faultCard{f, template.HTML(svg.String())}) // the writer escapes every text
	}
	return out, nil
}

// faultShape says a curve in words: what moves together around its largest value.
func faultShape(setup *line.Setup, shape []float64) string {
	at := -1
	for i, v := range shape {
		if !math.IsNaN(v) && (at < 0 || math.Abs(v) > math.Abs(shape[at])) {
			at = i
		}
	}
	if at < 0 {
		return "nothing is known"
	}
	return fmt.Sprintf("%s, %s dB at %s", cause.ShapeAt(setup.Band, shape, at).Words(), pages.Signed(shape[at]), setup.Band[at].Name())
}

// InWords says the curve of a card in words.
func (b faultsBody) InWords(f faultCard) string { return faultShape(b.Setup, f.Shape) }

// planFault plans a study of units that are built faulty.
func (s *server) planFault(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	trials := 0
	if text := strings.TrimSpace(c.FormValue("seatings")); text != "" {
		if trials, err = strconv.Atoi(text); err != nil || trials < 1 {
			return s.showFaults(c, http.StatusUnprocessableEntity, "plan", fmt.Sprintf("Seatings %q is not a number from 1 up.", text))
		}
	}
	p := line.FaultPlan{
		Code: strings.TrimSpace(c.FormValue("study")), Product: code, Key: strings.TrimSpace(c.FormValue("key")), Words: c.FormValue("words"), Check: c.FormValue("check"),
		Part: c.FormValue("part"), Side: c.FormValue("side"), Faulty: listed(c.FormValue("units")), Good: listed(c.FormValue("good")), Trials: trials,
		Seed: uint64(time.Now().Unix()), Reason: strings.TrimSpace(c.FormValue("reason")),
	}
	if err = errNoName.orNone(c); err == nil {
		err = s.Line.PlanFault(c.Request().Context(), person(c), p)
	}
	if err != nil {
		return s.wrongFault(c, "plan", err)
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(code)+"/faults/studies/"+url.PathEscape(p.Code))
}

// wrongFault puts what cannot be done back beside its form.
func (s *server) wrongFault(c echo.Context, form string, err error) error {
	if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
		return s.showFaults(c, p.Status, form, pages.Upper(p.Detail)+": "+p.Remedy+".")
	}
	return err
}

// withdrawFault takes a learnt fault out of force.
func (s *server) withdrawFault(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	if err = errNoName.orNone(c); err == nil {
		_, err = s.Line.WithdrawFault(c.Request().Context(), person(c), code, c.FormValue("key"), strings.TrimSpace(c.FormValue("reason")))
	}
	if err != nil {
		return s.wrongFault(c, "withdraw", err)
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(code)+"/faults?done=withdrawn")
}

type faultStudyBody struct {
	line.FaultStudyResult
	Next    []faultRun
	LeftTo  int
	Picture *picture
	Rows    []faultRow
	Units   []faultUnit
	InForce *line.FaultVersion
	Form    url.Values
	Wrong   string
	Looked  bool // somebody left units out to see what that gives
}

type faultRun struct {
	Unit    string
	Faulty  bool
	Seating int
}

type faultRow struct {
	Band                         string
	Value, Low, High, P, Scatter float64
	Clear                        bool
}

// A faultUnit is a faulty unit with how it goes with the others.
type faultUnit struct {
	Serial   string
	Measured bool
	Odd      bool
	Out      string // why it is left out
	Is       *cause.Agreement
}

// faultStudyPage shows a study of units built faulty and what it teaches.
func (s *server) faultStudyPage(c echo.Context) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	r, err := s.Line.FaultStudy(c.Request().Context(), code, nil)
	if err != nil {
		return err
	}
	return s.showFaultStudy(c, http.StatusOK, r.LeftOutInForce(), "")
}

func (s *server) showFaultStudy(c echo.Context, status int, without []line.LeftOut, wrong string) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	r, err := s.Line.FaultStudy(c.Request().Context(), code, without)
	if err != nil {
		return err
	}
	b := faultStudyBody{FaultStudyResult: r, LeftTo: len(r.Left()), Form: c.Request().Form, Wrong: wrong, Looked: c.Request().Method == http.MethodPost && len(without) > 0}
	if b.Form == nil {
		b.Form = url.Values{}
	}
	for _, x := range r.Left() {
		if len(b.Next) < nextRuns {
			b.Next = append(b.Next, faultRun{x.Part, slices.Contains(r.Plan.Faulty, x.Part), x.Trial})
		}
	}
	b.units()
	if r.Learnt != nil {
		if err := b.draw(); err != nil {
			return err
		}
	}
	return s.show(c, status, "faultstudy", pages.View{Title: "Study " + code, Here: "/products", Body: b})
}

func (b *faultStudyBody) units() {
	for _, serial := range b.Plan.Faulty {
		u := faultUnit{Serial: serial, Measured: !slices.Contains(b.Waiting, serial)}
		for _, o := range b.LeftOut {
			if o.Serial == serial {
				u.Out = o.Reason
			}
		}
		if b.Learnt != nil {
			for i := range b.Learnt.Units {
				if a := &b.Learnt.Units[i]; a.Name == serial {
					u.Is, u.Odd = a, i == b.Learnt.Odd
				}
			}
		}
		b.Units = append(b.Units, u)
	}
}

// draw makes the picture of the curve with its interval, and the same in numbers.
func (b *faultStudyBody) draw() error {
	k := b.Learnt
	p := framed(b.Setup, "")
	p.Title = "What the fault adds, " + b.Plan.Side
	p.Description = "Mean of the faulty units minus mean of the good ones in dB over frequency in Hz, with its interval: " + faultShape(b.Setup, k.Shape) + "."
	p.Areas = []plot.Area{{Name: "95 % interval of the mean", Low: k.Low, High: k.High}}
	p.StrongLead, p.Strong = "-", []plot.Curve{{Name: "mean of the faulty units", Values: k.Shape}}
	pic, err := draw(p)
	if err != nil {
		return err
	}
	b.Picture = &pic
	for i, band := range b.Setup.Band {
		b.Rows = append(b.Rows, faultRow{band.Name(), k.Shape[i], k.Low[i], k.High[i], k.P[i], k.Scatter[i], k.P[i] <= 0.05})
	}
	return nil
}

// useFaultStudy shows what a study teaches without some units, or puts it in force.
func (s *server) useFaultStudy(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	product, err := param(c, "product")
	if err != nil {
		return err
	}
	var without []line.LeftOut
	for i, serial := range form["unit"] {
		if i < len(form["why"]) && strings.TrimSpace(form["why"][i]) != "" {
			without = append(without, line.LeftOut{Serial: serial, Reason: strings.TrimSpace(form["why"][i])})
		}
	}
	if form.Get("do") == "look" {
		return s.showFaultStudy(c, http.StatusOK, without, "")
	}
	if err = errNoName.orNone(c); err == nil {
		_, _, err = s.Line.LearnFault(c.Request().Context(), person(c), code, without, strings.TrimSpace(form.Get("reason")))
	}
	if err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showFaultStudy(c, p.Status, without, pages.Upper(p.Detail)+": "+p.Remedy+".")
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(product)+"/faults?done=learnt")
}
