package sheet

import (
	"alike/reports/plot"

	"github.com/xuri/excelize/v2"
)

const (
	font = "Arial"
	body = 10.0 // points
	// digit is the pixel width of a digit of the workbook's own type, Arial 11,
	// in which column widths are counted.
	digit = 8.0
	// line is the height in points of a line of body text, and of a row of the
	// sheets that hold charts.
	line = 15.0
)

// A look is the style of a cell. It is comparable, so that one style is written
// once.
type look struct {
	size   float64 // points; 0 for body
	bold   bool
	colour string // of the text
	fill   string
	format string // of a number
	align  string // left, center, right
	top    bool   // align to the top, not the bottom
	middle bool
	wrap   bool
	indent bool
	under  string // colour of a line below
	heavy  bool   // ... a heavy one
	bar    string // colour of a heavy line on the left
}

func (b *book) style(l look) int {
	if id, ok := b.styles[l]; ok {
		return id
	}
	id, err := b.f.NewStyle(l.excel())
	b.keep(err)
	b.styles[l] = id
	return id
}

func (l look) excel() *excelize.Style {
	s := &excelize.Style{
		Font:      &excelize.Font{Family: font, Size: body, Bold: l.bold, Color: plot.Text},
		Alignment: &excelize.Alignment{Horizontal: l.align, Vertical: "bottom", WrapText: l.wrap},
	}
	if l.size > 0 {
		s.Font.Size = l.size
	}
	if l.colour != "" {
		s.Font.Color = l.colour
	}
	if l.fill != "" {
		s.Fill = excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{l.fill}}
	}
	if l.format != "" {
		s.CustomNumFmt = &l.format
	}
	if l.indent {
		s.Alignment.Horizontal, s.Alignment.Indent = "left", 1
	}
	if l.top {
		s.Alignment.Vertical = "top"
	}
	if l.middle {
		s.Alignment.Vertical = "center"
	}
	if l.under != "" {
		weight := 1
		if l.heavy {
			weight = 2
		}
		s.Border = append(s.Border, excelize.Border{Type: "bottom", Color: l.under, Style: weight})
	}
	if l.bar != "" {
		s.Border = append(s.Border, excelize.Border{Type: "left", Color: l.bar, Style: 5})
	}
	return s
}

var (
	title   = look{size: 14, bold: true}
	caption = look{colour: plot.Muted, wrap: true, top: true}
	header  = look{bold: true, wrap: true, under: plot.Text, heavy: true}
	heading = look{size: 12, bold: true}
)

// Number formats. Signed ones show the plus, since a deviation has a direction.
const (
	plain0  = "0"
	plain1  = "0.0"
	plain2  = "0.00"
	plain3  = "0.000"
	signed1 = `+0.0;"−"0.0;0.0` // a real minus sign, as in the sentences
	signed2 = `+0.00;"−"0.00;0.00`
	percent = "0.0%"
)
