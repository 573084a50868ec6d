package api

import (
	"bytes"
	"encoding/hex"
	"html/template"
	"net/http"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

// A stepForm is what a person typed on a lot's page.
type stepForm struct{ Step, Outcome, Reason, DataHash, Units, By string }

// A decideBody is the part of a lot's page that says where the lot stands and lets a
// person take it further.
type decideBody struct {
	Now       string // where it stands, a clause
	DataHash  string // of the report that is shown, while the lot is closed and not decided
	Sampled   string // how the inspection stands, a sentence
	Plan      bool   // the product has a sampling plan
	Drawn     bool
	Signature []string // sentences
	Chances   *picture // of the sampling plan
	Capable   *picture
	Lowest    []reports.CapabilityRow
	Open      []reports.FindingRow // that nobody has closed
	Envelopes string
	LimitSets string
	Overrides []reports.AttemptRow // verdicts that a person set aside
	Outcomes  []outcomeChoice
	Form      stepForm
	Wrong     string
}

type outcomeChoice struct{ Word, Means string }

// outcomes are the decisions with what they mean to the units.
var outcomes = []outcomeChoice{
	{line.OutcomeAccept, "it is ready and proposed for acceptance; its good units ship"},
	{line.OutcomeConcession, "it ships although something speaks against it, which the reason answers"},
	{line.OutcomeSort, "every unit is looked at again before it ships"},
	{line.OutcomeRework, "units are repaired and measured again"},
	{line.OutcomeReject, "nothing of it ships"},
}

const lowestShown = 12 // rows of capability on a page

// deciding fills what a decision rests on from a lot's report.
func deciding(l reports.Lot, setup *line.Setup) (decideBody, error) {
	b := decideBody{
		Now: stateNow(l.Life), Sampled: line.SamplingText(l.Sampling),
		Plan: setup.Sampling != nil, Drawn: l.Sampling.Method == "plan", Outcomes: outcomes,
		Lowest: l.Capability[:min(lowestShown, len(l.Capability))], Envelopes: versionList(l.Envelopes), LimitSets: versionList(l.LimitSets),
	}
	var err error
	if l.Life.State == line.LotClosed { // only then is there a form that signs it
		data, err := l.Data()
		if err != nil {
			return b, err
		}
		b.DataHash = hex.EncodeToString(reports.Hash(data))
	}
	if l.Life.Signature != nil {
		b.Signature = line.SignatureText(*l.Life.Signature)
	}
	for _, f := range l.Findings {
		if f.State != line.Closed {
			b.Open = append(b.Open, f)
		}
	}
	for _, a := range l.Attempts {
		if a.Override != "" {
			b.Overrides = append(b.Overrides, a)
		}
	}
	if len(l.Sampling.Curve) > 1 {
		if b.Chances, err = twice(func(w *bytes.Buffer, width float64) error { return plot.Chances(w, l.Sampling, width) }); err != nil {
			return b, err
		}
	}
	for _, r := range l.Capability {
		if r.Hz > 0 {
			b.Capable, err = twice(func(w *bytes.Buffer, width float64) error { return plot.Capabilities(w, l.Capability, width) })
			break
		}
	}
	return b, err
}

// twice draws a picture for a desk and for a phone.
func twice(draw func(w *bytes.Buffer, width float64) error) (*picture, error) {
	var desk, phone bytes.Buffer
	if err := draw(&desk, deskWidth); err != nil {
		return nil, err
	}
	if err := draw(&phone, phoneWidth); err != nil {
		return nil, err
	}
	return &picture{template.HTML(desk.String()), template.HTML(phone.String())}, nil // the writer escapes every text
}

// stateNow is where a lot stands, as a clause.
func stateNow(l reports.Life) string {
	words := map[string]string{line.LotOpen: "open for measuring", line.LotClosed: "closed for measuring, not decided", line.LotDecided: "decided"}[l.State]
	if n := len(l.Steps); n > 0 && l.Steps[n-1].Outcome != "" {
		words += ": " + l.Steps[n-1].Outcome
	}
	return words
}

func versionList(v []int) string {
	var out []string
	for _, n := range v {
		out = append(out, pages.Number(float64(n), 0))
	}
	switch len(out) {
	case 0:
		return "none"
	case 1:
		return "version " + out[0]
	}
	return "versions " + strings.Join(out, ", ")
}

// stepLot closes, decides or re-opens a lot, or draws its sample, as a form asks.
func (s *server) stepLot(c echo.Context) error {
	lot, err := param(c, "lot")
	if err != nil {
		return err
	}
	f := stepForm{c.FormValue("step"), c.FormValue("outcome"), strings.TrimSpace(c.FormValue("reason")), c.FormValue("data_hash"), c.FormValue("units"), person(c).Actor}
	if f.By == "" {
		return s.showLot(c, http.StatusUnprocessableEntity, lot, f, "Say who you are: the record keeps it.")
	}
	ctx, who, to := c.Request().Context(), person(c), "#stand"
	switch f.Step {
	case "close":
		err = s.Line.CloseLot(ctx, who, lot, f.Reason)
	case "reopen":
		err = s.Line.ReopenLot(ctx, who, lot, f.Reason)
	case "decide":
		_, err = s.Line.DecideLot(ctx, who, lot, s.Version, line.Decision{Outcome: f.Outcome, Reason: f.Reason, DataHash: f.DataHash})
	case "draw":
		_, err = s.Line.PullUnits(ctx, who, lot, line.Pull{Units: serialsIn(f.Units), Reason: f.Reason})
		to = "#sampling"
	default:
		err = fieldProblem("step", "the form names no step", "use the buttons of the page")
	}
	if err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showLot(c, p.Status, lot, f, pages.Sentence(p.Detail)+" "+pages.Sentence(p.Remedy))
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.LotPath(lot)+to)
}

// serialsIn reads serials, one in each line.
func serialsIn(text string) []string {
	var out []string
	for l := range strings.Lines(text) {
		if l = strings.TrimSpace(l); l != "" {
			out = append(out, l)
		}
	}
	return out
}

// startSample opens a lot that is not there yet with the draw of its sample: units to
// inspect are drawn before any is measured.
func (s *server) startSample(c echo.Context) error {
	f := sampleForm{strings.TrimSpace(c.FormValue("lot")), c.FormValue("product"), c.FormValue("units"), person(c).Actor}
	wrong := ""
	switch {
	case f.Lot == "":
		wrong = "Give the lot a code."
	case f.By == "":
		wrong = "Say who you are: the record keeps it."
	}
	if wrong != "" {
		return s.showLots(c, http.StatusUnprocessableEntity, f, wrong)
	}
	if _, err := s.Line.PullUnits(c.Request().Context(), person(c), f.Lot, line.Pull{Product: f.Product, Units: serialsIn(f.Units)}); err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showLots(c, p.Status, f, pages.Sentence(p.Detail)+" "+pages.Sentence(p.Remedy))
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.LotPath(f.Lot)+"#sampling")
}

// A sampleForm is what a person typed to draw the sample of a new lot.
type sampleForm struct{ Lot, Product, Units, By string }
