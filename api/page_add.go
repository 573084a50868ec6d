package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// usualPattern is the form of file names that the form begins with.
const usualPattern = "{serial}_{channel}_{seating}"

type addBody struct {
	Products []store.ProductRow
	Lots     []string // of the product, to choose from
	In       addForm
	Held     string
	Files    int
	Takes    []readTake
	Refused  []*curve.Refusal
	Wrong    string // what is wrong with the form itself
	Done     *addDone
}

// An addForm is what a person says about the files.
type addForm struct {
	Product, Lot, Pattern, Serial, Channel, Station, Operator, Attempt, Reason string
}

// A readTake says how one take was read.
type readTake struct {
	curve.Take
	File     string
	Points   int
	From, To float64 // Hz
}

// addDone says what became of the takes.
type addDone struct {
	Stored, Known, Refused int
	Units                  []line.Receipt
}

func (s *server) addBody(c echo.Context) (addBody, error) {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	b := addBody{In: addForm{
		Product: c.FormValue("product"), Lot: c.FormValue("lot"), Pattern: c.FormValue("pattern"), Serial: c.FormValue("serial"),
		Channel: c.FormValue("channel"), Station: c.FormValue("station"), Operator: c.FormValue("operator"),
		Attempt: c.FormValue("attempt"), Reason: c.FormValue("reason"),
	}}
	var err error
	if b.Products, err = site.Products(ctx); err != nil {
		return b, err
	}
	if b.In.Product == "" && len(b.Products) > 0 {
		b.In.Product = newestProduct(b.Products)
	}
	if b.In.Pattern == "" {
		b.In.Pattern = usualPattern
	}
	b.Lots, err = site.LotNames(ctx, b.In.Product, 20)
	return b, err
}

// addPage offers to add takes.
func (s *server) addPage(c echo.Context) error {
	b, err := s.addBody(c)
	if err != nil {
		return err
	}
	if len(b.Products) == 0 {
		return c.Redirect(http.StatusSeeOther, "/start")
	}
	return s.showAdd(c, http.StatusOK, b)
}

func (s *server) showAdd(c echo.Context, status int, b addBody) error {
	return s.show(c, status, "add", pages.View{Title: "Add takes", Here: "/products", Body: b})
}

// add reads the files that were sent and shows how, or stores what was shown before.
func (s *server) add(c echo.Context) error {
	files, held, err := s.sentFiles(c, "curve")
	if err != nil {
		return err
	}
	b, err := s.addBody(c)
	if err != nil {
		return err
	}
	b.Held, b.Files = held, len(files)
	if len(files) == 0 {
		b.Wrong = "choose files, or drop them here"
		return s.showAdd(c, http.StatusUnprocessableEntity, b)
	}
	takes, err := s.readAdded(c, &b, files)
	if err != nil {
		return err
	}
	if b.Wrong != "" {
		return s.showAdd(c, http.StatusUnprocessableEntity, b)
	}
	if c.FormValue("do") != "store" {
		return s.showAdd(c, http.StatusOK, b)
	}
	if err := s.storeAdded(c, &b, files, takes); err != nil {
		return err
	}
	s.shelf.drop(held)
	return s.showAdd(c, http.StatusOK, b)
}

// readAdded reads the files by what the form says, and fills the preview.
func (s *server) readAdded(c echo.Context, b *addBody, files []curve.File) ([]curve.Take, error) {
	zone, err := s.zone(c.Request().Context())
	if err != nil {
		return nil, err
	}
	o := curve.Options{Zone: zone, Defaults: curve.Identity{
		Product: b.In.Product, Lot: b.In.Lot, Serial: b.In.Serial, Channel: b.In.Channel, Station: b.In.Station,
		Operator: b.In.Operator, Reason: b.In.Reason,
	}}
	if b.In.Attempt != "" {
		if _, err := fmt.Sscanf(b.In.Attempt, "%d", &o.Defaults.Attempt); err != nil || o.Defaults.Attempt < 1 {
			b.Wrong = fmt.Sprintf("attempt %q is no number: leave it empty for the first, or give 2 or more with the reason", b.In.Attempt)
			return nil, nil
		}
	}
	if b.In.Serial == "" || b.In.Channel == "" { // else the names need not say anything
		if o.Pattern, err = curve.ParsePattern(b.In.Pattern); err != nil {
			b.Wrong = err.Error()
			return nil, nil
		}
		o.Pattern = o.Pattern.In(zone)
	}
	takes, refused := curve.ReadFiles(files, o)
	b.Refused = refused
	for _, t := range takes {
		hz := t.Curve.Hz
		b.Takes = append(b.Takes, readTake{t, t.Source.File, len(hz), hz[0], hz[len(hz)-1]})
	}
	return takes, nil
}

// storeAdded takes in what was read, visit by visit, and keeps what was refused.
func (s *server) storeAdded(c echo.Context, b *addBody, files []curve.File, takes []curve.Take) error {
	ctx := c.Request().Context()
	by := line.By{Actor: strings.TrimSpace(b.In.Operator), Origin: c.RealIP()}
	if callerOf(c).actor != "" {
		by = person(c)
	} else if by.Actor == "" {
		by.Actor = "page"
	}
	content := map[string][]byte{}
	for _, f := range files {
		content[f.Name] = f.Data
	}
	done := &addDone{}
	keep := func(r curve.Refusal, lot string) error {
		done.Refused++
		_, err := s.Line.Quarantine(ctx, by, r, lot, content[r.File])
		return err
	}
	for _, r := range b.Refused {
		if err := keep(*r, b.In.Lot); err != nil {
			return err
		}
	}
	for _, v := range line.Visits(takes) {
		receipt, err := s.Line.Intake(ctx, by, v)
		var whole *line.Refusal
		if errors.As(err, &whole) {
			receipt.Takes = make([]line.TakeReceipt, len(v))
			for i := range v {
				receipt.Takes[i].Refused = whole
			}
		} else if err != nil {
			return err
		}
		for i, t := range receipt.Takes {
			switch {
			case t.Refused != nil:
				r := t.Refused.At(v[i].Source)
				b.Refused = append(b.Refused, &r)
				if err := keep(r, v[i].Lot); err != nil {
					return err
				}
			case t.Known:
				done.Known++
			default:
				done.Stored++
			}
		}
		if whole == nil {
			done.Units = append(done.Units, receipt)
			if receipt.Verdict != nil {
				s.metrics.verdicts.WithLabelValues(string(receipt.Verdict.Word)).Inc()
			}
		}
	}
	b.Done = done
	return nil
}

const refusedPerPage = 100

type refusedBody struct {
	Rows  []store.QuarantineRow
	Total int
	From  int
	Next  int // offset of the next page, 0 at the end
}

// refusedPage lists what is in quarantine.
func (s *server) refusedPage(c echo.Context) error {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	var b refusedBody
	if _, err := fmt.Sscanf(c.QueryParam("from"), "%d", &b.From); err != nil || b.From < 0 {
		b.From = 0
	}
	if b.Total, _, err = site.CountQuarantine(ctx, time.Now()); err != nil {
		return err
	}
	if b.Rows, err = site.QuarantinePage(ctx, b.From, refusedPerPage); err != nil {
		return err
	}
	for i := range b.Rows {
		b.Rows[i].ReceivedAt = b.Rows[i].ReceivedAt.In(zone)
	}
	if b.From+len(b.Rows) < b.Total {
		b.Next = b.From + len(b.Rows)
	}
	return s.show(c, http.StatusOK, "refused", pages.View{Title: "Quarantine", Here: "/", Body: b})
}
