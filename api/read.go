package api

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"
	"alike/reports/sheet"

	"github.com/labstack/echo/v4"
)

// A Unit is one unit with all that is known of it.
type Unit struct {
	Serial    string     `json:"serial"`
	Product   string     `json:"product"`
	Lot       string     `json:"lot"`
	Place     *int64     `json:"place"` // in the order of production; null until judged
	FirstSeen time.Time  `json:"first_seen"`
	Attempts  []Attempt  `json:"attempts"`
	Overrides []SetAside `json:"overrides"`
	Signals   []Signal   `json:"signals"`
	Parts     []Part     `json:"parts"`
	// Changes of verdicts to hold and back, with their reasons, oldest first.
	Changes []VerdictChange `json:"verdict_changes"`
}

// A VerdictChange is a verdict that went to hold, or came back.
type VerdictChange struct {
	Attempt int       `json:"attempt"`
	At      time.Time `json:"at"`
	Actor   string    `json:"actor"`
	From    string    `json:"from"`
	To      string    `json:"to"`
	Reason  string    `json:"reason"`
}

// A SetAside is a person's verdict in place of the program's, or a second person's
// agreement to it.
type SetAside struct {
	Attempt int       `json:"attempt"`
	Was     string    `json:"was"`
	Verdict string    `json:"verdict"`
	Reason  string    `json:"reason"`
	Person  string    `json:"person"`
	At      time.Time `json:"at"`
	InForce bool      `json:"in_force"` // false while a second person has to agree
}

// An Attempt is one visit of a unit to the rig.
type Attempt struct {
	Number     int           `json:"number"`
	Station    string        `json:"station"`
	Operator   string        `json:"operator"`
	Reason     string        `json:"reason"`
	MeasuredAt time.Time     `json:"measured_at"`
	ReceivedAt time.Time     `json:"received_at"`
	Verdict    *line.Verdict `json:"verdict"` // null while takes are missing
	Takes      []StoredTake  `json:"takes"`
}

// A StoredTake is one curve as band levels in dB, null where it does not cover a
// band.
type StoredTake struct {
	ID         string    `json:"id"`
	Channel    string    `json:"channel"`
	Seating    int       `json:"seating"`
	MeasuredAt time.Time `json:"measured_at"`
	Bands      []number  `json:"bands"`
	Source     string    `json:"source"`
	Notes      []string  `json:"notes"`
}

// A Part is a component batch that went into a unit.
type Part struct {
	Kind     string `json:"kind"`
	Channel  string `json:"channel"`
	Batch    string `json:"batch"`
	Supplier string `json:"supplier"`
	Piece    string `json:"piece,omitempty"` // serial of a single piece
}

func (s *server) getUnit(c echo.Context) error {
	serial, err := param(c, "serial")
	if err != nil {
		return err
	}
	v, err := s.Line.Unit(c.Request().Context(), serial)
	if err != nil {
		return err
	}
	u := Unit{
		Serial: v.Serial, Product: v.Product, Lot: v.Lot, Place: v.Place, FirstSeen: v.FirstSeen,
		Attempts: []Attempt{}, Overrides: []SetAside{}, Signals: []Signal{}, Parts: []Part{}, Changes: []VerdictChange{},
	}
	for _, x := range v.Changes {
		for _, a := range v.Attempts {
			if a.Attempt == x.Attempt {
				u.Changes = append(u.Changes, VerdictChange{a.Number, x.At, x.Actor, x.FromWord, x.ToWord, x.Reason})
			}
		}
	}
	for _, a := range v.Attempts {
		u.Attempts = append(u.Attempts, attemptOf(a))
	}
	for _, o := range v.Overrides {
		u.Overrides = append(u.Overrides, SetAside{o.Number, o.Was, o.Verdict, o.Reason, o.Actor, o.At, o.InForce})
	}
	for _, g := range v.Signals {
		u.Signals = append(u.Signals, signalOf(g))
	}
	for _, p := range v.Parts {
		u.Parts = append(u.Parts, Part{p.Kind, p.Channel, p.Batch, p.Supplier, p.Piece})
	}
	return c.JSON(http.StatusOK, u)
}

func attemptOf(a line.AttemptView) Attempt {
	out := Attempt{
		Number: a.Number, Station: a.Station, Operator: a.Operator, Reason: a.Reason, MeasuredAt: a.MeasuredAt,
		ReceivedAt: a.ReceivedAt, Verdict: a.Verdict, Takes: []StoredTake{},
	}
	for _, t := range a.Takes {
		st := StoredTake{ID: t.Take.String(), Channel: t.Channel, Seating: t.Seating, MeasuredAt: t.MeasuredAt, Source: t.Source, Notes: t.Notes}
		for _, b := range t.Bands {
			st.Bands = append(st.Bands, number(b))
		}
		out.Takes = append(out.Takes, st)
	}
	return out
}

func signalOf(g store.SignalRow) Signal {
	return Signal{Stream: g.Stream, Rule: g.Rule, Serial: g.Serial, LimitSet: g.LimitSet, Value: float64(g.Value), Sigmas: float64(g.Z)}
}

// A Lot is one lot with its counts.
type Lot struct {
	Lot       string    `json:"lot"`
	Product   string    `json:"product"`
	OpenedAt  time.Time `json:"opened_at"`
	Units     int       `json:"units"`
	Judged    int       `json:"judged"`     // units whose first attempt is judged
	FirstPass int       `json:"first_pass"` // of them, passed
	Report    string    `json:"report"`     // address of the spreadsheet
}

func lotOf(r store.LotRow) Lot {
	return Lot{r.Lot, r.Product, r.OpenedAt, r.Units, r.Judged, r.FirstPass, reportPath(r.Lot)}
}

func reportPath(lot string) string { return "/api/v1/lots/" + url.PathEscape(lot) + "/report.xlsx" }

func (s *server) getLots(c echo.Context) error {
	rows, err := s.DB.Site(s.Line.Site()).Lots(c.Request().Context())
	if err != nil {
		return err
	}
	out := struct {
		Lots []Lot `json:"lots"`
	}{Lots: []Lot{}}
	for _, r := range rows {
		out.Lots = append(out.Lots, lotOf(r))
	}
	return c.JSON(http.StatusOK, out)
}

// A LotDetail is what the lot's report begins with.
type LotDetail struct {
	Lot      string   `json:"lot"`
	Product  string   `json:"product"`
	Proposal string   `json:"proposal"` // accept, refuse, not complete
	Reasons  []string `json:"reasons"`
	Counts   Counts   `json:"counts"`
	Yields   []Yield  `json:"yields"`
	Report   string   `json:"report"`
}

// Counts are numbers of units by the verdict of their last attempt.
type Counts struct {
	Units    int `json:"units"`
	Pass     int `json:"pass"`
	Fail     int `json:"fail"`
	Doubtful int `json:"doubtful"`
	Reseat   int `json:"reseat"`
	Hold     int `json:"hold"`
	Waiting  int `json:"waiting"`
	Attempts int `json:"attempts"`
	Retested int `json:"retested"`
	Takes    int `json:"takes"`
	Refused  int `json:"refused"`
}

// A Yield is a share of units with its confidence interval, null without units.
type Yield struct {
	Name       string  `json:"name"`
	Good       int     `json:"good"`
	Of         int     `json:"of"`
	Share      number  `json:"share"`
	Low        number  `json:"low"`
	High       number  `json:"high"`
	Confidence float64 `json:"confidence"`
}

func (s *server) lotReport(c echo.Context) (reports.Lot, error) {
	lot, err := param(c, "lot")
	if err != nil {
		return reports.Lot{}, err
	}
	return s.Line.LotReport(c.Request().Context(), lot, s.Version)
}

func (s *server) getLot(c echo.Context) error {
	l, err := s.lotReport(c)
	if err != nil {
		return err
	}
	n := l.Counts
	out := LotDetail{
		Lot: l.Code, Product: l.Product, Proposal: l.Proposal.Word, Reasons: l.Proposal.Reasons, Report: reportPath(l.Code),
		Counts: Counts{n.Units, n.Pass, n.Fail, n.Doubtful, n.Reseat, n.Hold, n.Waiting, n.Attempts, n.Retested, n.Takes, n.Refused},
	}
	for _, y := range l.Yield {
		out.Yields = append(out.Yields, Yield{y.Name, y.Good, y.Of, number(y.Share), number(y.Low), number(y.High), y.Confidence})
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) getReport(c echo.Context) error {
	paper := c.QueryParam("paper")
	if paper != "" && paper != "A4" && paper != "Letter" {
		return newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("there is no paper %q", paper), "use A4 or Letter")
	}
	l, err := s.lotReport(c)
	if err != nil {
		return err
	}
	var file bytes.Buffer
	made := time.Now().In(l.Opened.Location())
	if err := sheet.Write(&file, l, sheet.Options{Made: made, Program: "alike " + s.Version, Paper: paper}); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf("attachment; filename*=UTF-8''%s.xlsx", url.PathEscape("lot-"+l.Code)))
	return c.Blob(http.StatusOK, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", file.Bytes())
}

// A Chart is the control chart of one stream. Limits are null before the first
// limit set.
type Chart struct {
	Stream    string  `json:"stream"`
	Title     string  `json:"title"`
	Product   string  `json:"product"`
	Unit      string  `json:"unit"`
	LimitSet  int     `json:"limit_set"`
	Center    number  `json:"center"`
	Lower     number  `json:"lower"`
	Upper     number  `json:"upper"`
	RangeMean number  `json:"range_mean"`
	RangeHigh number  `json:"range_high"`
	Points    []Point `json:"points"`
}

// A Point is one unit on a chart.
type Point struct {
	Place   int64    `json:"place"`
	Serial  string   `json:"serial"`
	Lot     string   `json:"lot"`
	Value   number   `json:"value"`
	Range   number   `json:"range"` // moving range; null at the first point
	Signals []string `json:"signals"`
}

func (s *server) getChart(c echo.Context) error {
	const most, usual = 100_000, 500
	limit := usual
	if q := c.QueryParam("limit"); q != "" {
		n, err := strconv.Atoi(q)
		if err != nil || n < 1 || n > most {
			p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("limit %q is not a count", q), fmt.Sprintf("use 1 to %d", most))
			p.Field = "limit"
			return p
		}
		limit = n
	}
	ch, err := s.Line.Chart(c.Request().Context(), c.QueryParam("product"), c.QueryParam("stream"), limit)
	if err != nil {
		return err
	}
	out := Chart{
		Stream: ch.Key, Title: ch.Stream, Product: ch.Product, Unit: ch.Unit, LimitSet: ch.LimitSet, Center: number(ch.Center),
		Lower: number(ch.Lower), Upper: number(ch.Upper), RangeMean: number(ch.RangeMean), RangeHigh: number(ch.RangeHigh),
		Points: []Point{},
	}
	for i, v := range ch.Values {
		out.Points = append(out.Points, Point{ch.Places[i], ch.Serials[i], ch.Lots[i], number(v), number(ch.Moving[i]), []string{}})
	}
	for _, m := range ch.Marks {
		out.Points[m.Index].Signals = append(out.Points[m.Index].Signals, m.Rule)
	}
	return c.JSON(http.StatusOK, out)
}

// A Stream is one number per unit that is charted.
type Stream struct {
	Key   string `json:"key"`
	Title string `json:"title"`
	Unit  string `json:"unit"`
}

func (s *server) getStreams(c echo.Context) error {
	setup, err := s.Line.Setup(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	out := struct {
		Product string   `json:"product"`
		Streams []Stream `json:"streams"`
	}{Product: setup.Code}
	for _, st := range setup.StreamList {
		out.Streams = append(out.Streams, Stream{st.Key, st.Title, st.Unit})
	}
	return c.JSON(http.StatusOK, out)
}
