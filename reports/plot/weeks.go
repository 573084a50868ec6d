package plot

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"alike/reports"
)

// mostYields is how many lines of yield are told apart in one picture; the table beside
// it has all.
const mostYields = 6

// Yields writes the first-pass yield in percent of every product at every workshop, week
// by week, each in its interval. width is in px. A report without a judged unit is an
// error.
func Yields(w io.Writer, r reports.Weeks, width float64) error {
	lines := yieldLines(r)
	if len(lines) == 0 {
		return fmt.Errorf("no unit was judged in these weeks")
	}
	least := 100.0
	for _, l := range lines {
		for _, y := range l.yields {
			least = math.Min(least, 100*y.Low)
		}
	}
	up := LevelTicks(math.Max(0, math.Min(least, 90)), 100, 8)
	lines = lines[:min(len(lines), mostYields)]
	f := framed(width, 280, 22*float64(len(lines))+6, "First-pass yield by week", describeYields(r), "per cent", up, scale{lo: 0.5, hi: float64(len(r.Names)) + 0.5})
	every := 1 + (len(r.Names)-1)/max(1, int(width/90))
	for i, name := range r.Names {
		if (len(r.Names)-1-i)%every == 0 {
			f.text(f.x.at(float64(i+1)), f.bottom+16, "middle", shortWeek(name), "font-size", 11)
		}
	}
	shapes := []string{"circle", "square", "diamond", "triangle"}
	for i, l := range lines {
		s, shape := StrokeOf(i), shapes[i%len(shapes)]
		shift := 7 * (float64(i) - float64(len(lines)-1)/2)
		var xs, ys []float64
		for _, y := range l.yields {
			at := f.x.at(float64(y.week+1)) + shift
			f.line(at, f.y.at(100*y.Low), at, f.y.at(100*y.High), s.Colour, 1.2, "")
			xs, ys = append(xs, at), append(ys, f.y.at(100*y.Share))
		}
		f.curve(xs, ys, s.Colour, 1.4, s.Dash)
		for k := range xs {
			f.shape(shape, xs[k], ys[k], 4, "#FFFFFF", s.Colour)
		}
		below := f.bottom + 54 + 22*float64(i)
		f.shape(shape, f.left+6, below-4, 4, "#FFFFFF", s.Colour)
		f.text(f.left+18, below, "start", l.name, "font-size", 11)
	}
	f.below("week")
	return f.end(w)
}

// shortWeek writes "2026 week 39" as it fits under a picture.
func shortWeek(name string) string {
	if _, week, ok := strings.Cut(name, " "); ok {
		return week
	}
	return name
}

type yieldLine struct {
	name   string
	yields []weekYield
}

type weekYield struct {
	reports.Yield
	week int // index of Weeks.Names
}

// yieldLines gathers the yields of each product at each workshop in the order of the rows.
func yieldLines(r reports.Weeks) []yieldLine {
	var out []yieldLine
	for _, row := range r.Rows {
		week := slices.Index(r.Names, row.Week)
		if row.First.Of == 0 || week < 0 {
			continue
		}
		name := row.Product
		if len(r.Sites) > 1 {
			name += ", " + row.Site
		}
		i := slices.IndexFunc(out, func(l yieldLine) bool { return l.name == name })
		if i < 0 {
			i = len(out)
			out = append(out, yieldLine{name: name})
		}
		out[i].yields = append(out[i].yields, weekYield{row.First, week})
	}
	return out
}

func describeYields(r reports.Weeks) string {
	var parts []string
	for _, l := range yieldLines(r) {
		last := l.yields[len(l.yields)-1]
		parts = append(parts, fmt.Sprintf("%s: %.0f %% in %s", l.name, 100*last.Share, r.Names[last.week]))
	}
	return "First-pass yield by week with its intervals; the table has all numbers. " + strings.Join(parts, "; ") + "."
}
