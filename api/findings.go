package api

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// A Finding is what the charts found.
type Finding struct {
	Finding     int64     `json:"finding"`
	Product     string    `json:"product"`
	Kind        string    `json:"kind"`  // unit or line
	State       string    `json:"state"` // open, acted or closed
	FirstSerial string    `json:"first_serial"`
	LastSerial  string    `json:"last_serial"`
	Signals     int       `json:"signals"`
	Sentence    string    `json:"sentence"`
	Cause       string    `json:"cause"`
	Action      string    `json:"action"`
	OpenedAt    time.Time `json:"opened_at"`
}

// A FindingDetail is one finding with its analysis and what happened to it.
type FindingDetail struct {
	Finding
	Analysis   line.Analysis  `json:"analysis"`
	Events     []FindingEvent `json:"events"`
	AllSignals []Signal       `json:"all_signals"`
	Same       []int64        `json:"same"` // other findings that tell of the same change
}

// A FindingEvent is one thing that happened to a finding.
type FindingEvent struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Kind string    `json:"kind"`
	Text string    `json:"text"`
}

func findingOf(f line.Finding) Finding {
	return Finding{f.Number, f.Product, f.Kind, f.State, f.FirstSerial, f.LastSerial, f.Signals, f.Analysis.Sentence, f.Cause, f.Action, f.OpenedAt}
}

func findingDetail(f line.Finding) FindingDetail {
	out := FindingDetail{Finding: findingOf(f), Analysis: f.Analysis, Events: []FindingEvent{}, AllSignals: []Signal{}, Same: append([]int64{}, f.Same...)}
	for _, e := range f.Events {
		out.Events = append(out.Events, eventOfFinding(e))
	}
	for _, g := range f.Rows {
		out.AllSignals = append(out.AllSignals, signalOf(g))
	}
	return out
}

func eventOfFinding(e store.FindingEvent) FindingEvent {
	return FindingEvent{e.At, e.Actor, e.Kind, e.Text}
}

// getFindings lists findings, newest first, as they stood at their last analysis.
func (s *server) getFindings(c echo.Context) error {
	const most, usual = 1000, 100
	limit, err := count(c, "limit", usual, most)
	if err != nil {
		return err
	}
	all, err := s.Line.Findings(c.Request().Context(), c.QueryParam("product"), c.QueryParam("state"), limit)
	if err != nil {
		return err
	}
	out := struct {
		Findings []Finding `json:"findings"`
	}{Findings: []Finding{}}
	for _, f := range all {
		out.Findings = append(out.Findings, findingOf(f))
	}
	return c.JSON(http.StatusOK, out)
}

func findingNumber(c echo.Context) (int64, error) {
	n, err := strconv.ParseInt(c.Param("finding"), 10, 64)
	if err != nil || n < 1 {
		return 0, newProblem(http.StatusNotFound, "the address holds no number of a finding", "see /api/v1/findings")
	}
	return n, nil
}

// getFinding answers one finding, analysed up to the latest unit.
func (s *server) getFinding(c echo.Context) error {
	n, err := findingNumber(c)
	if err != nil {
		return err
	}
	f, err := s.Line.Finding(c.Request().Context(), n)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, findingDetail(f))
}

// A Deed is what a person did about a finding.
type Deed struct {
	Kind   string `json:"kind"` // looked, cause, action, closed, reopened
	Text   string `json:"text"`
	Cause  string `json:"cause"` // with closed, when it was not named before
	Action string `json:"action"`
	By     string `json:"by"` // name for the record
}

// postDeed records what a person did about a finding.
func (s *server) postDeed(c echo.Context) error {
	n, err := findingNumber(c)
	if err != nil {
		return err
	}
	var d Deed
	if err := readBody(c, &d); err != nil {
		return err
	}
	who := by(c)
	if strings.TrimSpace(d.By) != "" {
		if who, err = named(c, d.By); err != nil {
			return err
		}
	}
	f, err := s.Line.Act(c.Request().Context(), who, n, line.Deed{Kind: d.Kind, Text: d.Text, Cause: d.Cause, Action: d.Action})
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, findingDetail(f))
}
