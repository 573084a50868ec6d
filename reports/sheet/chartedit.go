package sheet

import (
	"encoding/xml"
	"math"
	"strconv"
)

// plain takes out what the library writes for every kind of chart and the schema
// allows only for others: walls and floor of solid charts, category settings of
// value axes.
func (p *part) plain() {
	p.find(p.root, "chart").drop("view3D", "floor", "sideWall", "backWall")
	for _, ax := range p.root.all("valAx") {
		ax.drop("auto", "lblAlgn", "lblOffset", "noMultiLvlLbl")
	}
}

// logX makes the horizontal axis of a scatter chart logarithmic (base ten).
func (p *part) logX() {
	axes := p.root.all("valAx")
	if len(axes) != 2 {
		p.find(p.root, "valAx") // a scatter chart has two: note the failure
		return
	}
	scaling := p.find(axes[0], "scaling")
	scaling.after(p.el("logBase", "10"))
}

// numericX marks the horizontal values as numbers. The library writes them as
// text, which a strict reader counts 1, 2, 3 instead of placing.
func (p *part) numericX() {
	for _, x := range p.root.all("xVal") {
		for _, k := range x.kids {
			if k.name.Local == "strRef" {
				k.name.Local = "numRef"
			}
		}
	}
}

// hide takes series out of the legend.
func (p *part) hide(series ...int) {
	legend := p.find(p.root, "chart", "legend")
	for _, i := range series {
		legend.after(p.el("legendEntry", "", p.el("idx", itoa(i)), p.el("delete", "1")), "legendPos", "legendEntry")
	}
}

// inner places the plot area, without its labels, as parts of the chart.
func (p *part) inner(x, y, w, h float64) {
	part := func(name string, v float64) *node { return p.el(name, strconv.FormatFloat(v, 'f', -1, 64)) }
	area := p.find(p.root, "chart", "plotArea")
	area.after(p.el("layout", "", p.el("manualLayout", "",
		p.el("layoutTarget", "inner"), p.el("xMode", "edge"), p.el("yMode", "edge"),
		part("x", x), part("y", y), part("w", w), part("h", h))))
}

// A pointLabel is text beside one point of a series.
type pointLabel struct {
	index  int
	text   string
	place  string // t, b, l, r
	colour string
	bold   bool
}

// label writes text beside single points of a series.
func (p *part) label(series int, labels ...pointLabel) {
	if len(labels) == 0 {
		return
	}
	shown := func(value string) []*node {
		return []*node{
			p.el("showLegendKey", "0"), p.el("showVal", value), p.el("showCatName", "0"),
			p.el("showSerName", "0"), p.el("showPercent", "0"), p.el("showBubbleSize", "0"),
		}
	}
	all := p.el("dLbls", "")
	for _, l := range labels {
		weight := "0"
		if l.bold {
			weight = "1"
		}
		run := dr("rPr", []string{"lang", "en-US", "sz", "900", "b", weight}, fill(l.colour), dr("latin", []string{"typeface", font}))
		text := dr("t", nil)
		text.text = l.text
		rich := p.el("rich", "", dr("bodyPr", []string{"wrap", "none"}), dr("p", nil, dr("r", nil, run, text)))
		one := p.el("dLbl", "", p.el("idx", itoa(l.index)), p.el("tx", "", rich), p.el("dLblPos", l.place))
		one.kids = append(one.kids, shown("1")...)
		all.kids = append(all.kids, one)
	}
	all.kids = append(all.kids, shown("0")...)
	p.series(series).after(all, "idx", "order", "tx", "spPr", "marker", "dPt")
}

// mark sets the sign of a series' points; an empty ground leaves it hollow.
func (p *part) mark(series int, symbol string, size int, ground, edge string) {
	spPr := p.el("spPr", "")
	if ground == "" {
		spPr.kids = append(spPr.kids, dr("noFill", nil))
	} else {
		spPr.kids = append(spPr.kids, fill(ground))
	}
	const width = "15875" // 1.25 points in English metric units
	spPr.kids = append(spPr.kids, dr("ln", []string{"w", width}, fill(edge)))
	m := p.find(p.series(series), "marker")
	m.kids = []*node{p.el("symbol", symbol), p.el("size", itoa(size)), spPr}
}

// hideMarks makes a series invisible: it only carries text.
func (p *part) hideMarks(series int) {
	p.find(p.series(series), "marker").kids = []*node{p.el("symbol", "none")}
}

// atFloor lets the horizontal axis run along the bottom, not along zero.
func (p *part) atFloor() {
	for _, ax := range p.root.all("valAx") {
		p.find(ax, "crosses").attrs = []xml.Attr{{Name: xml.Name{Local: "val"}, Value: "min"}}
	}
}

// inside leaves pixels free above, below and at the right of the plot area.
func (p *part) inside(at frame, above, below, right float64) {
	height := float64(at.rows) * at.rowPoint * 96 / 72
	width := float64(at.columns) * at.columnPx
	const left = 52
	p.inner(left/width, above/height, 1-(left+right)/width, math.Max(1-(above+below)/height, 0.2))
}
