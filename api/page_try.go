package api

import (
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"

	"alike/api/pages"
	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/reports/plot"
	"alike/spc/band"

	"github.com/labstack/echo/v4"
)

type tryBody struct {
	Products []store.ProductRow
	Product  string
	Channels []string // of the product
	Held     string
	Files    []triedFile
	Refused  []*curve.Refusal
	Trial    *line.Trial
	Word     string
	Reason   string // why there is no verdict
	Pictures []picture
	Heads    []string
	Levels   []levelRow
	Scalars  []scalarRow
	Bands    []bandLevel // where there is no product to judge by
}

// A triedFile says how a file was read.
type triedFile struct {
	Name, Channel string
	Points        int
	From, To      float64 // Hz
	Phase         bool
	Notes         []string
}

type bandLevel struct {
	Band string
	DB   float64
}

// tryPage offers to try a curve.
func (s *server) tryPage(c echo.Context) error {
	b, err := s.tryBody(c)
	if err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "try", pages.View{Title: "Try a curve", Here: "/try", Body: b})
}

// tryBody fills what the form needs.
func (s *server) tryBody(c echo.Context) (tryBody, error) {
	ctx := c.Request().Context()
	products, err := s.DB.Site(s.Line.Site()).Products(ctx)
	b := tryBody{Products: products, Product: c.FormValue("product")}
	if err != nil || len(products) == 0 {
		return b, err
	}
	if b.Product == "" {
		b.Product = newestProduct(products)
	}
	setup, err := s.Line.Setup(ctx, b.Product)
	if err != nil {
		return b, err
	}
	b.Channels = setup.Channels
	return b, nil
}

// newestProduct returns the design that was added last: the likeliest to be measured.
func newestProduct(products []store.ProductRow) string {
	newest := products[0]
	for _, p := range products {
		if p.CreatedAt.After(newest.CreatedAt) {
			newest = p
		}
	}
	return newest.Product
}

// try judges the curves that were sent and stores nothing.
func (s *server) try(c echo.Context) error {
	files, held, err := s.sentFiles(c, "curve")
	if err != nil {
		return err
	}
	b, err := s.tryBody(c)
	if err != nil {
		return err
	}
	b.Held = held
	if len(files) == 0 {
		b.Reason = "choose a curve file first"
		return s.show(c, http.StatusUnprocessableEntity, "try", pages.View{Title: "Try a curve", Here: "/try", Body: b})
	}
	takes := b.read(files, c)
	if err := s.judgeTried(c, &b, takes); err != nil {
		return err
	}
	status := http.StatusOK
	if b.Trial == nil && len(b.Bands) == 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.show(c, status, "try", pages.View{Title: "Try a curve", Here: "/try", Body: b})
}

// read reads the files as texts of one response, or as wide tables.
func (b *tryBody) read(files []curve.File, c echo.Context) []curve.Take {
	var takes []curve.Take
	seats := map[string]int{}
	for i, f := range files {
		channel := c.FormValue(fmt.Sprintf("channel%d", i))
		if !slices.Contains(b.Channels, channel) {
			channel = guessChannel(f.Name, b.Channels)
		}
		got, refused := curve.ReadFiles([]curve.File{f}, curve.Options{Defaults: curve.Identity{Serial: "tried", Channel: channel}})
		b.Refused = append(b.Refused, refused...)
		for _, t := range got {
			seats[t.Channel]++
			t.Seating = seats[t.Channel]
			hz := t.Curve.Hz
			b.Files = append(b.Files, triedFile{f.Name, t.Channel, len(hz), hz[0], hz[len(hz)-1], t.Curve.Phase != nil, t.Notes})
			takes = append(takes, t)
		}
	}
	return takes
}

var wordIn = regexp.MustCompile(`[A-Za-z]+`)

// guessChannel reads the channel from a file's name, else takes the first one; the
// page says which, and offers the others.
func guessChannel(name string, channels []string) string {
	for _, w := range wordIn.FindAllString(name, -1) {
		if c := curve.Channel(w); slices.Contains(channels, c) {
			return c
		}
	}
	if len(channels) == 0 {
		return "mono"
	}
	return channels[0]
}

// judgeTried puts the verdict, or why there is none, into the page.
func (s *server) judgeTried(c echo.Context, b *tryBody, takes []curve.Take) error {
	if len(takes) == 0 {
		return nil
	}
	if len(b.Products) == 0 {
		b.Reason = "there is no product to judge by yet: these are the levels in third octaves"
		bands, err := band.Between(3, 20, 20000)
		if err != nil {
			return err
		}
		for i, l := range band.Levels(takes[0].Curve, bands) {
			b.Bands = append(b.Bands, bandLevel{bands[i].Name(), l.DB})
		}
		return nil
	}
	t, err := s.Line.Try(c.Request().Context(), b.Product, takes)
	var refusal *line.Refusal
	if errors.As(err, &refusal) {
		b.Reason = refusal.Reason + ": " + refusal.Remedy
		return nil
	} else if err != nil {
		return err
	}
	b.Trial, b.Word = &t, string(t.Verdict.Word)
	var plots []plot.EnvelopePlot
	for _, ch := range t.Channels {
		p := framed(t.Setup, ch.Name)
		p.Lower, p.Upper = t.Limits.Lower, t.Limits.Upper
		p.WorkingLower, p.WorkingUpper = t.Limits.Working()
		p.Strong = []plot.Curve{{Name: "this curve", Values: ch.Deviation}}
		p.Description = "Deviation of the curve that is tried, in dB over frequency in Hz on a logarithmic axis. The table below has the numbers."
		plots = append(plots, p)
		b.Heads = append(b.Heads, ch.Name)
	}
	for _, p := range sameLevels(plots) {
		pic, err := draw(p)
		if err != nil {
			return err
		}
		b.Pictures = append(b.Pictures, pic)
	}
	b.Levels, b.Scalars = levelRows(t.Setup, t.Channels, t.Limits.Lower, t.Limits.Upper), scalarRows(t.Channels)
	return nil
}
