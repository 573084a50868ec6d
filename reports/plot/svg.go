package plot

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
)

// A canvas gathers SVG elements. Attributes come as name and value in turn, so
// their order, and with it the output, is fixed.
type canvas struct {
	buf bytes.Buffer
}

// num writes a position or length: two decimals are finer than any printer.
func num(v float64) string {
	s := strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
	if s == "-0" {
		return "0"
	}
	return s
}

func (c *canvas) escaped(s string) {
	// Control letters that XML forbids come out as U+FFFD; bytes.Buffer never fails.
	_ = xml.EscapeText(&c.buf, []byte(s))
}

func (c *canvas) tag(name string, attrs []any) {
	c.buf.WriteByte('<')
	c.buf.WriteString(name)
	for i := 0; i+1 < len(attrs); i += 2 {
		c.buf.WriteByte(' ')
		c.buf.WriteString(attrs[i].(string))
		c.buf.WriteString(`="`)
		switch v := attrs[i+1].(type) {
		case string:
			c.escaped(v)
		case float64:
			c.buf.WriteString(num(v))
		case int:
			c.buf.WriteString(strconv.Itoa(v))
		default:
			panic("plot: attribute " + attrs[i].(string) + " is neither text nor number")
		}
		c.buf.WriteByte('"')
	}
}

// empty writes an element without content.
func (c *canvas) empty(name string, attrs ...any) {
	c.tag(name, attrs)
	c.buf.WriteString("/>\n")
}

// open writes a start tag.
func (c *canvas) open(name string, attrs ...any) {
	c.tag(name, attrs)
	c.buf.WriteString(">\n")
}

// close writes an end tag.
func (c *canvas) close(name string) { c.buf.WriteString("</" + name + ">\n") }

// element writes an element that holds text.
func (c *canvas) element(name, text string, attrs ...any) {
	c.tag(name, attrs)
	c.buf.WriteByte('>')
	c.escaped(text)
	c.buf.WriteString("</" + name + ">\n")
}

// text writes a line of text; anchor is start, middle or end.
func (c *canvas) text(x, y float64, anchor, s string, more ...any) {
	c.element("text", s, append([]any{"x", x, "y", y, "text-anchor", anchor}, more...)...)
}

// line writes a straight line.
func (c *canvas) line(x1, y1, x2, y2 float64, colour string, width float64, dash string) {
	attrs := []any{"x1", x1, "y1", y1, "x2", x2, "y2", y2, "stroke", colour, "stroke-width", width}
	c.empty("line", append(attrs, dashes(dash)...)...)
}

func dashes(name string) []any {
	pattern := map[string]string{"dash": "7 4", "dot": "2 3", "dashdot": "8 3 2 3"}[name]
	if pattern == "" {
		return nil
	}
	return []any{"stroke-dasharray", pattern}
}

// begin opens the document with its name for readers who cannot see it.
func begin(width, height float64, title, description string) *canvas {
	c := &canvas{}
	c.open("svg", "xmlns", "http://www.w3.org/2000/svg", "width", width, "height", height,
		"viewBox", "0 0 "+num(width)+" "+num(height), "role", "img",
		"font-family", "Arial, Helvetica, Liberation Sans, sans-serif", "font-size", 12, "fill", Text)
	c.element("title", title)
	c.element("desc", description)
	c.empty("rect", "width", width, "height", height, "fill", "#FFFFFF")
	return c
}

// end closes the document and writes it out.
func (c *canvas) end(w io.Writer) error {
	c.close("svg")
	_, err := w.Write(c.buf.Bytes())
	return err
}

// path turns points into path data; a point that is not finite is a gap.
func path(xs, ys []float64) string {
	var s strings.Builder
	pen := "M"
	for i := range ys {
		if !Finite(xs[i]) || !Finite(ys[i]) {
			pen = "M"
			continue
		}
		s.WriteString(pen + num(xs[i]) + " " + num(ys[i]))
		pen = "L"
	}
	return s.String()
}

// curve writes an open line.
func (c *canvas) curve(xs, ys []float64, colour string, width float64, dash string) {
	d := path(xs, ys)
	if d == "" {
		return
	}
	attrs := []any{"d", d, "fill", "none", "stroke", colour, "stroke-width", width, "stroke-linejoin", "round"}
	c.empty("path", append(attrs, dashes(dash)...)...)
}

// area fills from one row to the other, one piece between two gaps at a time.
func (c *canvas) area(xs, low, high []float64, colour string) {
	for i := 0; i < len(xs); i++ {
		j := i
		for j < len(xs) && Finite(low[j]) && Finite(high[j]) {
			j++
		}
		if j-i < 2 {
			i = max(i, j-1)
			continue
		}
		px, py := append([]float64{}, xs[i:j]...), append([]float64{}, high[i:j]...)
		for k := j - 1; k >= i; k-- {
			px, py = append(px, xs[k]), append(py, low[k])
		}
		c.empty("path", "d", path(px, py)+"Z", "fill", colour)
		i = j
	}
}

// shape draws a sign of the given name around a point.
func (c *canvas) shape(name string, x, y, r float64, fill, stroke string) {
	style := []any{"fill", fill, "stroke", stroke, "stroke-width", 1.6}
	poly := func(r float64, corners int, turn float64) string {
		xs, ys := make([]float64, corners), make([]float64, corners)
		for i := range xs {
			a := turn + 2*math.Pi*float64(i)/float64(corners)
			k := r
			if name == "star" && i%2 == 1 {
				k = r * 0.45
			}
			xs[i], ys[i] = x+k*math.Sin(a), y-k*math.Cos(a)
		}
		return path(xs, ys) + "Z"
	}
	switch name {
	case "diamond":
		c.empty("path", append([]any{"d", poly(r*1.15, 4, 0)}, style...)...)
	case "square":
		c.empty("path", append([]any{"d", poly(r*1.25, 4, math.Pi/4)}, style...)...)
	case "triangle":
		c.empty("path", append([]any{"d", poly(r*1.3, 3, 0)}, style...)...)
	case "star":
		c.empty("path", append([]any{"d", poly(r*1.4, 10, 0)}, style...)...)
	case "x", "plus":
		d := r * 0.85
		if name == "plus" {
			c.empty("path", append([]any{"d", path([]float64{x - r, x + r}, []float64{y, y}) + path([]float64{x, x}, []float64{y - r, y + r})}, style...)...)
			return
		}
		c.empty("path", append([]any{"d", path([]float64{x - d, x + d}, []float64{y - d, y + d}) + path([]float64{x - d, x + d}, []float64{y + d, y - d})}, style...)...)
	case "dash":
		c.empty("rect", append([]any{"x", x - r*1.2, "y", y - r*0.4, "width", r * 2.4, "height", r * 0.8}, style...)...)
	default:
		c.empty("circle", append([]any{"cx", x, "cy", y, "r", r}, style...)...)
	}
}
