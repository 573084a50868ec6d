package api

import (
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"
	"alike/spc/envelope"

	"github.com/labstack/echo/v4"
)

type startBody struct {
	Products []store.ProductRow
	Product  string // that the steps are told of
	Lots     []string
	Limits   int // newest limit set of it
	Form     startForm
	Demo     bool // a workshop can be simulated beside this one
	Wrong    string
}

// A startForm is a product in the few words that a first verdict needs.
type startForm struct {
	Name, Channels, Seatings, Target, Plus, By string
}

// startPage leads from an empty database to a first verdict.
func (s *server) startPage(c echo.Context) error {
	b, err := s.startBody(c)
	if err != nil {
		return err
	}
	b.Form = startForm{Name: "My headphone", Channels: "left, right", Seatings: "1", Target: "example", Plus: "3"}
	return s.showStart(c, http.StatusOK, b)
}

func (s *server) showStart(c echo.Context, status int, b startBody) error {
	return s.show(c, status, "start", pages.View{Title: "How to begin", Body: b})
}

func (s *server) startBody(c echo.Context) (startBody, error) {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	b := startBody{Demo: s.Demo != nil}
	var err error
	if b.Products, err = site.Products(ctx); err != nil || len(b.Products) == 0 {
		return b, err
	}
	// The steps are told of the product that is furthest, of several the newest.
	furthest := -1
	slices.SortStableFunc(b.Products, func(x, y store.ProductRow) int { return y.CreatedAt.Compare(x.CreatedAt) })
	for _, p := range b.Products {
		lots, err := site.LotNames(ctx, p.Product, 1)
		if err != nil {
			return b, err
		}
		_, limits, err := site.VersionsInForce(ctx, p.Product)
		if err != nil {
			return b, err
		}
		steps := len(lots)
		if limits > 0 {
			steps += 2
		}
		if steps > furthest {
			furthest, b.Product, b.Lots, b.Limits = steps, p.Product, lots, limits
		}
	}
	return b, nil
}

// start adds the first product.
func (s *server) start(c echo.Context) error {
	files, held, err := s.sentFiles(c, "target-file")
	if err != nil {
		return err
	}
	s.shelf.drop(held)
	b, err := s.startBody(c)
	if err != nil {
		return err
	}
	b.Form = startForm{
		Name: strings.TrimSpace(c.FormValue("name")), Channels: c.FormValue("channels"), Seatings: c.FormValue("seatings"),
		Target: c.FormValue("target"), Plus: c.FormValue("plus"), By: person(c).Actor,
	}
	p, err := b.Form.product()
	if err == nil && b.Form.Target == "file" {
		if len(files) == 0 {
			err = errors.New("target: choose its curve file, or another target")
		} else {
			err = p.ReadTarget(files[0].Name, files[0].Data)
		}
	}
	if err == nil {
		var typed *typedWrong
		if err = s.addProduct(c, p); err != nil && !errors.As(err, &typed) {
			return err
		}
	}
	if err != nil {
		b.Wrong = err.Error()
		return s.showStart(c, http.StatusUnprocessableEntity, b)
	}
	return c.Redirect(http.StatusSeeOther, "/start#takes")
}

var notInCode = regexp.MustCompile(`[^a-z0-9]+`)

// product makes a product of the form, with the example's habits for the rest.
func (f startForm) product() (line.Product, error) {
	p, err := line.ParseProduct([]byte(line.ExampleProduct))
	if err != nil {
		return p, err
	}
	p.Name, p.Revision = f.Name, "A"
	p.Code = strings.Trim(notInCode.ReplaceAllString(strings.ToLower(f.Name), "-"), "-")
	if p.Code == "" {
		return p, errors.New("name: give the product a name with letters or digits")
	}
	p.Code = p.Code[:min(len(p.Code), 40)]
	if _, err := fmt.Sscanf(f.Seatings, "%d", &p.Seatings); err != nil {
		return p, fmt.Errorf("seatings: %q is no number", f.Seatings)
	}
	plus, err := decimal(f.Plus)
	if err != nil || !(plus > 0 && plus <= 40) {
		return p, fmt.Errorf("tolerance: %q is no number of dB above 0", f.Plus)
	}
	p.Envelope = &envelope.Envelope{Around: []envelope.Range{{From: 50, To: 10000, Minus: plus, Plus: plus}}}
	if f.Channels == "mono" {
		p.Channels = []string{"mono"}
	} else {
		p.Channels = []string{"left", "right"}
		p.Envelope.Balance = []envelope.Guard{{From: 100, To: 5000, DB: plus}}
	}
	switch f.Target {
	case "example", "file":
	case "flat":
		p.Target = line.Target{}
	default:
		return p, errors.New("target: choose one")
	}
	return p, nil
}
