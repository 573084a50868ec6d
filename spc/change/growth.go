package change

import (
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/sample"
)

// A Growth is a level that holds up to a value, jumps there, goes on changing by the same
// amount from each value to the next, and stays where it has come to. A step and a drift
// are growths without the one part or the other.
type Growth struct {
	N      int
	Index  int     // first value off the level, from 1
	Before float64 // the level
	Jump   float64 // at the first value off it
	Slope  float64 // change per value after that
	Lasts  int     // values over which it grows
	Sigma  float64 // standard deviation around it
	// P is the probability that streams with the best step alone are fitted so much
	// better by a growth.
	P          float64
	Set        []int // first values off the level that the data do not contradict, rising
	Confidence float64
	Warnings   []string
}

// FindGrowth returns the most likely growth and the set of its beginnings that the data
// do not contradict. A beginning is contradicted when streams drawn around the best growth
// from there, with its scatter, have another beginning that fits as much better as in the
// data in too few of them (a parametric bootstrap of the likelihood ratio; Hinkley,
// Biometrika 57 (1970) 1-17, and 58 (1971) 509-523, has the ratio for a step and for two
// lines, from memory). That it holds for normal values to within its own draws is shown by
// simulation. Its set is wider than that of a step or a drift, since it asks for less: read
// it when a plain step is not sure. It asks what Find asks, of six values or more, and the
// level before must not be given.
func FindGrowth(xs []float64, o Options) (Growth, error) {
	if o.Before != nil || o.Sigma != nil {
		return Growth{}, fmt.Errorf("a growth is searched with level and sigma unknown")
	}
	if err := sample.Check(xs, leastGrowth); err != nil {
		return Growth{}, err
	}
	f, err := newFinder(xs, o)
	if err != nil {
		return Growth{}, err
	}
	g := grower{finder: f, n: len(xs), lasts: lengths(len(xs)), rng: newRand(o.Seed ^ 0x67726f77), y: make([]float64, len(xs))}
	best := g.best(f.y)
	out := Growth{
		N: len(xs), Index: best.from + 1, Before: f.origin + f.scale*best.level, Jump: f.scale * best.jump, Slope: f.scale * best.slope,
		Lasts: best.lasts, Sigma: f.scale * best.spread(g.n), Confidence: o.confidence(), P: g.beyondStep(f.y, best),
	}
	for k := 1; k < g.n; k++ {
		if k == best.from || g.allows(f.y, k, best.rest) {
			out.Set = append(out.Set, k+1)
		}
	}
	if len(xs)-best.from < 5 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("The growth rests on %s.", values(len(xs)-best.from)))
	}
	return out, nil
}

// leastGrowth is the fewest values that leave scatter around four parameters.
const leastGrowth = 6

// lengths returns how long a growth may last: about doubling.
func lengths(n int) []int {
	var out []int
	for l := 4; l < n; l = l*3/2 + 1 {
		out = append(out, l)
	}
	return append(out, n)
}

// A grower searches growths.
type grower struct {
	*finder
	n     int
	lasts []int
	rng   *rand.Rand
	y     []float64
}

// A grown is one fitted growth.
type grown struct {
	from, lasts        int // from 0; 0 when it does not grow
	level, jump, slope float64
	rest               float64
}

func (g grown) spread(n int) float64 { return math.Sqrt(g.rest / float64(n-4)) }

func (g grown) at(i int) float64 {
	if i < g.from {
		return g.level
	}
	return g.level + g.jump + g.slope*float64(min(i-g.from, g.lasts))
}

// A running holds the sums that every fit is made of: of y, i·y and y² over the values
// before each index.
type running struct{ y, iy, yy []float64 }

func run(y []float64) running {
	n := len(y)
	r := running{make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)}
	for i, v := range y {
		r.y[i+1], r.iy[i+1], r.yy[i+1] = r.y[i]+v, r.iy[i]+float64(i)*v, r.yy[i]+v*v
	}
	return r
}

// at fits a growth from value k on: the level is the mean before, and the values after are
// fitted by a line that ends.
func (g *grower) at(r running, k int) grown {
	n := g.n
	before, after := float64(k), float64(n-k)
	sum := r.y[n] - r.y[k]
	out := grown{from: k, level: r.y[k] / before}
	flat := math.Max(0, r.yy[k]-r.y[k]*out.level) + math.Max(0, r.yy[n]-r.yy[k]-sum*sum/after)
	out.jump, out.rest = sum/after-out.level, flat
	for _, l := range g.lasts {
		whole := l >= n-1-k // it grows to the last value
		if l = min(l, n-1-k); l < 2 {
			break
		}
		// The regressor is i-k for l+1 values, then l.
		m := float64(l)
		tail := after - m - 1
		rs, rr := m*(m+1)/2+m*tail, m*(m+1)*(2*m+1)/6+m*m*tail
		ry := r.iy[k+l+1] - r.iy[k] - float64(k)*(r.y[k+l+1]-r.y[k]) + m*(r.y[n]-r.y[k+l+1])
		sxx, sxy := rr-rs*rs/after, ry-rs*sum/after
		if rest := flat - sxy*sxy/sxx; rest < out.rest {
			slope := sxy / sxx
			out.rest, out.slope, out.lasts, out.jump = math.Max(0, rest), slope, l, sum/after-slope*rs/after-out.level
		}
		if whole {
			break
		}
	}
	return out
}

func (g *grower) best(y []float64) grown {
	r := run(y)
	out := grown{rest: math.Inf(1)}
	for k := 1; k < g.n; k++ {
		if at := g.at(r, k); at.rest < out.rest {
			out = at
		}
	}
	return out
}

// draw fills y with a course and normal scatter.
func (g *grower) draw(course grown, sigma float64) []float64 {
	for i := range g.y {
		g.y[i] = course.at(i) + sigma*g.rng.NormFloat64()
	}
	return g.y
}

// farOff is a ratio of likelihoods beyond which no draw comes: 40 times the scatter of one
// value squared has a chance below one in a million even with three parameters more.
const farOff = 40.0

// allows tells whether the data do not contradict a growth from value k+1 on.
func (g *grower) allows(y []float64, k int, best float64) bool {
	here := g.at(run(y), k)
	ratio := (here.rest - best) / math.Max(best, dust*g.whole) * float64(g.n-4)
	if ratio > farOff {
		return false
	}
	need := int(math.Floor(g.alpha*float64(g.noise.draws+1) + 1e-9))
	hits, sigma := 1, here.spread(g.n)
	for b := range g.noise.draws {
		if hits >= need {
			return true
		}
		if hits+g.noise.draws-b < need {
			return false
		}
		drawn := g.draw(here, sigma)
		r := run(drawn)
		at, least := g.at(r, k).rest, math.Inf(1)
		for j := 1; j < g.n; j++ {
			least = math.Min(least, g.at(r, j).rest)
		}
		if (at-least)/least*float64(g.n-4) >= ratio-1e-12 {
			hits++
		}
	}
	return hits >= need
}

// beyondStep returns the share of streams around the best step that a growth fits as much
// better than a step as it does the data.
func (g *grower) beyondStep(y []float64, best grown) float64 {
	step := func(y []float64) grown {
		r := run(y)
		out := grown{rest: math.Inf(1)}
		for k := 1; k < g.n; k++ {
			level, after := r.y[k]/float64(k), (r.y[g.n]-r.y[k])/float64(g.n-k)
			rest := r.yy[g.n] - r.y[k]*level - (r.y[g.n]-r.y[k])*after
			if rest < out.rest {
				out = grown{from: k, level: level, jump: after - level, rest: math.Max(0, rest)}
			}
		}
		return out
	}
	s := step(y)
	floor := dust * g.whole
	ratio := math.Log(math.Max(s.rest, floor) / math.Max(best.rest, floor))
	sigma := math.Sqrt(s.rest / float64(g.n-2))
	hits := 1
	for range g.noise.draws {
		drawn := append([]float64(nil), g.draw(s, sigma)...)
		if a, b := step(drawn).rest, g.best(drawn).rest; math.Log(math.Max(a, floor)/math.Max(b, floor)) >= ratio-1e-12 {
			hits++
		}
	}
	return float64(hits) / float64(g.noise.draws+1)
}
