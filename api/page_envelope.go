package api

import (
	"errors"
	"fmt"
	"net/http"
	"slices"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports/plot"
	"alike/spc/envelope"

	"github.com/labstack/echo/v4"
)

type envelopeBody struct {
	Product string
	Next    int // number of the version to be
	Form    envelopeForm
	Wrong   string
	Look    *envelopeLook
}

// An envelopeLook shows limits that are not in force.
type envelopeLook struct {
	Wrong    string
	Pictures []picture
	Units    int
	Words    []string // "195 pass", by these limits
	Now      []string // by the limits in force
	Changed  []string // serials
	More     int
}

// envelopePage is the editor, filled with the version in force.
func (s *server) envelopePage(c echo.Context) error {
	b, err := s.envelopeBody(c)
	if err != nil {
		return err
	}
	look, err := s.look(c, b.Product, b.Form)
	if err != nil {
		return err
	}
	b.Look = look
	return s.showEnvelope(c, http.StatusOK, b)
}

func (s *server) showEnvelope(c echo.Context, status int, b envelopeBody) error {
	return s.show(c, status, "envelope", pages.View{Title: "Envelope of " + b.Product, Here: "/products", Script: "envelope.js", Body: b})
}

// envelopeBody reads the version in force into the form.
func (s *server) envelopeBody(c echo.Context) (envelopeBody, error) {
	code, err := param(c, "product")
	if err != nil {
		return envelopeBody{}, err
	}
	d, err := s.Line.ProductDetail(c.Request().Context(), code)
	if err != nil {
		return envelopeBody{}, err
	}
	b := envelopeBody{Product: code, Next: 1}
	if len(d.Envelopes) > 0 {
		b.Next, b.Form = d.Envelopes[0].Version+1, formOf(d.Envelopes[0].Envelope)
	} else {
		first, last := d.Setup.Band[0].Nominal(), d.Setup.Band[len(d.Setup.Band)-1].Nominal()
		b.Form = envelopeForm{Around: rowOf(first, last, 3, 3)}
	}
	return b, nil
}

func typedEnvelope(c echo.Context) envelopeForm {
	return envelopeForm{
		Lower: c.FormValue("lower"), Upper: c.FormValue("upper"), Around: c.FormValue("around"), Guard: c.FormValue("guard"),
		Balance: c.FormValue("balance"), SensLower: c.FormValue("sens-lower"), SensUpper: c.FormValue("sens-upper"),
		SensGuard: c.FormValue("sens-guard"), Roughness: c.FormValue("roughness"), Reason: c.FormValue("reason"), By: person(c).Actor,
	}
}

// envelopeLookPage answers the script with what the limits that are being typed look
// like.
func (s *server) envelopeLookPage(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	look, err := s.look(c, code, typedEnvelope(c))
	if err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "envelopelook", pages.View{Title: "Envelope of " + code, Body: look})
}

// look rehearses limits over the last units, and says what is wrong with them.
func (s *server) look(c echo.Context, product string, f envelopeForm) (*envelopeLook, error) {
	e, err := f.envelope()
	if err != nil {
		return &envelopeLook{Wrong: err.Error()}, nil
	}
	r, err := s.Line.Rehearse(c.Request().Context(), product, e)
	var refusal *line.Refusal
	if errors.As(err, &refusal) && refusal.Kind != line.Missing {
		return &envelopeLook{Wrong: refusal.Reason}, nil
	} else if err != nil {
		return nil, err
	}
	setup, err := s.Line.Setup(c.Request().Context(), product)
	if err != nil {
		return nil, err
	}
	look := &envelopeLook{Units: r.Units, Words: counts(r.Words), Now: counts(r.Today), Changed: r.Changed}
	const most = 12
	if n := len(look.Changed); n > most {
		look.Changed, look.More = look.Changed[:most], n-most
	}
	var plots []plot.EnvelopePlot
	for _, name := range setup.Channels {
		p := framed(setup, name)
		p.Title, p.PlainName = "Not in force: "+name, fmt.Sprintf("the last %d units", len(r.Curves[name]))
		p.Description = "The limits that are being typed, in dB of deviation over frequency in Hz, with the last units."
		p.Lower, p.Upper = r.Limits.Lower, r.Limits.Upper
		p.WorkingLower, p.WorkingUpper = r.Limits.Working()
		for _, values := range r.Curves[name] {
			p.Plain = append(p.Plain, plot.Curve{Values: values})
		}
		plots = append(plots, p)
	}
	plots = sameLevels(plots)
	if p, ok := balancePlot(setup, r.Limits); ok {
		p.Title, p.PlainName = "Not in force: "+p.Title, fmt.Sprintf("the last %d units", len(r.Balance))
		for _, values := range r.Balance {
			p.Plain = append(p.Plain, plot.Curve{Values: values})
		}
		plots = append(plots, p)
	}
	for _, p := range plots {
		pic, err := draw(p)
		if err != nil {
			return nil, err
		}
		look.Pictures = append(look.Pictures, pic)
	}
	return look, nil
}

// balancePlot draws how far left and right may differ; false when the limits do not say.
func balancePlot(setup *line.Setup, limits envelope.Limits) (plot.EnvelopePlot, bool) {
	p := framed(setup, "")
	p.Title, p.Bounds = "balance, left minus right", "largest balance"
	p.Description = "How far left and right may differ, in dB over frequency in Hz, not anchored."
	any := false
	for _, v := range limits.Balance {
		any = any || v == v
		p.Lower, p.Upper = append(p.Lower, -v), append(p.Upper, v)
	}
	return p, any && len(setup.Channels) == 2
}

// counts writes numbers of units by verdict in the order in which reports count them.
func counts(words map[envelope.Word]int) []string {
	var out []string
	for _, w := range plot.Words {
		if n := words[envelope.Word(w)]; n > 0 {
			out = append(out, fmt.Sprintf("%d %s", n, w))
		}
	}
	return slices.Clip(out)
}

// saveEnvelope puts a new version in force, or shows it once more without a script.
func (s *server) saveEnvelope(c echo.Context) error {
	b, err := s.envelopeBody(c)
	if err != nil {
		return err
	}
	b.Form = typedEnvelope(c)
	if b.Look, err = s.look(c, b.Product, b.Form); err != nil {
		return err
	}
	if c.FormValue("do") != "save" {
		return s.showEnvelope(c, http.StatusOK, b)
	}
	switch {
	case b.Look.Wrong != "":
		b.Wrong = b.Look.Wrong
	case b.Form.Reason == "":
		b.Wrong = "say why the limits change"
	case b.Form.By == "":
		b.Wrong = "give your name: limits without one cannot be asked about"
	}
	if b.Wrong != "" {
		return s.showEnvelope(c, http.StatusUnprocessableEntity, b)
	}
	e, err := b.Form.envelope()
	if err != nil {
		return err
	}
	if _, err := s.Line.AddEnvelope(c.Request().Context(), person(c), b.Product, e, b.Form.Reason); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(b.Product)+"?done=envelope")
}
