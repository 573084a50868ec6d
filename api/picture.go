package api

import (
	"html/template"
	"math"
	"strings"

	"alike/reports/plot"
)

// A picture is drawn once for a desk and once for a phone, where scaled letters could
// not be read; the style sheet shows one of them.
type picture struct {
	Desk, Phone template.HTML
}

// Widths of pictures in px.
const (
	deskWidth  = 640
	phoneWidth = 358
)

var nan = math.NaN()

// draw returns a picture of curves in their limits.
func draw(p plot.EnvelopePlot) (picture, error) {
	desk, err := svg(p, deskWidth)
	if err != nil {
		return picture{}, err
	}
	phone, err := svg(p, phoneWidth)
	return picture{desk, phone}, err
}

func svg(p plot.EnvelopePlot, width float64) (template.HTML, error) {
	p.Width = width
	var b strings.Builder
	if err := plot.Envelope(&b, p); err != nil {
		return "", err
	}
	return template.HTML(b.String()), nil // the writer escapes every text
}
