package api

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// usualKinds are offered for a product that does not say what it is made of.
var usualKinds = []string{line.KindDriver, "foam", "pad", "mesh", "glue", "print material"}

// leastRows is how many rows of a certificate the form has, and spareRows how many of
// them are empty at least.
const (
	leastRows = 5
	spareRows = 2
)

type batchBody struct {
	Product                        string
	Kinds                          []string
	Quantities                     []line.Quantity // that the product asks for
	Kind, Batch, Supplier          string
	Received, Pieces, Note         string
	Rows                           []certificateRow
	Known                          bool // is entered already: a change is a correction
	Versions                       []batchVersion
	Reason, By, Wrong, Field, Said string
}

// A certificateRow is one number of a certificate as it is typed.
type certificateRow struct{ Name, Value, Unit string }

type batchVersion struct {
	store.BatchRow
	Certificate []store.BatchValue
}

// batchPage shows the form of a batch: empty, or one that is entered, to correct it.
func (s *server) batchPage(c echo.Context) error {
	b, err := s.batchBody(c, c.QueryParam("product"), c.QueryParam("kind"), c.QueryParam("batch"))
	if err != nil {
		return err
	}
	if c.QueryParam("batch") != "" && !b.Known {
		return newProblem(http.StatusNotFound, fmt.Sprintf("no %s batch %s is entered", c.QueryParam("kind"), c.QueryParam("batch")), "choose one on the page of parts")
	}
	if n := len(b.Versions); n > 0 {
		b.fill(b.Versions[n-1])
	}
	b.spare()
	switch c.QueryParam("done") {
	case "new":
		b.Said = "The batch is entered."
	case "corrected":
		b.Said = "The batch is corrected. What was entered before is kept below."
	case "known":
		b.Said = "Nothing changed: the batch is entered just so."
	}
	return s.showBatch(c, http.StatusOK, b)
}

func (s *server) showBatch(c echo.Context, status int, b batchBody) error {
	title := "Enter a batch"
	if b.Known {
		title = "Batch " + b.Batch
	}
	return s.show(c, status, "batch", pages.View{Title: title, Here: "/parts", Body: b})
}

// batchBody reads what is known of a batch, oldest entry first.
func (s *server) batchBody(c echo.Context, product, kind, batch string) (batchBody, error) {
	ctx := c.Request().Context()
	setup, err := s.Line.Setup(ctx, product)
	if err != nil {
		return batchBody{}, err
	}
	b := batchBody{Product: setup.Code, Kind: strings.ToLower(strings.TrimSpace(kind)), Batch: strings.TrimSpace(batch), Kinds: kindsOf(setup)}
	for _, x := range setup.Components {
		b.Quantities = append(b.Quantities, x.Certificate...)
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return b, err
	}
	site := s.DB.Site(s.Line.Site())
	rows, err := site.BatchHistory(ctx, b.Kind, b.Batch)
	if err != nil {
		return b, err
	}
	values, err := site.BatchValues(ctx, b.Kind)
	if err != nil {
		return b, err
	}
	for _, r := range rows {
		v := batchVersion{BatchRow: r}
		v.EnteredAt = v.EnteredAt.In(zone)
		for _, x := range values {
			if x.Batch == r.Batch && x.Version == r.Version {
				v.Certificate = append(v.Certificate, x)
			}
		}
		b.Versions = append(b.Versions, v)
	}
	b.Known = len(b.Versions) > 0
	return b, nil
}

func kindsOf(setup *line.Setup) []string {
	var kinds []string
	for _, x := range setup.Components {
		kinds = append(kinds, x.Kind)
	}
	if len(kinds) == 0 {
		return usualKinds
	}
	return kinds
}

// fill puts an entry into the form.
func (b *batchBody) fill(v batchVersion) {
	b.Supplier, b.Received, b.Note = v.Supplier, dayText(v.ReceivedOn), v.Note
	if v.Pieces != nil {
		b.Pieces = strconv.Itoa(*v.Pieces)
	}
	for _, x := range v.Certificate {
		b.Rows = append(b.Rows, certificateRow{x.Name, strconv.FormatFloat(x.Value, 'g', -1, 64), x.Unit})
	}
}

// spare adds empty rows.
func (b *batchBody) spare() {
	for n := max(leastRows, len(b.Rows)+spareRows); len(b.Rows) < n; {
		b.Rows = append(b.Rows, certificateRow{})
	}
}

// enterBatch stores a batch, or a correction of one with its reason.
func (s *server) enterBatch(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	b, err := s.batchBody(c, get("product"), get("kind"), get("batch"))
	if err != nil {
		return err
	}
	by := person(c)
	b.Supplier, b.Received, b.Pieces, b.Note, b.Reason, b.By = get("supplier"), get("received"), get("pieces"), get("note"), get("reason"), by.Actor
	b.Rows = certificateRows(form)
	batch, field, wrong := b.batch()
	switch {
	case wrong != "":
	case b.By == "":
		field, wrong = "by", "give your name: an entry without one cannot be asked about"
	default:
		added, err := s.Line.AddBatches(c.Request().Context(), by, b.Product, []line.Batch{batch})
		if err == nil {
			done := "known"
			if added.New > 0 {
				done = "new"
			} else if added.Corrected > 0 {
				done = "corrected"
			}
			q := url.Values{"product": {b.Product}, "kind": {b.Kind}, "batch": {b.Batch}, "done": {done}}
			return c.Redirect(http.StatusSeeOther, "/parts/batch?"+q.Encode())
		}
		var refusal *line.Refusal
		if !errors.As(err, &refusal) {
			return err
		}
		field, wrong = refusal.Field, refusal.Reason+"; "+refusal.Remedy
		if b.Known && b.Reason == "" && refusal.Kind == line.Conflict {
			field, wrong = "reason", fmt.Sprintf("%s batch %s is entered already with other contents; say what was wrong with them, or choose another code", b.Kind, b.Batch)
		}
	}
	b.Field, b.Wrong = field, wrong
	b.spare()
	return s.showBatch(c, http.StatusUnprocessableEntity, b)
}

func certificateRows(form url.Values) []certificateRow {
	var out []certificateRow
	at := func(list []string, i int) string {
		if i < len(list) {
			return strings.TrimSpace(list[i])
		}
		return ""
	}
	for i := range form["quantity"] {
		r := certificateRow{at(form["quantity"], i), at(form["value"], i), at(form["unit"], i)}
		if r != (certificateRow{}) {
			out = append(out, r)
		}
	}
	return out
}

// batch reads what was typed; wrong says what cannot be read.
func (b *batchBody) batch() (out line.Batch, field, wrong string) {
	out = line.Batch{Kind: b.Kind, Code: b.Batch, Supplier: b.Supplier, Note: b.Note, Reason: b.Reason}
	if b.Kind == "" {
		return out, "kind", "say what the batch is of"
	}
	if b.Batch == "" {
		return out, "batch", "give the code of the batch, as it stands on its box"
	}
	var err error
	if out.Received, err = day("received", b.Received); err != nil {
		return out, "received", b.Received + " is not a date; write it as 2026-09-14"
	}
	if b.Pieces != "" {
		if out.Pieces, err = strconv.Atoi(b.Pieces); err != nil || out.Pieces < 1 || out.Pieces > 1_000_000 {
			return out, "pieces", b.Pieces + " is not a count; write a whole number, or leave it empty"
		}
	}
	for i, r := range b.Rows {
		at := fmt.Sprintf("row %d of the certificate: ", i+1)
		v, ok := plainDecimal(r.Value)
		switch {
		case r.Name == "":
			return out, "certificate", at + "says not what was measured; write for instance density"
		case !ok:
			return out, "certificate", at + fmt.Sprintf("%q is not a number; write digits with at most one decimal sign, and the unit beside it", r.Value)
		case r.Unit == "":
			return out, "certificate", at + r.Name + " has no unit; write for instance kg/m³, or % or 1"
		}
		if slices.ContainsFunc(out.Certificate, func(x line.BatchValue) bool { return x.Name == r.Name }) {
			return out, "certificate", at + r.Name + " stands there twice; leave one out"
		}
		out.Certificate = append(out.Certificate, line.BatchValue{Name: r.Name, Value: v, Unit: r.Unit})
	}
	return out, "", ""
}

// plainDecimal reads a number with a decimal point or comma.
func plainDecimal(text string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	return v, err == nil && v > -1e12 && v < 1e12
}
