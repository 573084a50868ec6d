package pages

import (
	"fmt"
	"html/template"
	"strings"

	"alike/reports/plot"
)

// A Share is one part of a bar.
type Share struct {
	Word  string
	Units int
}

// Shares draws how many units of a day got which verdict, as one bar. The numbers
// stand beside it in words.
func Shares(parts []Share) template.HTML {
	total := 0
	for _, p := range parts {
		total += p.Units
	}
	if total == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString(`<svg viewBox="0 0 1000 24" preserveAspectRatio="none">`)
	at := 0.0
	for _, p := range parts {
		w := 1000 * float64(p.Units) / float64(total)
		fmt.Fprintf(&b, `<rect x="%.1f" y="0" width="%.1f" height="24" fill="%s"/>`, at, w, plot.LookOf(p.Word).Colour)
		at += w
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) // numbers and colours of our own
}
