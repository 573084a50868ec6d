package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"alike/internal/line"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

// Rigs says whether the rigs of a product are trusted.
type Rigs struct {
	Product    string          `json:"product"`
	Policy     json.RawMessage `json:"policy"` // null when rigs are not checked
	Version    int             `json:"policy_version"`
	Rigs       []Rig           `json:"rigs"`
	References []Reference     `json:"references"`
}

// A Rig is a measuring place, named by the station of its takes.
type Rig struct {
	Rig      string     `json:"rig"`
	Checked  bool       `json:"checked"` // a policy is in force
	Trusted  bool       `json:"trusted"`
	Sentence string     `json:"sentence"` // why, and until when or what to do
	Until    *time.Time `json:"until"`
	Last     *Check     `json:"last_check"`
	OnHold   []Held     `json:"on_hold"`
	Notes    []string   `json:"notes"`
}

// A Held is a unit that waits because the rig is not trusted.
type Held struct {
	Serial     string    `json:"serial"`
	Attempt    int       `json:"attempt"`
	MeasuredAt time.Time `json:"measured_at"`
	Sentence   string    `json:"sentence"`
}

// A Check is a visit of a reference unit.
type Check struct {
	Serial   string    `json:"serial"`
	Number   int       `json:"number"`
	At       time.Time `json:"at"`
	Operator string    `json:"operator"`
	Judged   bool      `json:"judged"`
	Passed   bool      `json:"passed"`
	Sentence string    `json:"sentence"`
}

// A Reference is a reference unit.
type Reference struct {
	Serial string    `json:"serial"`
	State  string    `json:"state"` // in use, spare, retired
	Since  time.Time `json:"since"`
	Reason string    `json:"reason"`
	Note   string    `json:"note"`
}

// A CheckResult says what became of a visit of a reference unit.
type CheckResult struct {
	Serial   string    `json:"serial"`
	Rig      string    `json:"rig"`
	Number   int       `json:"number"`
	At       time.Time `json:"at"`
	Result   string    `json:"result"` // passed, failed, recorded, turned, waiting
	Sentence string    `json:"sentence"`
	Changed  []Changed `json:"changed"` // units whose verdict changed by it
}

// A Changed is a verdict that went to hold or came back.
type Changed struct {
	Serial   string `json:"serial"`
	Attempt  int    `json:"attempt"`
	From     string `json:"from"`
	To       string `json:"to"`
	Sentence string `json:"sentence"`
}

func changedOf(xs []line.Settled) []Changed {
	out := []Changed{}
	for _, x := range xs {
		out = append(out, Changed{x.Serial, x.Attempt, string(x.From), string(x.To), x.Sentence})
	}
	return out
}

func checkResultOf(k line.RigCheck) CheckResult {
	return CheckResult{k.Serial, k.Rig, k.Number, k.At, k.Word, k.Sentence, changedOf(k.Settled)}
}

func checkOf(v line.CheckView, judged bool) Check {
	return Check{v.Serial, v.Number, v.At, v.Operator, judged, v.Passed, v.Sentence}
}

func (s *server) getRigs(c echo.Context) error {
	t, err := s.Line.RigTrust(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	out := Rigs{Product: t.Product, Version: t.Version, Policy: json.RawMessage("null"), Rigs: []Rig{}, References: []Reference{}}
	if t.Policy != nil {
		if out.Policy, err = json.Marshal(t.Policy); err != nil {
			return err
		}
	}
	for _, r := range t.Rigs {
		x := Rig{Rig: r.Rig, Checked: r.Checked, Trusted: r.Trusted, Sentence: r.Sentence, OnHold: []Held{}, Notes: append([]string{}, r.Notes...)}
		if r.Trusted {
			x.Until = &r.Until
		}
		if r.Last != nil {
			k := checkOf(*r.Last, true)
			x.Last = &k
		}
		for _, h := range r.Held {
			x.OnHold = append(x.OnHold, Held{h.Serial, h.Attempt, h.MeasuredAt, h.Sentence})
		}
		out.Rigs = append(out.Rigs, x)
	}
	for _, r := range t.References {
		out.References = append(out.References, Reference{r.Serial, r.State, r.Since, r.Reason, r.Note})
	}
	return c.JSON(http.StatusOK, out)
}

// A ReferenceDetail is a reference unit on one rig over time.
type ReferenceDetail struct {
	Reference
	Rig      string  `json:"rig"`
	Baseline int     `json:"baseline"`
	Visits   []Check `json:"visits"`
	Drifts   []Drift `json:"drifts"`
	Charts   []Place `json:"charts"`
}

// A Drift is a band that moves over time.
type Drift struct {
	Place   string `json:"place"`
	PerWeek number `json:"per_week"`
	Low     number `json:"low"`
	High    number `json:"high"`
	P       number `json:"p"`
}

// A Place is the chart of one band of one channel of a reference unit: change against
// its baseline, one value per visit.
type Place struct {
	Channel   string   `json:"channel"`
	Band      string   `json:"band"`
	Tolerance number   `json:"tolerance"`
	Lower     number   `json:"lower"`
	Upper     number   `json:"upper"`
	Values    []number `json:"values"`
	Signals   []string `json:"signals"` // rules that fired
}

func pathPart(c echo.Context, name string) (string, error) {
	v, err := url.PathUnescape(c.Param(name))
	if err != nil {
		return "", newProblem(http.StatusBadRequest, "the "+name+" in the address cannot be read", "escape it as in a URL")
	}
	return v, nil
}

func (s *server) history(c echo.Context) (line.ReferenceHistory, error) {
	serial, err := pathPart(c, "serial")
	if err != nil {
		return line.ReferenceHistory{}, err
	}
	return s.Line.History(c.Request().Context(), serial, c.QueryParam("rig"), 500)
}

func (s *server) getReference(c echo.Context) error {
	h, err := s.history(c)
	if err != nil {
		return err
	}
	out := ReferenceDetail{
		Reference: Reference{h.Serial, h.State, h.Since, h.Reason, h.Note}, Rig: h.Rig, Baseline: h.Baseline,
		Visits: []Check{}, Drifts: []Drift{}, Charts: []Place{},
	}
	for i, v := range h.Visits {
		out.Visits = append(out.Visits, checkOf(v, h.Judged[i]))
	}
	for _, d := range h.Drifts {
		out.Drifts = append(out.Drifts, Drift{d.Place, number(d.PerWeek), number(d.Low), number(d.High), number(d.P)})
	}
	for _, ch := range h.Charts {
		p := Place{ch.Channel, ch.Band, number(ch.Tolerance), number(ch.Lower), number(ch.Upper), numbers(ch.Values), []string{}}
		seen := map[string]bool{}
		for _, m := range ch.Marks {
			if !seen[m.Rule] {
				seen[m.Rule] = true
				p.Signals = append(p.Signals, m.Rule)
			}
		}
		out.Charts = append(out.Charts, p)
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) getReferenceChart(c echo.Context) error {
	h, err := s.history(c)
	if err != nil {
		return err
	}
	for _, ch := range h.Charts {
		if ch.Channel == c.QueryParam("channel") && ch.Band == c.QueryParam("band") {
			var svg bytes.Buffer
			if err := plot.Control(&svg, ch.Chart); err != nil {
				return err
			}
			return c.Blob(http.StatusOK, "image/svg+xml", svg.Bytes())
		}
	}
	p := newProblem(http.StatusNotFound, fmt.Sprintf("there is no chart of channel %q, band %q", c.QueryParam("channel"), c.QueryParam("band")), "see charts at the reference unit's own address")
	p.Field = "band"
	return p
}

func (s *server) postReference(c echo.Context) error {
	var in struct {
		Serial  string `json:"serial"`
		Product string `json:"product"`
		State   string `json:"state"`
		Note    string `json:"note"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if in.State == "" {
		in.State = line.InUse
	}
	if err := s.Line.AddReference(c.Request().Context(), by(c), in.Product, in.Serial, in.State, in.Note); err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, map[string]string{"serial": in.Serial, "state": in.State})
}

func (s *server) postReferenceState(c echo.Context) error {
	var in struct {
		State  string `json:"state"`
		Reason string `json:"reason"`
	}
	serial, err := pathPart(c, "serial")
	if err != nil {
		return err
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if err := s.Line.SetReference(c.Request().Context(), by(c), serial, in.State, in.Reason); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, map[string]string{"serial": serial, "state": in.State})
}

func (s *server) postBaseline(c echo.Context) error {
	var in struct {
		Rig    string `json:"rig"`
		Visits int    `json:"visits"`
		Reason string `json:"reason"`
	}
	serial, err := pathPart(c, "serial")
	if err != nil {
		return err
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if in.Visits == 0 {
		in.Visits = 5
	}
	b, err := s.Line.SetBaseline(c.Request().Context(), by(c), serial, in.Rig, in.Visits, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, struct {
		Version  int         `json:"version"`
		Visits   int         `json:"visits"`
		Turned   int         `json:"turned"`
		Seatings int         `json:"seatings"`
		Check    CheckResult `json:"check"`
		Warnings []string    `json:"warnings"`
	}{b.Version, b.Visits, b.Turned, b.Seatings, checkResultOf(b.Check), append([]string{}, b.Warnings...)})
}

// settledAnswer is what changed verdicts are answered in.
type settledAnswer struct {
	Version int       `json:"version,omitempty"`
	Changed []Changed `json:"changed"`
}

func (s *server) postPolicy(c echo.Context) error {
	var in struct {
		Product string         `json:"product"`
		Policy  line.RigPolicy `json:"policy"`
		Reason  string         `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	v, settled, err := s.Line.AddRigPolicy(c.Request().Context(), by(c), in.Product, in.Policy, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, settledAnswer{v, changedOf(settled)})
}

func (s *server) postRigEntry(c echo.Context) error {
	var in struct {
		Rig         string     `json:"rig"`
		Kind        string     `json:"kind"`
		At          *time.Time `json:"at"`
		Subject     string     `json:"subject"`
		Changed     bool       `json:"changed"`
		Level       *float64   `json:"level"`
		Certificate string     `json:"certificate"`
		Due         string     `json:"due"`
		Temperature *float64   `json:"temperature"`
		Humidity    *float64   `json:"humidity"`
		Noise       *float64   `json:"noise"`
		Note        string     `json:"note"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	e := line.Entry{
		Rig: in.Rig, Kind: in.Kind, Subject: in.Subject, Changed: in.Changed || in.Kind == "work", Level: in.Level, Certificate: in.Certificate,
		Temperature: in.Temperature, Humidity: in.Humidity, Noise: in.Noise, Note: in.Note,
	}
	if in.At != nil {
		e.At = *in.At
	}
	if in.Due != "" {
		due, err := time.Parse(time.DateOnly, in.Due)
		if err != nil {
			p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("due %q is not a date", in.Due), "write 2006-01-02")
			p.Field = "due"
			return p
		}
		e.Due = &due
	}
	settled, err := s.Line.AddEntry(c.Request().Context(), by(c), e)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, settledAnswer{Changed: changedOf(settled)})
}

// A RigEntry is something done to a rig or read around it.
type RigEntry struct {
	Rig         string    `json:"rig"`
	Kind        string    `json:"kind"`
	At          time.Time `json:"at"`
	Subject     string    `json:"subject"`
	Changed     bool      `json:"changed"`
	Level       *float64  `json:"level"`
	Certificate string    `json:"certificate"`
	Due         string    `json:"due"` // a date, empty for none
	Temperature *float64  `json:"temperature"`
	Humidity    *float64  `json:"humidity"`
	Noise       *float64  `json:"noise"`
	Note        string    `json:"note"`
	Author      string    `json:"author"`
}

func (s *server) getRigEntries(c echo.Context) error {
	const most = 1000
	rows, err := s.DB.Site(s.Line.Site()).Entries(c.Request().Context(), c.QueryParam("rig"), c.QueryParam("kind"), most)
	if err != nil {
		return err
	}
	out := struct {
		Entries []RigEntry `json:"entries"`
	}{[]RigEntry{}}
	for _, e := range rows {
		x := RigEntry{e.Rig, e.Kind, e.At, e.Subject, e.Changed, e.Level, e.Certificate, "", e.Temperature, e.Humidity, e.Noise, e.Note, e.Author}
		if e.Due != nil {
			x.Due = e.Due.Format(time.DateOnly)
		}
		out.Entries = append(out.Entries, x)
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) postRelease(c echo.Context) error {
	var in struct {
		Serials []string `json:"serials"`
		Reason  string   `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	settled, err := s.Line.Release(c.Request().Context(), by(c), in.Serials, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, settledAnswer{Changed: changedOf(settled)})
}
