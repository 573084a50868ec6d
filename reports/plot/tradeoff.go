package plot

import (
	"fmt"
	"io"
	"math"

	"alike/reports"
)

// TradeOff draws how many pairs each tolerance gives, and how many this list has. width
// is in px.
func TradeOff(w io.Writer, l reports.PickList, width float64) error {
	const height, left, top, bottom = 300.0, 52.0, 40.0, 262.0
	right := width - 20
	var xs, ys []float64
	for _, p := range l.TradeOff {
		xs, ys = append(xs, p.Tolerance), append(ys, float64(p.Pairs))
	}
	c := begin(width, height, "Pairs against tolerance", DescribeTradeOff(l))
	c.text(16, 24, "start", "Pairs against tolerance", "font-size", 15, "font-weight", "bold")
	lo, hi, ok := Span(xs)
	_, most, _ := Span(ys)
	if !ok || lo == hi {
		c.text(16, 60, "start", "No other tolerance was tried.")
		return c.end(w)
	}
	across, up := LevelTicks(0, hi, int(math.Max(4, width/90))), LevelTicks(0, math.Max(most, 1), 7)
	x := scale{0, across[len(across)-1], left, right, false}
	y := scale{0, up[len(up)-1], bottom, top, false}
	for _, v := range up {
		if v != math.Trunc(v) {
			continue
		}
		c.line(left, y.at(v), right, y.at(v), Rule, 1, "")
		c.text(left-8, y.at(v)+4, "end", Level(v, 1))
	}
	for _, v := range across {
		c.line(x.at(v), bottom, x.at(v), bottom+5, Muted, 1, "")
		c.text(x.at(v), bottom+18, "middle", Level(v, across[1]-across[0]))
	}
	c.text((left+right)/2, bottom+34, "middle", "largest mismatch of a pair, dB")
	c.line(x.at(l.Tolerance), top, x.at(l.Tolerance), bottom, Muted, 1.5, "dash")
	px, py := make([]float64, len(xs)), make([]float64, len(xs))
	for i := range xs {
		px[i], py[i] = x.at(xs[i]), y.at(ys[i])
	}
	c.empty("path", "d", path(px, py), "fill", "none", "stroke", Blue, "stroke-width", 2)
	for i, p := range l.TradeOff {
		r, fill := 3.5, "#FFFFFF"
		if p.Tolerance == l.Tolerance {
			r, fill = 5.5, Blue
		}
		c.empty("circle", "cx", px[i], "cy", py[i], "r", r, "fill", fill, "stroke", Blue, "stroke-width", 2)
	}
	label := fmt.Sprintf("this list: %d pairs within %s dB", len(l.Pairs), plainNumber(l.Tolerance))
	anchor, at := "start", x.at(l.Tolerance)+8
	if at+TextWidth(label, 12) > right {
		anchor, at = "end", x.at(l.Tolerance)-8
	}
	c.text(at, bottom-10, anchor, label, "font-weight", "bold")
	return c.end(w)
}

func plainNumber(v float64) string { return fmt.Sprintf("%.3g", v) }

// DescribeTradeOff says in words what TradeOff draws.
func DescribeTradeOff(l reports.PickList) string {
	text := fmt.Sprintf("How many pairs the same drivers give at other tolerances. This list: %d pairs within %.3g dB.", len(l.Pairs), l.Tolerance)
	if n := len(l.TradeOff); n > 0 {
		first, last := l.TradeOff[0], l.TradeOff[n-1]
		text += fmt.Sprintf(" From %d pairs within %.3g dB to %d within %.3g dB.", first.Pairs, first.Tolerance, last.Pairs, last.Tolerance)
	}
	return text
}
