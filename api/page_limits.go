package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"alike/api/pages"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

type limitsBody struct {
	Product  string
	Every    int
	Least    int
	Lots     []string
	Lot      string
	Others   string          // serials that were typed
	Without  map[string]bool // of the lot, not ticked
	Used     []string
	LeftOut  []line.LeftOut
	Screened bool
	Reason   string
	By       string
	Wrong    string
}

// limitsPage chooses a baseline and shows who is screened out of it.
func (s *server) limitsPage(c echo.Context) error {
	b, err := s.limitsBody(c, line.Baseline{Lot: c.QueryParam("lot"), Serials: serials(c.QueryParam("others"))})
	if err != nil {
		return err
	}
	b.Others = c.QueryParam("others")
	return s.showLimits(c, http.StatusOK, b)
}

// Ticked reports whether a unit of the lot serves.
func (b limitsBody) Ticked(serial string) bool { return !b.Without[serial] }

// Pickable reports whether the units are few enough to be ticked one by one.
func (b limitsBody) Pickable() bool { return len(b.Used) <= 300 }

// Serving counts the units that limits would rest on.
func (b limitsBody) Serving() int {
	n := 0
	for _, u := range b.Used {
		if b.Ticked(u) {
			n++
		}
	}
	return n
}

// Baseline is what limits would rest on: a lot as it is, or units picked by hand.
func (b limitsBody) Baseline() line.Baseline {
	if b.Lot != "" && len(b.Without) == 0 && strings.TrimSpace(b.Others) == "" {
		return line.Baseline{Lot: b.Lot}
	}
	var base line.Baseline
	for _, u := range b.Used {
		if b.Ticked(u) {
			base.Serials = append(base.Serials, u)
		}
	}
	return base
}

func (s *server) showLimits(c echo.Context, status int, b limitsBody) error {
	return s.show(c, status, "limits", pages.View{Title: "Chart limits of " + b.Product, Here: "/products", Body: b})
}

func (s *server) limitsBody(c echo.Context, base line.Baseline) (limitsBody, error) {
	ctx := c.Request().Context()
	code, err := param(c, "product")
	if err != nil {
		return limitsBody{}, err
	}
	setup, err := s.Line.Setup(ctx, code)
	if err != nil {
		return limitsBody{}, err
	}
	b := limitsBody{Product: code, Every: setup.FalseAlarms, Least: line.LeastBaseline, Lot: base.Lot}
	if b.Lots, err = s.DB.Site(s.Line.Site()).LotNames(ctx, code, lotChoices); err != nil || base.Lot == "" && len(base.Serials) == 0 {
		return b, err
	}
	b.Used, b.LeftOut, err = s.Line.Screen(ctx, code, base)
	b.Screened = err == nil
	return b, err
}

// freeze starts the calibration, or shows what the ticks that were changed make.
func (s *server) freeze(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	b, err := s.limitsBody(c, line.Baseline{Lot: form.Get("lot"), Serials: serials(form.Get("others"))})
	if err != nil {
		return err
	}
	b.Others = form.Get("others")
	if form.Get("ticks") != "" {
		b.Without = map[string]bool{}
		for _, u := range b.Used {
			if !slices.Contains(form["unit"], u) && !slices.Contains(serials(b.Others), u) {
				b.Without[u] = true
			}
		}
	}
	if form.Get("do") == "look" {
		return s.showLimits(c, http.StatusOK, b)
	}
	b.Reason, b.By = strings.TrimSpace(c.FormValue("reason")), person(c).Actor
	switch {
	case !b.Screened:
		b.Wrong = "choose a lot, or name units"
	case b.Serving() < line.LeastBaseline:
		b.Wrong = "there are too few units that can serve"
	case b.Reason == "":
		b.Wrong = "say why these units are a good baseline"
	case b.By == "":
		b.Wrong = "give your name: limits without one cannot be asked about"
	}
	if b.Wrong != "" {
		return s.showLimits(c, http.StatusUnprocessableEntity, b)
	}
	s.begin(c.Request().Context(), person(c), b.Product, b.Baseline(), b.Reason)
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(b.Product)+"/limits/progress")
}

type progressBody struct {
	Product  string
	Lot      string
	State    freezingState
	Percent  int
	Stopped  bool
	Failed   string
	Rules    []string
	Signals  int
	Warnings []string
}

// progressPage shows how far a calibration has come, and then what it found. While it
// runs the page says when to ask again, with a script or without.
func (s *server) progressPage(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	f := s.freezings.of(code)
	if f == nil {
		return c.Redirect(http.StatusSeeOther, pages.ProductPath(code)+"/limits")
	}
	b := progressBody{Product: code, Lot: f.Base.Lot, State: f.state()}
	b.Percent = int(100 * b.State.Share)
	var refusal *line.Refusal
	switch {
	case !b.State.Ended:
		c.Response().Header().Set("Refresh", "1")
	case errors.Is(b.State.Err, context.Canceled):
		b.Stopped = true
	case errors.As(b.State.Err, &refusal):
		b.Failed = refusal.Reason + ": " + refusal.Remedy
	case b.State.Err != nil:
		s.log.Error("freezing limits failed", "product", code, "error", b.State.Err)
		b.Failed = problem(b.State.Err).Detail
	default:
		for _, r := range b.State.Frozen.Rules {
			b.Rules = append(b.Rules, r.Text())
		}
		b.Signals, b.Warnings = len(b.State.Frozen.Signals), b.State.Frozen.Warnings
	}
	return s.show(c, http.StatusOK, "progress", pages.View{Title: "Chart limits of " + code, Here: "/products", Body: b})
}

// stopFreezing gives a calibration up; nothing of it remains.
func (s *server) stopFreezing(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	if f := s.freezings.of(code); f != nil {
		f.stop()
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(code)+"/limits/progress")
}
