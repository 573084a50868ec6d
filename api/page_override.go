package api

import (
	"net/http"
	"strconv"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// An overrideForm is what a person typed on a unit's page.
type overrideForm struct{ Attempt, Verdict, Reason, Confirm, By string }

// An overrideBody lets a person set a verdict aside, or agree to that.
type overrideBody struct {
	Attempts []int              // that are judged
	Pending  *store.OverrideRow // waits for a second person
	Second   bool               // the product asks for one
	Decided  string             // why nothing can be set aside; empty when it can
	Words    []string
	Form     overrideForm
	Wrong    string
}

// overriding fills the form of a unit's page.
func (b *unitBody) overriding(state store.LotState) {
	o := &b.Override
	o.Second, o.Words = b.Setup.SecondPerson, line.OverrideWords
	if state.State == line.LotDecided {
		o.Decided = "Lot " + b.Lot + " is decided: its verdicts stand until it is re-opened."
	}
	for _, a := range b.Attempts {
		if a.Verdict != nil {
			o.Attempts = append(o.Attempts, a.Number)
		}
	}
	newest := map[int]store.OverrideRow{}
	for _, r := range b.Overrides {
		newest[r.Number] = r
	}
	for _, n := range o.Attempts {
		if r, ok := newest[n]; ok && !r.InForce {
			o.Pending = &r
		}
	}
}

// overrideUnit sets a verdict aside, or agrees to that as a second person.
func (s *server) overrideUnit(c echo.Context) error {
	serial, err := param(c, "serial")
	if err != nil {
		return err
	}
	f := overrideForm{c.FormValue("attempt"), c.FormValue("verdict"), strings.TrimSpace(c.FormValue("reason")), c.FormValue("confirm"), person(c).Actor}
	attempt, err := strconv.Atoi(f.Attempt)
	switch {
	case err != nil:
		return s.showUnit(c, http.StatusUnprocessableEntity, serial, f, "Choose the attempt.")
	case f.By == "":
		return s.showUnit(c, http.StatusUnprocessableEntity, serial, f, "Say who you are: the record keeps it.")
	}
	ctx := c.Request().Context()
	if f.Confirm != "" {
		_, err = s.Line.Confirm(ctx, person(c), serial, attempt, f.Reason)
	} else {
		_, err = s.Line.Override(ctx, person(c), line.Overriding{Serial: serial, Attempt: attempt, Verdict: f.Verdict, Reason: f.Reason})
	}
	if err != nil {
		if p := problem(err); p.Status == http.StatusUnprocessableEntity || p.Status == http.StatusConflict {
			return s.showUnit(c, p.Status, serial, f, pages.Sentence(p.Detail)+" "+pages.Sentence(p.Remedy))
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.UnitPath(serial)+"#attempts")
}
