package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net"
	"net/http"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/spc/band"

	"github.com/labstack/echo/v4"
)

// A Take is one curve as a station sends it. Seating and attempt count from 1; 0
// stands for not said.
type Take struct {
	Product     string     `json:"product"`
	Lot         string     `json:"lot"`
	Serial      string     `json:"serial"`
	Channel     string     `json:"channel"`
	Seating     int        `json:"seating"`
	Attempt     int        `json:"attempt"`
	Station     string     `json:"station"`
	Operator    string     `json:"operator"`
	MeasuredAt  *time.Time `json:"measured_at"`
	Reason      string     `json:"reason"`
	Source      string     `json:"source"`
	Frequencies []float64  `json:"frequencies"` // Hz, rising
	Levels      []float64  `json:"levels"`      // dB
	Phases      []float64  `json:"phases"`      // degrees, or absent
}

// A TakeResult says what became of one take, in the order of the request.
type TakeResult struct {
	ID      string   `json:"id,omitempty"`
	Serial  string   `json:"serial"`
	Channel string   `json:"channel"`
	Seating int      `json:"seating"`
	Status  string   `json:"status"` // stored, known, refused
	Problem *Problem `json:"problem,omitempty"`
}

// A UnitResult says where a unit stands after the request.
type UnitResult struct {
	Serial  string        `json:"serial"`
	Lot     string        `json:"lot"`
	Attempt int           `json:"attempt"`
	Waiting string        `json:"waiting,omitempty"` // takes that are still missing
	Notice  string        `json:"notice,omitempty"`  // the charts leave the unit out, since it comes in late
	Verdict *line.Verdict `json:"verdict,omitempty"`
	Signals []Signal      `json:"signals,omitempty"`
	Checks  []CheckResult `json:"checks,omitempty"` // when the takes are of a reference unit
	Study   *StudyStatus  `json:"study,omitempty"`  // when the takes are of a study
}

// A StudyStatus says how far a study has come.
type StudyStatus struct {
	Study    string `json:"study"`
	Measured int    `json:"measured"`
	Of       int    `json:"of"`
	Waiting  string `json:"waiting,omitempty"` // takes that the run still lacks
}

// A Signal is one rule that fired on one stream.
type Signal struct {
	Stream   string  `json:"stream"`
	Rule     string  `json:"rule"`
	Serial   string  `json:"serial"`
	LimitSet int     `json:"limit_set"`
	Value    float64 `json:"value"`
	Sigmas   float64 `json:"sigmas"`
}

type takesResult struct {
	Takes []TakeResult `json:"takes"`
	Units []UnitResult `json:"units"`
}

// postTakes takes in one take or many. It answers 201 when something was stored,
// 200 when everything was there before, and a problem when a take was refused; takes
// that are good are stored all the same.
func (s *server) postTakes(c echo.Context) error {
	wire, err := readTakes(c.Request())
	if err != nil {
		return err
	}
	var takes []curve.Take
	at := map[string]int{} // identity of a take → its place in the request
	for i, w := range wire {
		t, err := w.take(i)
		if err != nil {
			return err
		}
		takes = append(takes, t)
		at[place(t)] = i
	}
	out := takesResult{Takes: make([]TakeResult, len(wire))}
	var worst *Problem
	stored := false
	for _, v := range line.Visits(takes) {
		r, err := s.Line.Intake(c.Request().Context(), by(c), v)
		var whole *line.Refusal
		if err != nil && !errors.As(err, &whole) {
			return err
		}
		for i, t := range v {
			res := TakeResult{Serial: t.Serial, Channel: t.Channel, Seating: t.Seating}
			refused := whole
			if refused == nil {
				refused = r.Takes[i].Refused
			}
			switch {
			case refused != nil:
				res.Status, res.Problem = "refused", fromRefusal(refused)
				worst = graver(worst, res.Problem)
				if err := s.quarantine(c, refused.At(t.Source), t.Lot, wire[at[place(t)]]); err != nil {
					return err
				}
			case r.Takes[i].Known:
				res.Status, res.ID = "known", r.Takes[i].ID.String()
			default:
				res.Status, res.ID, stored = "stored", r.Takes[i].ID.String(), true
			}
			s.metrics.takes.WithLabelValues(res.Status).Inc()
			out.Takes[at[place(t)]] = res
		}
		if whole == nil {
			out.Units = append(out.Units, s.unitResult(r))
		}
	}
	switch {
	case worst != nil:
		p := *worst
		p.Takes, p.Units = out.Takes, out.Units
		return &p
	case stored:
		return c.JSON(http.StatusCreated, out)
	}
	return c.JSON(http.StatusOK, out)
}

// graver keeps the first conflict over other refusals: it is what the sender must
// not paper over.
func graver(a, b *Problem) *Problem {
	if a == nil || a.Status != http.StatusConflict && b.Status == http.StatusConflict {
		return b
	}
	return a
}

func place(t curve.Take) string { return t.Source.File }

// quarantine keeps what was refused, a take or the numbers of a driver: alone, for a request may hold thousands.
func (s *server) quarantine(c echo.Context, r curve.Refusal, lot string, t any) error {
	content, err := json.Marshal(t)
	if err != nil {
		return err
	}
	_, err = s.Line.Quarantine(c.Request().Context(), by(c), r, lot, content)
	return err
}

func (s *server) unitResult(r line.Receipt) UnitResult {
	u := UnitResult{Serial: r.Serial, Lot: r.Lot, Attempt: r.Attempt, Waiting: r.Waiting, Notice: r.Notice, Verdict: r.Verdict}
	if r.Verdict != nil {
		s.metrics.verdicts.WithLabelValues(string(r.Verdict.Word)).Inc()
	}
	s.metrics.signals.Add(float64(len(r.Signals)))
	for _, g := range r.Signals {
		u.Signals = append(u.Signals, signalOf(g))
	}
	for _, k := range r.Checks {
		u.Checks = append(u.Checks, checkResultOf(k))
	}
	if x := r.Study; x != nil {
		u.Study = &StudyStatus{x.Study, x.Done, x.Of, x.Waiting}
	}
	return u
}

// mostTakes is how many takes a request may hold. Without a bound a body of 64 MB could
// hold millions of empty ones, which are a hundred times as large in memory.
const mostTakes = 10_000

// readTakes reads the body: one take, or {"takes": [...]}.
func readTakes(r *http.Request) ([]Take, error) {
	if err := saidToBeJSON(r); err != nil {
		return nil, err
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, badBody(err)
	}
	var wire struct {
		Takes json.RawMessage `json:"takes"`
		Take
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&wire); err != nil {
		return nil, badJSON(err, body, d.InputOffset(), 0)
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, newProblem(http.StatusBadRequest, "there is more after the end of the JSON value", "send one value")
	}
	if len(wire.Takes) == 0 || string(wire.Takes) == "null" {
		return []Take{wire.Take}, nil
	}
	return readList(wire.Takes, body)
}

// saidToBeJSON also keeps forms of foreign pages out: a browser asks before it sends
// JSON.
func saidToBeJSON(r *http.Request) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType)); err != nil || kind != "application/json" {
		return newProblem(http.StatusUnsupportedMediaType, "the body is not said to be JSON", "send the header Content-Type: application/json")
	}
	return nil
}

// readList reads the takes one by one, so that a list that is too long is found before
// it fills the memory.
func readList(list json.RawMessage, body []byte) ([]Take, error) {
	start := int64(bytes.Index(body, list))
	d := json.NewDecoder(bytes.NewReader(list))
	d.DisallowUnknownFields()
	if open, err := d.Token(); err != nil || open != json.Delim('[') {
		p := newProblem(http.StatusBadRequest, "field \"takes\" is no list", "see /api/v1/openapi.json")
		p.Field = "takes"
		return nil, p
	}
	var takes []Take
	for d.More() {
		if len(takes) == mostTakes {
			p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("the request holds more than %d takes", mostTakes), "send fewer takes at a time")
			p.Field = "takes"
			return nil, p
		}
		var t Take
		before := start + d.InputOffset()
		if err := d.Decode(&t); err != nil {
			return nil, badJSON(err, body, start+d.InputOffset(), before)
		}
		takes = append(takes, t)
	}
	if len(takes) == 0 {
		return nil, newProblem(http.StatusUnprocessableEntity, "the request holds no take", "send at least one")
	}
	return takes, nil
}

// badBody words a body that did not arrive whole.
func badBody(err error) error {
	var web *echo.HTTPError
	if errors.As(err, &web) {
		return err
	}
	if network := net.Error(nil); errors.As(err, &network) && network.Timeout() {
		return newProblem(http.StatusRequestTimeout, "the body did not arrive in time", "send it again; the same request again is safe")
	}
	return newProblem(http.StatusBadRequest, "the body did not arrive whole", "send it again; the same request again is safe")
}

// badJSON words a fault of the body; the offset is where the decoder stood, and start
// where the value began that it read.
func badJSON(err error, body []byte, offset, start int64) *Problem {
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		offset = start + syntax.Offset
	}
	p := newProblem(http.StatusBadRequest, "the body is not usable JSON: "+err.Error(), "see /api/v1/openapi.json")
	if errors.As(err, &kind) {
		p.Field, offset = strings.TrimPrefix(kind.Field, "Take."), start+kind.Offset
		p.Detail = fmt.Sprintf("field %q cannot be a %s", p.Field, kind.Value)
	}
	line := 1 + bytes.Count(body[:min(int(offset), len(body))], []byte("\n"))
	p.Detail += fmt.Sprintf(" (line %d)", line)
	return p
}

// take checks one take of a request; i is its place in it.
func (w Take) take(i int) (curve.Take, error) {
	bad := func(field, detail, remedy string) error {
		p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("take %d: %s", i+1, detail), remedy)
		p.Field = field
		return p
	}
	if len(w.Frequencies) != len(w.Levels) || w.Phases != nil && len(w.Phases) != len(w.Levels) {
		return curve.Take{}, bad("levels", fmt.Sprintf("%d frequencies, %d levels and %d phases do not go together", len(w.Frequencies), len(w.Levels), len(w.Phases)),
			"send one level, and one phase or none, per frequency")
	}
	t := curve.Take{
		Identity: curve.Identity{
			Product: w.Product, Lot: w.Lot, Serial: w.Serial, Channel: w.Channel, Seating: w.Seating, Attempt: w.Attempt,
			Station: w.Station, Operator: w.Operator, Reason: w.Reason,
		},
		Curve:  band.Curve{Hz: w.Frequencies, DB: w.Levels, Phase: w.Phases},
		Source: curve.Source{File: w.Source},
	}
	if w.MeasuredAt != nil {
		t.MeasuredAt = *w.MeasuredAt
	}
	var err error
	if t.Identity, err = t.Identity.Normal(); err != nil {
		var f *curve.FieldError
		if errors.As(err, &f) {
			return t, bad(f.Field, f.Reason, f.Remedy)
		}
		return t, err
	}
	if err := t.Curve.Check(); err != nil {
		var f *band.PointError
		if errors.As(err, &f) {
			return t, bad(f.Field, f.Error(), "send a curve of at least 2 points with rising frequencies and finite levels")
		}
		return t, err
	}
	if err := curve.Bounds(t.Curve); err != nil {
		var f *curve.FieldError
		if errors.As(err, &f) {
			return t, bad(f.Field, f.Reason, f.Remedy)
		}
		return t, err
	}
	// The source names the take in messages and in quarantine; the place keeps two of
	// one name apart.
	t.Source.File = fmt.Sprintf("request, take %d", i+1)
	if w.Source != "" {
		t.Source.File += " (" + w.Source + ")"
	}
	return t, nil
}

// number is a float64 that is null in JSON when it is NaN.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

func numbers(xs []float64) []number {
	out := make([]number, len(xs))
	for i, x := range xs {
		out[i] = number(x)
	}
	return out
}
