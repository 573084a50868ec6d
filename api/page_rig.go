package api

import (
	"context"
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
	"alike/internal/store"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

type rigBody struct {
	Product    string
	Products   []string
	Policy     *line.RigPolicy
	Version    int
	Rigs       []rigLine
	References []referenceLine
	Studies    []studyLine
	Today      string
	Rehearsal  *line.RigRehearsal // of a policy that somebody looks at
	Transfers  []transferLine
	ReadRigs   []string // rigs that are read as another
	formState
}

type rigLine struct {
	line.RigState
	Answer, Look string
	Name         string
	LastAt       time.Time
	Held         []heldLine
	Calibrations []entryLine
	Ambient      *entryLine
	Others       []entryLine
}

type heldLine struct {
	line.HeldUnit
	At time.Time
}

type entryLine struct {
	store.EntryRow
	When    time.Time
	DueText string
	Overdue bool
}

type referenceLine struct {
	store.ReferenceRow
	Rigs []string
}

type studyLine struct {
	line.StudyState
	Left int
}

// rigPage answers: can the rig be trusted today, and if not, what is to be done?
func (s *server) rigPage(c echo.Context) error {
	return s.showRig(c, http.StatusOK, nil)
}

func (s *server) showRig(c echo.Context, status int, wrong map[string]string) error {
	return s.showRigWith(c, status, wrong, nil)
}

// rigBody gathers what the rig's page says; nil when there is no product yet.
func (s *server) rigBody(c echo.Context, wrong map[string]string) (*rigBody, error) {
	ctx := c.Request().Context()
	zone, err := s.zone(ctx)
	if err != nil {
		return nil, err
	}
	b := rigBody{Product: c.FormValue("product"), formState: formState{Form: c.Request().Form, Wrong: wrong}, Today: time.Now().In(zone).Format(time.DateOnly)}
	products, err := s.DB.Site(s.Line.Site()).Products(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range products {
		b.Products = append(b.Products, p.Product)
	}
	if len(b.Products) == 0 {
		return nil, nil
	}
	if b.Product == "" {
		b.Product = b.Products[0]
	}
	t, err := s.Line.RigTrust(ctx, b.Product)
	if err != nil {
		return nil, err
	}
	b.Policy, b.Version = t.Policy, t.Version
	entries, err := s.DB.Site(s.Line.Site()).Entries(ctx, "", "", 1000)
	if err != nil {
		return nil, err
	}
	for _, r := range t.Rigs {
		b.Rigs = append(b.Rigs, rigOf(r, entries, zone))
	}
	for _, r := range t.References {
		ref := referenceLine{ReferenceRow: r}
		for _, x := range t.Rigs {
			if _, err := s.DB.Site(s.Line.Site()).Baseline(ctx, r.Serial, x.Rig); err == nil {
				ref.Rigs = append(ref.Rigs, x.Rig)
			}
		}
		ref.Since = r.Since.In(zone)
		b.References = append(b.References, ref)
	}
	if b.Studies, err = s.studiesOf(ctx, b.Product); err != nil {
		return nil, err
	}
	if err := s.transfersOf(ctx, &b, zone); err != nil {
		return nil, err
	}
	return &b, nil
}

func rigOf(r line.RigState, entries []store.EntryRow, zone *time.Location) rigLine {
	x := rigLine{RigState: r, Name: rigTitle(r.Rig)}
	if r.Rig == "" {
		x.Name = pages.Upper(x.Name)
	}
	switch {
	case !r.Checked:
		x.Answer, x.Look = "not checked", "waiting"
	case r.Trusted:
		x.Answer, x.Look = "trusted", "pass"
	default:
		x.Answer, x.Look = "not trusted", "fail"
	}
	if r.Last != nil {
		x.LastAt = r.Last.At.In(zone)
	}
	for _, h := range r.Held {
		x.Held = append(x.Held, heldLine{h, h.MeasuredAt.In(zone)})
	}
	latest := map[string]entryLine{}
	for _, e := range entries {
		if e.Rig != r.Rig {
			continue
		}
		l := entryLine{EntryRow: e, When: e.At.In(zone)}
		switch e.Kind {
		case "calibration":
			if e.Due != nil {
				l.DueText = e.Due.Format(time.DateOnly)
				l.Overdue = time.Now().After(e.Due.AddDate(0, 0, 1))
			}
			latest[e.Subject] = l
		case "ambient":
			x.Ambient = &l
		default:
			x.Others = append(x.Others, l)
		}
	}
	for _, l := range latest {
		x.Calibrations = append(x.Calibrations, l)
	}
	slices.SortFunc(x.Calibrations, func(a, b entryLine) int { return strings.Compare(a.Subject, b.Subject) })
	return x
}

func rigTitle(rig string) string {
	if rig == "" {
		return "the rig without a name"
	}
	return rig
}

func (s *server) studiesOf(ctx context.Context, product string) ([]studyLine, error) {
	rows, err := s.DB.Site(s.Line.Site()).Studies(ctx)
	if err != nil {
		return nil, err
	}
	var out []studyLine
	for _, r := range rows {
		if r.Product != product {
			continue
		}
		state, err := s.Line.Study(ctx, r.Study)
		if err != nil {
			return nil, err
		}
		out = append(out, studyLine{state, len(state.Left())})
	}
	return out, nil
}

// wrongRig answers what a form of the rig's page got wrong, beside it.
func (s *server) wrongRig(c echo.Context, form string, err error) error {
	p := problem(err)
	if p.Status != http.StatusUnprocessableEntity && p.Status != http.StatusConflict && p.Status != http.StatusNotFound {
		return err
	}
	return s.showRig(c, p.Status, formWrong(form, c.Request().Form, p, pages.Upper(p.Detail)+": "+p.Remedy+"."))
}

var errNoName = &Problem{Status: http.StatusUnprocessableEntity, Field: "by", Detail: "nobody is named", Remedy: "say who you are: the record keeps it"}

func (p *Problem) orNone(c echo.Context) error {
	if person(c).Actor == "" {
		return p
	}
	return nil
}

// enterRig notes a calibration, the surroundings, or work on a rig.
func (s *server) enterRig(c echo.Context) error {
	kind := c.FormValue("kind")
	e := line.Entry{
		Rig: c.FormValue("rig"), Kind: kind, Subject: strings.TrimSpace(c.FormValue("subject")), Certificate: strings.TrimSpace(c.FormValue("certificate")),
		Note: strings.TrimSpace(c.FormValue("note")), Changed: kind == "work" || c.FormValue("changed") != "",
	}
	for _, f := range []struct {
		name string
		at   **float64
	}{{"level", &e.Level}, {"temperature", &e.Temperature}, {"humidity", &e.Humidity}, {"noise", &e.Noise}} {
		text := strings.TrimSpace(strings.Replace(c.FormValue(f.name), ",", ".", 1))
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return s.wrongRig(c, kind, badInput(f.name, "write it with digits", "%s %q is not a number", f.name, c.FormValue(f.name)))
		}
		*f.at = &v
	}
	zone, err := s.zone(c.Request().Context())
	if err != nil {
		return err
	}
	at, wrong := momentField(c.FormValue("at"), "at", zone)
	if wrong != nil {
		return s.wrongRig(c, kind, wrong)
	}
	e.At = at
	if text := c.FormValue("due"); text != "" {
		due, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return s.wrongRig(c, kind, badInput("due", "write 2006-01-02", "due %q is not a date", text))
		}
		e.Due = &due
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, kind, err)
	}
	if _, err := s.Line.AddEntry(c.Request().Context(), person(c), e); err != nil {
		return s.wrongRig(c, kind, err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#entries")
}

func rigAddress(c echo.Context) string {
	if p := c.FormValue("product"); p != "" {
		return "/rig?product=" + url.QueryEscape(p)
	}
	return "/rig"
}

// releaseRig judges units on hold as they were measured, with a reason.
func (s *server) releaseRig(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "release", err)
	}
	if _, err := s.Line.Release(c.Request().Context(), person(c), form["serial"], strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.wrongRig(c, "release", err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#hold")
}

// planStudy plans a gauge study or a comparison of rigs.
func (s *server) planStudy(c echo.Context) error {
	trials, err := strconv.Atoi(strings.TrimSpace(c.FormValue("seatings")))
	if err != nil {
		return s.wrongRig(c, "plan", badInput("seatings", "write a whole number such as 3", "seatings %q is not a number", c.FormValue("seatings")))
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "plan", err)
	}
	p := line.StudyPlan{
		Code: strings.TrimSpace(c.FormValue("study")), Product: c.FormValue("product"), Kind: c.FormValue("kind"), Trials: trials,
		Units: listed(c.FormValue("units")), By: listed(c.FormValue("who")), Reason: strings.TrimSpace(c.FormValue("reason")), Seed: uint64(time.Now().Unix()),
	}
	if err := s.Line.AddStudy(c.Request().Context(), person(c), p); err != nil {
		bad := *problem(err)
		if name, ok := map[string]string{"code": "study", "rigs": "who", "plan": "units"}[bad.Field]; ok {
			bad.Field = name
		}
		return s.wrongRig(c, "plan", &bad)
	}
	return c.Redirect(http.StatusSeeOther, "/rig/studies/"+url.PathEscape(p.Code))
}

// listed splits a list that a person typed.
func listed(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == ' ' || r == '\n' || r == '\r' || r == '\t' })
}

type referenceBody struct {
	line.ReferenceHistory
	Name    string
	Rows    []placeLine
	Seen    []time.Time // of the last visits
	Picture []picture
	Chart   template.HTML
	Channel string
	Band    string
	Place   string // of the chart shown
	Checks  []checkLine
}

type placeLine struct {
	Place     string
	Href      string
	Last      []float64
	Tolerance float64
	Outside   []bool
	Rules     string
}

type checkLine struct {
	line.CheckView
	Judged bool
	When   time.Time
}

// lastVisits is how many visits the table of a reference unit shows.
const lastVisits = 6

// referencePage shows what a reference unit read on a rig: the last visit over frequency
// within its tolerance, each band over time, and the visits.
func (s *server) referencePage(c echo.Context) error {
	zone, err := s.zone(c.Request().Context())
	if err != nil {
		return err
	}
	h, err := s.history(c)
	if err != nil {
		return err
	}
	setup, err := s.Line.Setup(c.Request().Context(), h.Product)
	if err != nil {
		return err
	}
	b := referenceBody{ReferenceHistory: h, Name: rigTitle(h.Rig), Channel: c.QueryParam("channel"), Band: c.QueryParam("band")}
	from := max(0, len(h.Visits)-lastVisits)
	for i, v := range h.Visits {
		b.Checks = append(b.Checks, checkLine{v, h.Judged[i], v.At.In(zone)})
		if i >= from {
			b.Seen = append(b.Seen, v.At.In(zone))
		}
	}
	slices.Reverse(b.Checks)
	if b.Picture, err = lastVisit(setup, h); err != nil {
		return err
	}
	worst, far := -1, -1.0
	for i, ch := range h.Charts {
		b.Rows = append(b.Rows, placeOf(h, ch, from))
		if n := len(ch.Values); n > 0 && ch.Tolerance > 0 && math.Abs(ch.Values[n-1])/ch.Tolerance > far {
			worst, far = i, math.Abs(ch.Values[n-1])/ch.Tolerance
		}
	}
	for i, ch := range h.Charts {
		if ch.Channel == b.Channel && ch.Band == b.Band || b.Channel == "" && (i == worst || worst < 0 && i == 0) {
			var svg strings.Builder
			if err := plot.Control(&svg, ch.Chart); err != nil {
				return err
			}
			b.Chart, b.Channel, b.Band, b.Place = template.HTML(svg.String()), ch.Channel, ch.Band, ch.Place // the writer escapes every text
		}
	}
	if b.Chart == "" && len(h.Charts) > 0 && b.Channel != "" {
		return newProblem(http.StatusNotFound, fmt.Sprintf("there is no chart of channel %q, band %q", b.Channel, b.Band), "choose a band in the table of the page")
	}
	return s.show(c, http.StatusOK, "rigunit", pages.View{Title: "Reference unit " + h.Serial, Here: "/rig", Body: b})
}

func placeOf(h line.ReferenceHistory, ch line.PlaceChart, from int) placeLine {
	p := placeLine{Place: ch.Place, Tolerance: ch.Tolerance, Href: fmt.Sprintf("/rig/references/%s?%s#chart", url.PathEscape(h.Serial),
		url.Values{"rig": {h.Rig}, "channel": {ch.Channel}, "band": {ch.Band}}.Encode())}
	for _, v := range ch.Values[min(from, len(ch.Values)):] {
		// What seating alone explains may be more than the tolerance, and is allowed then.
		p.Last, p.Outside = append(p.Last, v), append(p.Outside, math.Abs(v) > math.Max(ch.Tolerance, ch.Upper))
	}
	var rules []string
	for _, m := range ch.Marks {
		if m.Index == len(ch.Values)-1 && !slices.Contains(rules, m.Text) {
			rules = append(rules, m.Text)
		}
	}
	p.Rules = strings.Join(rules, " ")
	return p
}

// lastVisit draws the change of the last visit against the baseline, within what is
// allowed.
func lastVisit(setup *line.Setup, h line.ReferenceHistory) ([]picture, error) {
	var plots []plot.EnvelopePlot
	for _, channel := range setup.Channels {
		p := framed(setup, channel)
		p.Title = "Change against the baseline, " + channel
		area, last := plot.Area{Name: "tolerance"}, plot.Curve{Name: "last visit"}
		for _, ch := range h.Charts {
			if ch.Channel != channel {
				continue
			}
			v := math.NaN()
			if n := len(ch.Values); n > 0 {
				v = ch.Values[n-1]
			}
			area.Low, area.High, last.Values = append(area.Low, -ch.Tolerance), append(area.High, ch.Tolerance), append(last.Values, v)
		}
		if len(last.Values) != len(p.Axis) {
			continue
		}
		p.Description = fmt.Sprintf("Change of reference unit %s against its baseline on %s, %s, in dB over frequency in Hz, with the tolerance either way.", h.Serial, rigTitle(h.Rig), channel)
		p.Areas, p.Strong = []plot.Area{area}, []plot.Curve{last}
		plots = append(plots, p)
	}
	var out []picture
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return nil, err
		}
		out = append(out, pic)
	}
	return out, nil
}
