package plot

// An entry is one swatch with its word.
type entry struct {
	name   string
	colour string
	width  float64
	dash   string
	area   bool
	x      float64 // set by layLegend, with row
	row    int
}

const swatch = 30.0

func (p *EnvelopePlot) legend() []*entry {
	var es []*entry
	if _, _, ok := Span(p.Lower, p.Upper); ok {
		name := "limits"
		if p.Bounds != "" {
			name = p.Bounds
		}
		es = append(es, &entry{name: name, colour: Black, width: 2.2})
	}
	if _, _, ok := Span(p.WorkingLower, p.WorkingUpper); ok {
		es = append(es, &entry{name: "working limits", colour: Text, width: 1.1, dash: "dash"})
	}
	for i, a := range p.Areas {
		es = append(es, &entry{name: a.Name, colour: areaColours[min(i, 1)], area: true})
	}
	if len(p.Center) > 0 {
		es = append(es, &entry{name: p.Middle, colour: Muted, width: 1.6})
	}
	if len(p.Plain) > 0 {
		name := "one unit each"
		if len(p.Strong) > 0 {
			name = "other units"
		}
		if p.PlainName != "" {
			name = p.PlainName
		}
		es = append(es, &entry{name: name, colour: Faint, width: 1})
	}
	lead := p.StrongLead
	switch lead {
	case "":
		lead = "fail: "
	case "-":
		lead = ""
	}
	for i, c := range p.Strong {
		s := StrokeOf(i)
		es = append(es, &entry{name: lead + Short(c.Name, 24), colour: s.Colour, width: 1.6, dash: s.Dash})
	}
	return es
}

// layLegend places entries in rows and returns the number of rows.
func layLegend(es []*entry, width float64) int {
	x, row := 0.0, 0
	for _, e := range es {
		w := swatch + 6 + TextWidth(e.name, 11) + 16
		if x > 0 && x+w > width {
			x, row = 0, row+1
		}
		e.x, e.row = x, row
		x += w
	}
	if len(es) == 0 {
		return 0
	}
	return row + 1
}

func (c *canvas) drawLegend(es []*entry, left, top float64) {
	for _, e := range es {
		x, y := left+e.x, top+18*float64(e.row)
		if e.area {
			c.empty("rect", "x", x, "y", y-9, "width", swatch, "height", 11, "fill", e.colour)
		} else {
			c.line(x, y-4, x+swatch, y-4, e.colour, e.width, e.dash)
		}
		c.text(x+swatch+6, y, "start", e.name, "font-size", 11)
	}
}
