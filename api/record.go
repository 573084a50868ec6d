package api

import (
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"alike/internal/line"
	"alike/internal/store"
	"alike/reports"

	"github.com/labstack/echo/v4"
)

// A Standing is where a lot stands and what a decision on it rests on. The report as
// JSON has the rest.
type Standing struct {
	Lot       string     `json:"lot"`
	State     string     `json:"state"` // open, closed, decided
	DataHash  string     `json:"data_hash"`
	Proposal  string     `json:"proposal"`
	NotReady  []string   `json:"not_ready"`
	Questions []string   `json:"questions"`
	Steps     []LotStep  `json:"steps"`
	Sampling  string     `json:"sampling"`
	Signature *Signature `json:"signature"` // null before the first decision
}

// A LotStep is one step of a lot's way.
type LotStep struct {
	State   string    `json:"state"`
	Outcome string    `json:"outcome"`
	Reason  string    `json:"reason"`
	Person  string    `json:"person"`
	At      time.Time `json:"at"`
}

// A Signature is the newest decision, held against the data as they are.
type Signature struct {
	Person   string    `json:"person"`
	At       time.Time `json:"at"`
	Outcome  string    `json:"outcome"`
	Reason   string    `json:"reason"`
	DataHash string    `json:"data_hash"`
	Sum      string    `json:"sum"`
	Sound    bool      `json:"sound"`
	Matches  bool      `json:"matches"`
	InForce  bool      `json:"in_force"`
	Changes  []string  `json:"changes"`
}

func standingOf(r reports.Lot) (Standing, error) {
	data, err := r.Data()
	if err != nil {
		return Standing{}, err
	}
	out := Standing{
		Lot: r.Code, State: r.Life.State, DataHash: hex.EncodeToString(reports.Hash(data)), Proposal: r.Proposal.Word,
		NotReady: append([]string{}, r.Life.NotReady...), Questions: append([]string{}, r.Life.Questions...), Steps: []LotStep{}, Sampling: line.SamplingText(r.Sampling),
	}
	for _, p := range r.Life.Steps {
		out.Steps = append(out.Steps, LotStep{p.State, p.Outcome, p.Reason, p.Who, p.At})
	}
	if s := r.Life.Signature; s != nil {
		out.Signature = &Signature{s.Who, s.At, s.Outcome, s.Reason, s.DataHash, s.Sum, s.Sound, s.Matches, s.InForce, append([]string{}, s.Changes...)}
	}
	return out, nil
}

func (s *server) getStanding(c echo.Context) error {
	r, err := s.lotReport(c)
	if err != nil {
		return err
	}
	out, err := standingOf(r)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) getTwin(c echo.Context) error {
	r, err := s.lotReport(c)
	if err != nil {
		return err
	}
	twin, err := r.Twin()
	if err != nil {
		return err
	}
	return c.JSONBlob(http.StatusOK, twin)
}

// A StepRequest asks for a step of a lot. While nobody has to sign in the person is named
// here.
type StepRequest struct {
	Step     string `json:"step"` // close, decide, reopen
	Outcome  string `json:"outcome"`
	Reason   string `json:"reason"`
	Person   string `json:"person"`
	DataHash string `json:"data_hash"` // of the report that the person read
}

func (s *server) postStep(c echo.Context) error {
	var q StepRequest
	if err := readBody(c, &q); err != nil {
		return err
	}
	lot, err := unescaped(c, "lot")
	if err != nil {
		return err
	}
	who, err := named(c, q.Person)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	switch q.Step {
	case "close":
		err = s.Line.CloseLot(ctx, who, lot, q.Reason)
	case "reopen":
		err = s.Line.ReopenLot(ctx, who, lot, q.Reason)
	case "decide":
		_, err = s.Line.DecideLot(ctx, who, lot, s.Version, line.Decision{Outcome: q.Outcome, Reason: q.Reason, DataHash: q.DataHash})
	default:
		return fieldProblem("step", fmt.Sprintf("there is no step %q", q.Step), "use close, decide or reopen")
	}
	if err != nil {
		return err
	}
	return s.getStanding(c)
}

// A DrawRequest asks for units to inspect.
type DrawRequest struct {
	Product string   `json:"product"`
	Units   []string `json:"units"`
	Reason  string   `json:"reason"`
	Person  string   `json:"person"`
}

// A Draw is a sampling plan and the units drawn by it.
type Draw struct {
	Draw         int      `json:"draw"`
	Severity     string   `json:"severity"`
	Why          string   `json:"why"`
	LotSize      int      `json:"lot_size"`
	Sample       int      `json:"sample"`
	Accept       int      `json:"accept"`
	ProducerRisk float64  `json:"producer_risk"`
	ConsumerRisk float64  `json:"consumer_risk"`
	Seed         string   `json:"seed"`
	Pulled       []string `json:"pulled"`
	Notes        []string `json:"notes"`
}

func (s *server) postDraw(c echo.Context) error {
	var q DrawRequest
	if err := readBody(c, &q); err != nil {
		return err
	}
	lot, err := unescaped(c, "lot")
	if err != nil {
		return err
	}
	who, err := named(c, q.Person)
	if err != nil {
		return err
	}
	d, err := s.Line.PullUnits(c.Request().Context(), who, lot, line.Pull{Product: q.Product, Units: q.Units, Reason: q.Reason})
	if err != nil {
		return err
	}
	p := d.Plan
	return c.JSON(http.StatusCreated, Draw{d.Draw, p.Severity, d.Why, p.LotSize, p.Sample, p.Accept, p.ProducerRisk, p.ConsumerRisk, p.Seed, d.Pulled, append([]string{}, p.Notes...)})
}

// An OverrideRequest sets a verdict aside, or agrees to that as a second person.
type OverrideRequest struct {
	Attempt int    `json:"attempt"` // 0 for the last one
	Verdict string `json:"verdict"`
	Reason  string `json:"reason"`
	Person  string `json:"person"`
	Confirm bool   `json:"confirm"`
}

// An Override says what became of it.
type Override struct {
	Attempt int    `json:"attempt"`
	Was     string `json:"was"`
	Verdict string `json:"verdict"`
	InForce bool   `json:"in_force"`
}

func (s *server) postOverride(c echo.Context) error {
	var q OverrideRequest
	if err := readBody(c, &q); err != nil {
		return err
	}
	serial, err := unescaped(c, "serial")
	if err != nil {
		return err
	}
	who, err := named(c, q.Person)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	var o line.Overridden
	if q.Confirm {
		o, err = s.Line.Confirm(ctx, who, serial, q.Attempt, q.Reason)
	} else {
		o, err = s.Line.Override(ctx, who, line.Overriding{Serial: serial, Attempt: q.Attempt, Verdict: q.Verdict, Reason: q.Reason})
	}
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, Override{o.Attempt, o.Was, o.Verdict, o.InForce})
}

// An Entry is one line of the journal.
type Entry struct {
	Entry   int64     `json:"entry"`
	At      time.Time `json:"at"`
	Actor   string    `json:"actor"`
	Origin  string    `json:"origin"`
	Action  string    `json:"action"`
	Subject string    `json:"subject"`
	Reason  string    `json:"reason"`
	Detail  any       `json:"detail"`
}

func (s *server) getJournal(c echo.Context) error {
	after, err := whole(c, "after", 0, 0, 1<<62)
	if err != nil {
		return err
	}
	limit, err := whole(c, "limit", 500, 1, 10_000)
	if err != nil {
		return err
	}
	site := s.DB.Site(s.Line.Site())
	rows, err := site.JournalAbout(c.Request().Context(), c.QueryParam("subject"), int64(after), limit)
	if err != nil {
		return err
	}
	head, err := site.Head(c.Request().Context())
	if err != nil {
		return err
	}
	out := struct {
		Head    string  `json:"head"`
		Entries []Entry `json:"entries"`
	}{head.String(), []Entry{}}
	for _, e := range rows {
		out.Entries = append(out.Entries, Entry{e.Entry, e.At, e.Actor, e.Origin, e.Action, e.Subject, e.Reason, e.Detail})
	}
	return c.JSON(http.StatusOK, out)
}

// A Verification is what a walk over the journal found.
type Verification struct {
	Entries int64   `json:"entries"`
	Rows    int64   `json:"rows"`
	Head    string  `json:"head"`
	Faults  []Fault `json:"faults"`
	More    int64   `json:"more"` // faults beyond those listed
}

// A Fault is one thing that is not as it was written.
type Fault struct {
	Entry int64  `json:"entry"`
	Table string `json:"table"` // empty when the journal itself is at fault
	Row   string `json:"row"`
	Text  string `json:"text"`
}

func (s *server) getVerification(c echo.Context) error {
	var kept []store.Head
	if text := c.QueryParam("kept"); text != "" {
		h, err := store.ParseHead(text)
		if err != nil {
			return fieldProblem("kept", err.Error(), "give a head as /api/v1/journal answers it")
		}
		kept = append(kept, h)
	}
	v, err := s.DB.Verify(c.Request().Context(), s.Line.Site(), kept, func(store.VerifyStep) {})
	if err != nil {
		return err
	}
	out := Verification{v.Entries, v.Rows, v.Head.String(), []Fault{}, v.More}
	for _, f := range v.Faults {
		out.Faults = append(out.Faults, Fault{f.Entry, f.Table, f.Row, f.Text})
	}
	return c.JSON(http.StatusOK, out)
}

func fieldProblem(field, detail, remedy string) *Problem {
	p := newProblem(http.StatusUnprocessableEntity, detail, remedy)
	p.Field = field
	return p
}

// unescaped reads a part of the address.
func unescaped(c echo.Context, name string) (string, error) {
	v, err := url.PathUnescape(c.Param(name))
	if err != nil {
		return "", newProblem(http.StatusBadRequest, "the "+name+" in the address cannot be read", "escape it as in a URL")
	}
	return v, nil
}

// whole reads a whole number of the query.
func whole(c echo.Context, name string, usual, least, most int) (int, error) {
	q := c.QueryParam(name)
	if q == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(q)
	if err != nil || n < least || n > most {
		return 0, fieldProblem(name, fmt.Sprintf("%s %q is not a count", name, q), fmt.Sprintf("use %d to %d", least, most))
	}
	return n, nil
}
