package plot

import (
	"fmt"
	"io"
	"math"
	"sort"

	"alike/reports"
)

// Single is how many units a stream's picture draws one by one; more are drawn in
// columns of equal numbers of units.
const Single = 250

// columns is how many columns stand in a picture of more units than Single.
const columns = 200

// Stream writes the control chart of one stream over many units, with every limit set
// that was in force, the moving range below, the change of level when one is given, and
// one sentence per rule that fired. Over many units a column spans the smallest to the
// largest value of its units and dots their mean; limits are drawn whole, and every
// point at which a rule fired is drawn by itself.
func Stream(w io.Writer, s reports.Stream) error {
	if err := s.Check(); err != nil {
		return err
	}
	p := streamPicture{stream: s}
	p.chart = reports.Chart{Stream: s.Title, Unit: s.Unit, Serials: s.Serials, Values: s.Values, Moving: s.Moving, InLot: make([]bool, len(s.Values)), Marks: s.Marks}
	for i := range p.chart.InLot {
		p.chart.InLot[i] = true
	}
	p.rules = Rules(p.chart)
	for i, r := range s.Moving {
		if sec, _ := s.SectionAt(i); Finite(r) && r > sec.RangeHigh {
			p.beyond = append(p.beyond, i)
		}
	}
	return p.write(w)
}

type streamPicture struct {
	controlPicture
	stream reports.Stream
}

func (p *streamPicture) write(w io.Writer) error {
	s := p.stream
	legend := p.legend()
	const width = controlWidth - 78
	if p.fold() > 1 {
		text := fmt.Sprintf("Each column is %d units: from the smallest to the largest, the dot is their mean.", p.fold())
		legend = append([]legendLine{{"", "dash", Wrap(text, width, 12)}}, legend...)
	}
	if s.Change != nil {
		legend = append(legend, legendLine{"", "plus", Wrap(s.Change.Text, width, 12)})
	}
	height := 44 + valuesHeight + 22 + rangeHeight + 66.0
	for _, l := range legend {
		height += 15*float64(len(l.lines)) + 4
	}
	title := s.Title
	if s.Product != "" {
		title += ", " + s.Product
	}
	p.canvas = begin(controlWidth, height, title, DescribeStream(s))
	p.text(16, 24, "start", title, "font-size", 15, "font-weight", "bold")
	p.x = scale{-0.5, math.Max(float64(len(s.Values)), 1) - 0.5, controlLeft, controlRight, false}
	p.xs = make([]float64, len(s.Values))
	for i := range p.xs {
		p.xs[i] = p.x.at(float64(i))
	}
	p.values(44)
	p.ranges(44 + valuesHeight + 22)
	bottom := 44 + valuesHeight + 22 + rangeHeight
	p.serials(bottom)
	y := bottom + 52
	for _, l := range legend {
		p.shape(l.shape, 24, y-4, 5, "none", Vermillion)
		p.text(38, y, "start", l.number, "font-size", 12, "font-weight", "bold")
		for _, line := range l.lines {
			p.text(62, y, "start", line)
			y += 15
		}
		y += 4
	}
	return p.end(w)
}

func (p *streamPicture) values(top float64) {
	s := p.stream
	levels := []float64{}
	for _, sec := range s.Sections {
		levels = append(levels, sec.Center, sec.Lower, sec.Upper)
	}
	lo, hi, ok := Span(s.Values, levels)
	if ok && len(p.rules) > 0 { // room for the numbers of the rules
		levels = append(levels, hi+0.08*(hi-lo))
	}
	y := p.frame(top, valuesHeight, s.Unit, s.Values, levels)
	p.change(top)
	p.steps(y, func(sec reports.Section) []level {
		return []level{{"upper", sec.Upper, true}, {"centre", sec.Center, false}, {"lower", sec.Lower, true}}
	})
	p.boundaries(top)
	ys := p.plotted(y, s.Values)
	for _, r := range p.rules {
		for _, i := range r.Points {
			if Finite(ys[i]) {
				p.shape(r.Shape, p.xs[i], ys[i], 7, "none", Vermillion)
			}
		}
	}
	p.number(ys, Numbers(p.rules), top)
}

func (p *streamPicture) ranges(top float64) {
	rows := []float64{0}
	for _, sec := range p.stream.Sections {
		rows = append(rows, sec.RangeMean, sec.RangeHigh)
	}
	y := p.frame(top, rangeHeight, "moving range", p.stream.Moving, rows)
	p.steps(y, func(sec reports.Section) []level {
		return []level{{"upper", sec.RangeHigh, true}, {"mean", sec.RangeMean, false}}
	})
	ys := p.plotted(y, p.stream.Moving)
	for _, i := range p.beyond {
		p.shape("circle", p.xs[i], ys[i], 6, "none", Vermillion)
	}
}

// steps draws the levels of every section over its units, and names the last ones.
func (p *streamPicture) steps(y scale, of func(reports.Section) []level) {
	n := len(p.stream.Values)
	for k, sec := range p.stream.Sections {
		end := n
		if k+1 < len(p.stream.Sections) {
			end = p.stream.Sections[k+1].First
		}
		from, to := p.x.at(float64(sec.First)-0.5), p.x.at(float64(end)-0.5)
		last := math.Inf(-1)
		for _, l := range of(sec) {
			if !Finite(l.value) {
				continue
			}
			at := y.at(l.value)
			if l.limit {
				p.line(from, at, to, at, Black, 1.6, "dash")
			} else {
				p.line(from, at, to, at, Muted, 1, "")
			}
			if end == n {
				last = math.Max(at+4, last+13)
				p.text(controlRight+6, last, "start", l.name+" "+Level(l.value, 0.01), "font-size", 11)
			}
		}
	}
}

// boundaries draws where another limit set came into force.
func (p *streamPicture) boundaries(top float64) {
	for _, sec := range p.stream.Sections {
		if !sec.Starts {
			continue
		}
		x := p.x.at(float64(sec.First) - 0.5)
		p.line(x, top, x, top+valuesHeight+22+rangeHeight, Text, 1, "dot")
		p.text(x+3, top-4, "start", sec.Name, "font-size", 10, "fill", Muted)
	}
}

// change shades the units at which the level may have changed and marks the most
// likely one.
func (p *streamPicture) change(top float64) {
	c := p.stream.Change
	if c == nil {
		return
	}
	for i := 0; i < len(c.Set); i++ {
		first := c.Set[i]
		for i+1 < len(c.Set) && c.Set[i+1] == c.Set[i]+1 {
			i++
		}
		from, to := p.x.at(float64(first)-0.5), p.x.at(float64(c.Set[i])+0.5)
		p.empty("rect", "x", from, "y", top, "width", math.Max(1, to-from), "height", valuesHeight, "fill", "#E1F1FB")
	}
	x := p.x.at(float64(c.Index) - 0.5)
	p.line(x, top, x, top+valuesHeight, Blue, 2, "")
}

// fold returns how many units stand in a column.
func (p *streamPicture) fold() int {
	if n := len(p.stream.Values); n > Single {
		return (n + columns - 1) / columns
	}
	return 1
}

// plotted draws the values, one by one or in columns, and returns their heights.
func (p *streamPicture) plotted(y scale, values []float64) []float64 {
	fold := p.fold()
	if fold == 1 {
		return p.trace(y, values)
	}
	ys := make([]float64, len(values))
	for i, v := range values {
		ys[i] = y.at(v)
	}
	for from := 0; from < len(values); from += fold {
		part := values[from:min(from+fold, len(values))]
		lo, hi, ok := Span(part)
		if !ok {
			continue
		}
		sum, n := 0.0, 0
		for _, v := range part {
			if Finite(v) {
				sum, n = sum+v, n+1
			}
		}
		x := (p.xs[from] + p.xs[from+len(part)-1]) / 2
		p.line(x, y.at(lo), x, y.at(hi), Faint, 2, "")
		p.empty("circle", "cx", x, "cy", y.at(sum/float64(n)), "r", 1.4, "fill", Blue)
	}
	return ys
}

// DescribeStream says in words what the picture of a stream shows, for readers who
// cannot see it.
func DescribeStream(s reports.Stream) string {
	text := fmt.Sprintf("Individuals chart of %s: %d units.", s.Title, len(s.Values))
	for i, sec := range s.Sections {
		if s.Told(i) {
			continue
		}
		if !Finite(sec.Center) {
			text += fmt.Sprintf(" From %s on %s.", s.Serials[sec.First], sec.Name)
			continue
		}
		text += fmt.Sprintf(" From %s on %s: centre %s, limits %s and %s %s.", s.Serials[sec.First], sec.Name, Level(sec.Center, 0.01), Level(sec.Lower, 0.01), Level(sec.Upper, 0.01), s.Unit)
	}
	if s.Change != nil {
		text += " " + s.Change.Text
	}
	c := reports.Chart{Serials: s.Serials, Marks: s.Marks}
	rules := Rules(c)
	sort.SliceStable(rules, func(i, j int) bool { return rules[i].Number < rules[j].Number })
	if len(rules) == 0 {
		return text + " No rule fired."
	}
	for _, r := range rules {
		text += " " + r.Sentence(c)
	}
	return text
}
