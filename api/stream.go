package api

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"alike/internal/line"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

// Units on the chart of a stream: at first, and at most.
const (
	streamUsual = 1_000
	streamMost  = 100_000
)

// A StreamView is one stream over many units, column by column; an index counts units
// from 0.
type StreamView struct {
	Stream   string          `json:"stream"`
	Title    string          `json:"title"`
	Unit     string          `json:"unit"`
	Product  string          `json:"product"`
	Positive bool            `json:"positive"` // values cannot be negative: a logarithmic axis makes sense
	Places   []int64         `json:"places"`
	Serials  []string        `json:"serials"`
	Lots     []DriftLot      `json:"lots"`
	Values   []number        `json:"values"`
	Sections []StreamSection `json:"sections"`
	Marks    []StreamMark    `json:"marks"`
	Parts    []DriftPart     `json:"parts"`
	Earlier  bool            `json:"earlier"`
}

// A StreamSection is a run of units under the same limits, null before the first.
type StreamSection struct {
	First     int        `json:"first"`
	Version   int        `json:"version"`
	Starts    bool       `json:"starts"`
	Name      string     `json:"name"`
	Reason    string     `json:"reason"`
	At        *time.Time `json:"at"`
	Center    number     `json:"center"`
	Lower     number     `json:"lower"`
	Upper     number     `json:"upper"`
	RangeMean number     `json:"range_mean"`
	RangeHigh number     `json:"range_high"`
}

// A StreamMark is a rule that fired at a unit, and what it saw in a sentence.
type StreamMark struct {
	Index int    `json:"index"`
	Rule  string `json:"rule"`
	Text  string `json:"text"`
}

// streamView reads what a request asks for.
func (s *server) streamView(c echo.Context) (line.StreamView, error) {
	limit, err := count(c, "limit", streamUsual, streamMost)
	if err != nil {
		return line.StreamView{}, err
	}
	upTo, err := placeParam(c, "up_to")
	if err != nil {
		return line.StreamView{}, err
	}
	return s.Line.StreamView(c.Request().Context(), c.QueryParam("product"), c.QueryParam("stream"), upTo, limit)
}

func (s *server) getStream(c echo.Context) error {
	v, err := s.streamView(c)
	if err != nil {
		return err
	}
	out := StreamView{
		Stream: v.Of.Key, Title: v.Title, Unit: v.Unit, Product: v.Product, Positive: v.Of.Positive(), Places: v.Places, Serials: v.Serials,
		Lots: []DriftLot{}, Values: numbers(v.Values), Sections: []StreamSection{}, Marks: []StreamMark{}, Parts: []DriftPart{}, Earlier: v.Earlier,
	}
	if len(v.Places) == 0 {
		out.Places, out.Serials = []int64{}, []string{}
	}
	for i, lot := range v.Lots {
		if i == 0 || lot != v.Lots[i-1] {
			out.Lots = append(out.Lots, DriftLot{i, lot})
		}
	}
	for i, sec := range v.Stream.Sections {
		in := v.Sections[i]
		w := StreamSection{First: sec.First, Version: in.Version, Name: sec.Name, Starts: in.Starts, Reason: in.Reason, Center: number(sec.Center), Lower: number(sec.Lower), Upper: number(sec.Upper), RangeMean: number(sec.RangeMean), RangeHigh: number(sec.RangeHigh)}
		if in.Version > 0 {
			w.At = &in.At
		}
		out.Sections = append(out.Sections, w)
	}
	for _, m := range v.Marks {
		out.Marks = append(out.Marks, StreamMark{m.Index, m.Rule, m.Text})
	}
	for _, p := range v.Parts {
		out.Parts = append(out.Parts, DriftPart{p.Index, p.Kind, p.Channel, p.Batch, p.Before})
	}
	return c.JSON(http.StatusOK, out)
}

// A StreamChange is the most likely change of level among some units.
type StreamChange struct {
	Text       string   `json:"text"`
	Shown      bool     `json:"shown"` // the data show a change
	Place      int64    `json:"place"` // of the first unit after it
	Serial     string   `json:"serial"`
	Set        []int64  `json:"set"` // places that the data do not contradict
	Confidence float64  `json:"confidence"`
	Before     float64  `json:"before"`
	After      float64  `json:"after"`
	P          float64  `json:"p"`
	Units      int      `json:"units"` // looked at
	Known      string   `json:"known"` // limits that gave level and spread before
	Warnings   []string `json:"warnings"`
}

// changeRange looks for a change among the units that a request names by from and to,
// else among those under the newest limits, 300 at most.
func changeRange(c echo.Context, v *line.StreamView) (line.StreamChange, error) {
	last := len(v.Values) - 1
	first, to := max(0, last-299), last
	if n := len(v.Stream.Sections); n > 0 {
		k := n - 1
		for k > 0 && v.Stream.Sections[k].Learning { // limits that are being learnt are no others
			k--
		}
		first = max(first, v.Stream.Sections[k].First)
	}
	for _, p := range []struct {
		name string
		into *int
	}{{"from", &first}, {"to", &to}} {
		if c.QueryParam(p.name) == "" {
			continue
		}
		place, err := placeParam(c, p.name)
		if err != nil {
			return line.StreamChange{}, err
		}
		i := 0
		for i < last && v.Places[i] < place {
			i++
		}
		*p.into = i
	}
	return v.FindChange(first, to)
}

func (s *server) getStreamChange(c echo.Context) error {
	v, err := s.streamView(c)
	if err != nil {
		return err
	}
	ch, err := changeRange(c, &v)
	if err != nil {
		return err
	}
	out := StreamChange{
		Text: ch.Text, Shown: ch.Shown, Place: v.Places[ch.Index], Serial: v.Serials[ch.Index], Set: []int64{}, Confidence: ch.Confidence,
		Before: ch.Before, After: ch.After, P: ch.P, Units: ch.N, Known: ch.Known, Warnings: append([]string{}, ch.Warnings...),
	}
	for _, i := range ch.Set {
		out.Set = append(out.Set, v.Places[i])
	}
	return c.JSON(http.StatusOK, out)
}

// getStreamSVG draws the chart as a picture; with change=yes the change of level in it.
func (s *server) getStreamSVG(c echo.Context) error {
	v, err := s.streamView(c)
	if err != nil {
		return err
	}
	if c.QueryParam("change") == "yes" {
		if _, err := changeRange(c, &v); err != nil {
			return err
		}
	}
	var svg bytes.Buffer
	if err := plot.Stream(&svg, v.Stream); err != nil {
		return err
	}
	attach(c, v, "svg")
	return c.Blob(http.StatusOK, "image/svg+xml", svg.Bytes())
}

// getStreamCSV writes the chart's numbers, a row per unit.
func (s *server) getStreamCSV(c echo.Context) error {
	v, err := s.streamView(c)
	if err != nil {
		return err
	}
	rules := make([]string, len(v.Values))
	for _, m := range v.Marks {
		rules[m.Index] = strings.TrimPrefix(rules[m.Index]+" "+m.Rule, " ")
	}
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	rows := [][]string{{"place", "serial", "lot", "value_" + columnUnit(v.Unit), "moving_range_dB", "limits", "center", "lower", "upper", "rules"}}
	for i := range v.Values {
		sec, _ := v.SectionAt(i)
		rows = append(rows, []string{
			strconv.FormatInt(v.Places[i], 10), cell(v.Serials[i]), cell(v.Lots[i]), levelText(v.Values[i]), levelText(v.Moving[i]), sec.Name,
			levelText(sec.Center), levelText(sec.Lower), levelText(sec.Upper), rules[i],
		})
	}
	if err := w.WriteAll(rows); err != nil {
		return err
	}
	attach(c, v, "csv")
	return c.Blob(http.StatusOK, "text/csv; charset=utf-8", out.Bytes())
}

func columnUnit(unit string) string { return strings.ReplaceAll(unit, " ", "_") }

// levelText writes a level with the decimals that are stored, nothing for none.
func levelText(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', 4, 64)
}

// cell keeps a spreadsheet from taking text for a formula.
func cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

func attach(c echo.Context, v line.StreamView, kind string) {
	name := v.Product + "-" + strings.ReplaceAll(v.Of.Key, "/", "-") + "." + kind
	how := "attachment"
	if c.QueryParam("show") == "yes" {
		how = "inline"
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf("%s; filename*=UTF-8''%s", how, url.PathEscape(name)))
}
