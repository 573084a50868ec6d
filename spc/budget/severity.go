package budget

import (
	"math"
	"slices"
	"sync"

	"alike/spc/chart"
)

// tables turn what a rule sees into severity: the logarithm of the chance per point at
// which the rule, stretched to just fire, would stand fired. The smaller it is the
// rarer the sight. With all rules on one scale a whole board has one number per unit,
// and one simulation serves every stretch.
type tables struct {
	beyond, two, four                  line      // by width in sigmas
	same, trend, alternate, hug, avoid []float64 // by length of the run
}

// A scale is the tables with the places from which on they are looked up: sights milder
// than a cut are not told apart.
type scale struct {
	*tables
	wBeyond, wTwo, wFour                    float64
	nSame, nTrend, nAlternate, nHug, nAvoid int
}

// Bounds of the tables: limits from 20 units may ask for a hundred values within one
// sigma, and distances are told apart up to 60 sigmas, which limits from 20 units need for small chances.
const (
	longest = 250
	widest  = 60.0
	step    = 1.0 / 8 // the log chance bends so little that 0.2 % are lost between
)

// A line is a function given at multiples of step and straight between.
type line []float64

func (l line) at(w float64) float64 {
	u := w / step
	i := int(u)
	if i >= len(l)-1 {
		return l[len(l)-1]
	}
	return l[i] + (l[i+1]-l[i])*(u-float64(i))
}

// made keeps tables by the size of the baseline: they take a second to make.
var made sync.Map // sizes → *tables

type sizes struct{ n, freedom float64 }

// tablesFor tabulates severity for a baseline of n units with freedom degrees of freedom
// of sigma.
func tablesFor(n, freedom float64) *tables {
	if t, ok := made.Load(sizes{n, freedom}); ok {
		return t.(*tables)
	}
	chance := chart.Chances(n, freedom)
	t := &tables{}
	for _, r := range chart.Nelson() {
		switch r.Key {
		case chart.Beyond:
			t.beyond = widths(r, chance)
		case chart.TwoOfThree:
			t.two = widths(r, chance)
		case chart.FourOfFive:
			t.four = widths(r, chance)
		case chart.SameSide:
			t.same = lengths(r, chance)
		case chart.Trend:
			t.trend = lengths(r, chance)
		case chart.Alternating:
			t.alternate = lengths(r, chance)
		case chart.Hugging:
			t.hug = lengths(r, chance)
		case chart.Avoiding:
			t.avoid = lengths(r, chance)
		}
	}
	made.Store(sizes{n, freedom}, t)
	return t
}

// widths tabulates a rule by its width.
func widths(r chart.Rule, chance func(chart.Rule) float64) (l line) {
	for w := 0.0; w <= widest; w += step {
		r.Width = w
		l = append(l, math.Log(chance(r)))
	}
	return l
}

// lengths tabulates a rule by the length of its run, from the published one up: runs
// are stretched, never shortened.
func lengths(r chart.Rule, chance func(chart.Rule) float64) []float64 {
	t := make([]float64, longest+1)
	for k := r.Count; k <= longest; k++ {
		r.Count, r.Of = k, k
		t[k] = math.Min(0, math.Log(chance(r)))
	}
	return t
}

// newScale returns a scale for sights of chance cut and less. Rules that are not among
// keys see nothing.
func newScale(n, freedom float64, keys []chart.Key, cut float64) *scale {
	t, at := tablesFor(n, freedom), math.Log(cut)
	width := func(k chart.Key, l line) float64 {
		for i, v := range l {
			if v <= at && slices.Contains(keys, k) {
				return math.Max(0, float64(i-1)*step)
			}
		}
		return math.Inf(1)
	}
	length := func(k chart.Key, l []float64) int {
		for i := 1; i < len(l); i++ {
			if l[i] <= at && slices.Contains(keys, k) {
				return i
			}
		}
		return math.MaxInt
	}
	return &scale{
		tables:  t,
		wBeyond: width(chart.Beyond, t.beyond), wTwo: width(chart.TwoOfThree, t.two), wFour: width(chart.FourOfFive, t.four),
		nSame: length(chart.SameSide, t.same), nTrend: length(chart.Trend, t.trend),
		nAlternate: length(chart.Alternating, t.alternate), nHug: length(chart.Hugging, t.hug), nAvoid: length(chart.Avoiding, t.avoid),
	}
}

// A track follows one stream.
type track struct {
	last             [4]float64 // standardised values before, newest first
	n                int
	side             int // lengths of the present runs
	trend, alternate int
	hugs, avoids     int
	up, moved        bool
}

// push reads the next standardised value and returns the severity at it of the rules
// that go by width, and of those that go by length; 0 when it is milder than the
// scale's cut.
func (s *scale) push(t *track, z float64) (width, length float64) {
	a := math.Abs(z)
	if a > s.wBeyond {
		width = math.Min(width, s.beyond.at(a))
	}
	if a > s.wFour || a > s.wTwo {
		width = math.Min(width, s.group(t, z, a))
	}
	t.runs(z, a)
	out := 0.0
	if t.side >= s.nSame {
		out = math.Min(out, s.same[min(t.side, longest)])
	}
	if t.trend >= s.nTrend {
		out = math.Min(out, s.trend[min(t.trend, longest)])
	}
	if t.alternate >= s.nAlternate {
		out = math.Min(out, s.alternate[min(t.alternate, longest)])
	}
	if t.hugs >= s.nHug {
		out = math.Min(out, s.hug[min(t.hugs, longest)])
	}
	if t.avoids >= s.nAvoid {
		out = math.Min(out, s.avoid[min(t.avoids, longest)])
	}
	t.last[3], t.last[2], t.last[1], t.last[0] = t.last[2], t.last[1], t.last[0], z
	t.n++
	return width, out
}

// group reads two of three and four of five: how far out the second, or the fourth,
// of the values on z's side lies.
func (s *scale) group(t *track, z, a float64) float64 {
	out := 0.0
	var same [4]float64
	k := 0
	for i := range min(t.n, 4) {
		v := t.last[i]
		if v*z <= 0 {
			continue
		}
		same[k] = math.Abs(v)
		if i < 2 && a > s.wTwo {
			out = math.Min(out, s.two.at(math.Min(a, same[k])))
		}
		k++
	}
	if k < 3 || a <= s.wFour {
		return out
	}
	low, next := math.Inf(1), math.Inf(1) // the two nearest to the centre
	for _, v := range same[:k] {
		if v < low {
			low, next = v, low
		} else if v < next {
			next = v
		}
	}
	third := low
	if k == 4 {
		third = next
	}
	return math.Min(out, s.four.at(math.Min(a, third)))
}

// runs moves the lengths of all runs on by one value.
func (t *track) runs(z, a float64) {
	if t.n > 0 && z*t.last[0] > 0 {
		t.side++
	} else {
		t.side = 1
	}
	t.hugs, t.avoids = grow(t.hugs, a < 1), grow(t.avoids, a > 1)
	switch {
	case t.n == 0:
		t.trend, t.alternate = 1, 1
	case z == t.last[0]:
		t.trend, t.alternate, t.moved = 1, 1, false
	default:
		up := z > t.last[0]
		if t.moved && up == t.up {
			t.trend, t.alternate = t.trend+1, 2
		} else if t.moved {
			t.trend, t.alternate = 2, t.alternate+1
		} else {
			t.trend, t.alternate = 2, 2
		}
		t.up, t.moved = up, true
	}
}

func grow(run int, on bool) int {
	if on {
		return run + 1
	}
	return 0
}
