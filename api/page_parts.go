package api

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"alike/api/pages"
	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

// partsShown is how many entries the page of the ledger holds, newest first.
const partsShown = 500

type partsBody struct {
	Product   string
	Channels  []string
	Parts     []store.PartUse
	More      int // entries that are not shown
	All       bool
	Batches   []ComponentBatch
	Kinds     []string
	Codes, By string // of the scan form
	Entry     entryForm
	Wrong     string
	Said      string
}

// An entryForm is what was typed of one entry.
type entryForm struct {
	line.PartUse
	By, Wrong string
}

// partsPage shows which batch and which piece went into which units.
func (s *server) partsPage(c echo.Context) error {
	if c.QueryParam("product") == "" {
		if asked, err := s.whichProduct(c, "", "Parts", "/parts"); asked || err != nil {
			return err
		}
	}
	b, err := s.partsBody(c, c.QueryParam("product"))
	if err != nil {
		return err
	}
	if n := c.QueryParam("new"); n != "" {
		b.Said = "New entries: " + n + "."
	}
	if c.QueryParam("done") == "withdrawn" {
		b.Said = "The entry is withdrawn, and kept with its reason."
	}
	return s.showParts(c, http.StatusOK, b)
}

func (s *server) showParts(c echo.Context, status int, b partsBody) error {
	return s.show(c, status, "parts", pages.View{Title: "Parts", Here: "/parts", Body: b})
}

func (s *server) partsBody(c echo.Context, product string) (partsBody, error) {
	ctx := c.Request().Context()
	setup, err := s.Line.Setup(ctx, product)
	if err != nil {
		return partsBody{}, err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return partsBody{}, err
	}
	b := partsBody{Product: setup.Code, Channels: setup.Channels, Kinds: kindsOf(setup), All: c.QueryParam("all") != ""}
	rows, err := s.DB.Site(s.Line.Site()).Parts(ctx, setup.Code)
	if err != nil {
		return b, err
	}
	slices.Reverse(rows)
	for _, r := range rows {
		if r.WithdrawnAt != nil && !b.All {
			continue
		}
		if len(b.Parts) == partsShown {
			b.More++
			continue
		}
		r.EnteredAt = r.EnteredAt.In(zone)
		b.Parts = append(b.Parts, r)
	}
	b.Batches, err = s.componentBatches(c, "")
	return b, err
}

// scanParts enters what a hand scanner typed into the form.
func (s *server) scanParts(c echo.Context) error {
	codes, by := c.FormValue("codes"), person(c)
	wrong := ""
	if by.Actor == "" {
		wrong = "give your name: an entry without one cannot be asked about"
	} else {
		n, err := s.Line.ScanParts(c.Request().Context(), by, c.FormValue("product"), "scan", []byte(codes))
		var refusal *curve.Refusal
		switch {
		case err == nil:
			return c.Redirect(http.StatusSeeOther, "/parts?"+url.Values{"product": {c.FormValue("product")}, "new": {strconv.Itoa(n)}}.Encode())
		case !errors.As(err, &refusal):
			return err
		}
		wrong = "line " + strconv.Itoa(refusal.Line) + ": " + refusal.Reason + "; " + refusal.Remedy
	}
	b, err := s.partsBody(c, c.FormValue("product"))
	if err != nil {
		return err
	}
	b.Codes, b.By, b.Wrong = codes, by.Actor, wrong
	return s.showParts(c, http.StatusUnprocessableEntity, b)
}

// enterPart stores which batch or piece went into which units.
func (s *server) enterPart(c echo.Context) error {
	get := func(name string) string { return strings.TrimSpace(c.FormValue(name)) }
	f := entryForm{By: person(c).Actor, PartUse: line.PartUse{Kind: strings.ToLower(get("kind")), Channel: get("channel"), Batch: get("batch"), Piece: get("piece"),
		First: get("first"), Last: get("last"), Lot: get("lot"), Note: get("note")}}
	use := f.PartUse
	if use.Last == "" {
		use.Last = use.First
	}
	if f.By == "" {
		f.Wrong = "give your name: an entry without one cannot be asked about"
	} else {
		n, err := s.Line.AddParts(c.Request().Context(), person(c), get("product"), []line.PartUse{use})
		var refusal *line.Refusal
		switch {
		case err == nil:
			return c.Redirect(http.StatusSeeOther, "/parts?"+url.Values{"product": {get("product")}, "new": {strconv.Itoa(n)}}.Encode())
		case !errors.As(err, &refusal):
			return err
		}
		f.Wrong = refusal.Error()
	}
	b, err := s.partsBody(c, get("product"))
	if err != nil {
		return err
	}
	b.Entry = f
	return s.showParts(c, http.StatusUnprocessableEntity, b)
}

type partBody struct {
	store.PartUse
	Channels           []string
	Instead            line.PartUse
	Reason, By, Wrong  string
	Withdrawn, Replace string
}

// partPage shows one entry, and how to correct it.
func (s *server) partPage(c echo.Context) error {
	b, err := s.partBody(c)
	if err != nil {
		return err
	}
	return s.showPart(c, http.StatusOK, b)
}

func (s *server) showPart(c echo.Context, status int, b partBody) error {
	return s.show(c, status, "part", pages.View{Title: "Entry of the parts ledger", Here: "/parts", Body: b})
}

func (s *server) partBody(c echo.Context) (partBody, error) {
	ctx := c.Request().Context()
	id, err := uuid.Parse(c.Param("entry"))
	if err != nil {
		return partBody{}, newProblem(http.StatusNotFound, "there is no entry "+c.Param("entry"), "choose one on the page of parts")
	}
	row, err := s.DB.Site(s.Line.Site()).Part(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		return partBody{}, newProblem(http.StatusNotFound, "there is no entry "+id.String(), "choose one on the page of parts")
	} else if err != nil {
		return partBody{}, err
	}
	setup, err := s.Line.Setup(ctx, row.Product)
	if err != nil {
		return partBody{}, err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return partBody{}, err
	}
	b := partBody{PartUse: row, Channels: setup.Channels}
	b.EnteredAt = b.EnteredAt.In(zone)
	b.Instead = line.PartUse{Kind: row.Kind, Channel: row.Channel, Batch: row.Batch, Piece: row.Piece, First: row.FirstSerial, Last: row.LastSerial}
	if e := entryOf(row).Withdrawn; e != nil {
		b.Withdrawn, b.Replace = pages.Date(e.At.In(zone))+" by "+e.By+": "+e.Why, e.Replaced
	}
	return b, nil
}

// correctPart withdraws an entry and, when it is corrected, puts another in its place.
func (s *server) correctPart(c echo.Context) error {
	b, err := s.partBody(c)
	if err != nil {
		return err
	}
	by := person(c)
	b.By, b.Reason = by.Actor, strings.TrimSpace(c.FormValue("reason"))
	get := func(name string) string { return strings.TrimSpace(c.FormValue(name)) }
	b.Instead = line.PartUse{Kind: b.Kind, Channel: get("channel"), Batch: get("batch"), Piece: get("piece"), First: get("first"), Last: get("last"), Note: b.Note}
	if b.By == "" || b.Reason == "" {
		b.Wrong = "give your name and what was wrong"
		return s.showPart(c, http.StatusUnprocessableEntity, b)
	}
	instead := &b.Instead
	if c.FormValue("do") == "withdraw" {
		instead = nil
	}
	_, err = s.Line.CorrectPart(c.Request().Context(), by, b.Use, instead, b.Reason)
	var refusal *line.Refusal
	if errors.As(err, &refusal) {
		b.Wrong = refusal.Reason + "; " + refusal.Remedy
		return s.showPart(c, http.StatusUnprocessableEntity, b)
	} else if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/parts?"+url.Values{"product": {b.Product}, "done": {"withdrawn"}}.Encode())
}
