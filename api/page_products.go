package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports/plot"
	"alike/spc/envelope"

	"github.com/labstack/echo/v4"
)

type productsBody struct {
	Products []productLine
}

type productLine struct {
	Code, Name, Revision, Channels string
	Envelope, LimitSet             int
}

// productsPage lists the designs.
func (s *server) productsPage(c echo.Context) error {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	rows, err := site.Products(ctx)
	if err != nil {
		return err
	}
	var b productsBody
	for _, r := range rows {
		setup, err := s.Line.Setup(ctx, r.Product)
		if err != nil {
			return err
		}
		p := productLine{Code: r.Product, Name: setup.Name, Revision: setup.Revision, Channels: strings.Join(setup.Channels, ", ")}
		if p.Envelope, p.LimitSet, err = site.VersionsInForce(ctx, r.Product); err != nil {
			return err
		}
		b.Products = append(b.Products, p)
	}
	return s.show(c, http.StatusOK, "products", pages.View{Title: "Products", Here: "/products", Body: b})
}

type productBody struct {
	line.ProductDetail
	Target  picture
	Sides   []versionSide // envelope versions side by side
	Chosen  [2]int        // the two versions
	Streams []streamRow   // the two newest limit sets side by side
	Sets    []int
	Said    string // what was just done
}

type versionSide struct {
	Version int
	Picture picture
	Balance *picture // nil without a limit of the balance
	Beside  []fact   // limits that are no curves
}

// A fact is a name with what stands for it.
type fact struct{ Name, Value string }

// A streamRow is one stream under several limit sets.
type streamRow struct {
	Title, Key, Unit string
	Center, Sigma    []float64
}

// productPage answers: what is this product judged and watched by?
func (s *server) productPage(c echo.Context) error {
	code, err := param(c, "product")
	if err != nil {
		return err
	}
	d, err := s.Line.ProductDetail(c.Request().Context(), code)
	if err != nil {
		return err
	}
	b := productBody{ProductDetail: d}
	if err := b.draw(c); err != nil {
		return err
	}
	b.limits()
	switch c.QueryParam("done") {
	case "envelope":
		b.Said = "The new envelope is in force. Verdicts given before stand."
	case "limits":
		b.Said = "The new limits are in force, and the units since the baseline have been read."
	}
	return s.show(c, http.StatusOK, "product", pages.View{Title: d.Setup.Name, Here: "/products", Body: b})
}

// draw makes the pictures of the target and of two versions of the envelope.
func (b *productBody) draw(c echo.Context) error {
	p := framed(b.Setup, "")
	p.Title, p.Description = "Target", "The response that the deviation is taken from, in dB over frequency in Hz, at any level."
	p.Strong = []plot.Curve{{Name: "target", Values: b.Setup.Target}}
	var err error
	if b.Target, err = draw(p); err != nil {
		return err
	}
	want := []int{0, 0}
	for i, name := range []string{"version", "with"} {
		_, _ = fmt.Sscanf(c.QueryParam(name), "%d", &want[i])
	}
	if len(b.Envelopes) > 0 && want[0] == 0 {
		want[0] = b.Envelopes[0].Version
	}
	if len(b.Envelopes) > 1 && want[1] == 0 {
		want[1] = b.Envelopes[1].Version
	}
	b.Chosen = [2]int{want[0], want[1]}
	var plots []plot.EnvelopePlot
	for i, v := range want {
		for _, e := range b.Envelopes {
			if e.Version != v || i > 0 && v == want[0] {
				continue
			}
			p := framed(b.Setup, "")
			p.Title = fmt.Sprintf("Envelope, version %d", v)
			p.Description = fmt.Sprintf("Limits of version %d in dB of deviation over frequency in Hz.", v)
			p.Lower, p.Upper, p.WorkingLower, p.WorkingUpper = e.Limits.Lower, e.Limits.Upper, e.Limits.WorkingLower, e.Limits.WorkingUpper
			plots = append(plots, p)
			side := versionSide{Version: v, Beside: besideBands(e.Envelope)}
			if p, ok := balancePlot(b.Setup, e.All); ok {
				p.Title = fmt.Sprintf("Balance, left minus right, version %d", v)
				p.Levels = p.Ticks()
				pic, err := draw(p)
				if err != nil {
					return err
				}
				side.Balance = &pic
			}
			b.Sides = append(b.Sides, side)
		}
	}
	for i, p := range sameLevels(plots) {
		if b.Sides[i].Picture, err = draw(p); err != nil {
			return err
		}
	}
	return nil
}

// besideBands lists the limits that are no curve over the bands.
func besideBands(e envelope.Envelope) []fact {
	var out []fact
	for _, g := range e.Balance {
		out = append(out, fact{"largest balance", fmt.Sprintf("%s dB from %s to %s, left against right, not anchored", plain(g.DB), pages.Frequency(g.From), pages.Frequency(g.To))})
	}
	if s := e.Sensitivity; s != nil {
		out = append(out, fact{"sensitivity of each channel", fmt.Sprintf("%s to %s dB SPL", plain(s.Lower), plain(s.Upper))})
	}
	if e.Roughness > 0 {
		out = append(out, fact{"largest roughness", plain(e.Roughness) + " dB"})
	}
	return out
}

// limits puts the two newest limit sets beside each other, stream by stream.
func (b *productBody) limits() {
	n := min(2, len(b.LimitSets))
	for _, set := range b.LimitSets[:n] {
		b.Sets = append(b.Sets, set.Version)
	}
	for i, st := range b.Setup.StreamList {
		r := streamRow{Title: st.Title, Key: st.Key, Unit: st.Unit}
		for _, set := range b.LimitSets[:n] {
			if i < len(set.Center) {
				r.Center, r.Sigma = append(r.Center, set.Center[i]), append(r.Sigma, set.Sigma[i])
			}
		}
		b.Streams = append(b.Streams, r)
	}
	if n == 0 {
		b.Streams = nil
	}
}

type newProductBody struct {
	Text, Wrong string
}

// newProductPage offers to add a product from its file.
func (s *server) newProductPage(c echo.Context) error {
	return s.show(c, http.StatusOK, "newproduct", pages.View{Title: "Add a product", Here: "/products", Body: newProductBody{Text: line.ExampleProduct}})
}

// newProduct adds one; a target that is a curve file comes with it.
func (s *server) newProduct(c echo.Context) error {
	b := newProductBody{Text: c.FormValue("definition")}
	wrong := func(err error) error {
		b.Wrong = err.Error()
		return s.show(c, http.StatusUnprocessableEntity, "newproduct", pages.View{Title: "Add a product", Here: "/products", Body: b})
	}
	files, held, err := s.sentFiles(c, "target")
	if err != nil {
		return err
	}
	s.shelf.drop(held)
	p, err := line.ParseProduct([]byte(b.Text))
	if err != nil {
		return wrong(err)
	}
	if len(files) > 0 {
		if err := p.ReadTarget(files[0].Name, files[0].Data); err != nil {
			return wrong(err)
		}
	}
	if err := s.addProduct(c, p); err != nil {
		var typed *typedWrong
		if errors.As(err, &typed) {
			return wrong(typed)
		}
		return err
	}
	return c.Redirect(http.StatusSeeOther, pages.ProductPath(p.Code))
}

// typedWrong is an error of what a person typed: it goes back into the form.
type typedWrong struct{ error }

// addProduct stores a product for the person who typed it.
func (s *server) addProduct(c echo.Context, p line.Product) error {
	if _, err := p.SetUp(); err != nil {
		return &typedWrong{err}
	}
	_, err := s.Line.AddProduct(c.Request().Context(), person(c), p)
	var refusal *line.Refusal
	if errors.As(err, &refusal) {
		return &typedWrong{refusal}
	}
	return err
}

type choiceBody struct {
	Question string
	At       string // address that takes the product
	Products []productLine
}

// severalOf reports whether there are several products of a stage.
func (s *server) severalOf(ctx context.Context, stage string) (bool, error) {
	rows, err := s.DB.Site(s.Line.Site()).Products(ctx)
	if err != nil {
		return false, err
	}
	n := 0
	for _, r := range rows {
		setup, err := s.Line.Setup(ctx, r.Product)
		if err != nil {
			return false, err
		}
		if setup.Stage == stage {
			n++
		}
	}
	return n > 1, nil
}

// whichProduct answers a page that needs one product when there are several of a
// stage, or none; asked is false when there is just one.
func (s *server) whichProduct(c echo.Context, stage, title, at string) (asked bool, err error) {
	ctx := c.Request().Context()
	rows, err := s.DB.Site(s.Line.Site()).Products(ctx)
	if err != nil {
		return false, err
	}
	b := choiceBody{Question: title, At: at}
	for _, r := range rows {
		setup, err := s.Line.Setup(ctx, r.Product)
		if err != nil {
			return false, err
		}
		if setup.Stage == stage {
			b.Products = append(b.Products, productLine{Code: r.Product, Name: setup.Name, Revision: setup.Revision})
		}
	}
	if len(b.Products) == 1 {
		return false, nil
	}
	return true, s.show(c, http.StatusOK, "choice", pages.View{Title: title, Here: at, Body: b})
}
