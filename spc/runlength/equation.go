package runlength

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// A walk is a Markov process on a stretch of the line that ends when it leaves the
// stretch. Average run lengths from each place solve
// L(u) = 1 + ∫ L(y) density(u, y) dy, here on Gauss-Legendre nodes (Crowder,
// Technometrics 29 (1987) 401-407), with the chance to leave known by itself.
type walk struct {
	density func(from, to float64) float64
	leave   func(from, limit float64) float64 // chance to be outside the stretch next
	low     func(limit float64) float64       // other end of the stretch
	atom    func(from float64) float64        // chance to be exactly at zero; nil for none
	sd      float64                           // of one step, roughly
	finer   int                               // times as many nodes as usual, in tests; 0 for 1
}

// line is a set of places with quadrature weights; with an atom, the first place is
// zero with weight 1.
type line struct {
	at, weight []float64
	atom       bool
}

// places spreads nodes over the stretch.
func (w walk) places(limit float64) line {
	low := w.low(limit)
	n := nodes(limit-low, w.sd) * max(1, w.finer)
	l := line{atom: w.atom != nil}
	if l.atom {
		l.at, l.weight = append(l.at, 0), append(l.weight, 1)
	}
	x, v := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, v, low, limit)
	l.at, l.weight = append(l.at, x...), append(l.weight, v...)
	return l
}

// nodes returns how many nodes resolve normal-like steps of standard deviation sd:
// with four per sd and thirty more the averages stand to 1e-10 when doubled.
func nodes(length, sd float64) int { return 30 + int(4*length/sd) }

// chance is the weight of going from one place to place j.
func (w walk) chance(from float64, l line, j int) float64 {
	if l.atom && j == 0 {
		return w.atom(from)
	}
	return l.weight[j] * w.density(from, l.at[j])
}

// average returns the average run length from every place of a line.
func (w walk) average(l line, limit float64) []float64 {
	n := len(l.at)
	k := make([][]float64, n)
	leave := make([]float64, n)
	for i, from := range l.at {
		k[i] = make([]float64, n)
		for j := range n {
			k[i][j] = w.chance(from, l, j)
		}
		leave[i] = w.leave(from, limit)
	}
	return eliminate(k, leave)
}

// eliminate solves L = 1 + kL for chances k to move and leave to end, by censoring
// one state after the other (Grassmann, Taksar and Heyman, Operations Research 33
// (1985) 1107-1116). It never subtracts, so that L keeps its digits even where it
// exceeds 1e16 and 1-k is singular in float64. The diagonal is taken from
// leave and the other chances.
func eliminate(k [][]float64, leave []float64) []float64 {
	n := len(leave)
	steps := make([]float64, n)
	out := make([]float64, n)
	for i := range steps {
		steps[i] = 1
	}
	for m := n - 1; m >= 0; m-- {
		d := leave[m]
		for j := range m {
			d += k[m][j]
		}
		out[m] = d
		for i := range m {
			f := k[i][m] / d
			if f == 0 {
				continue
			}
			row, last := k[i], k[m]
			for j := range m {
				row[j] += f * last[j]
			}
			leave[i] += f * leave[m]
			steps[i] += f * steps[m]
		}
	}
	for m := range n {
		sum := steps[m]
		for j := range m {
			sum += part(k[m][j], out[j])
		}
		out[m] = sum / out[m]
	}
	return out
}

// part is p·v, zero when p is, also of an infinite average.
func part(p, v float64) float64 {
	if p == 0 {
		return 0
	}
	return p * v
}

// from returns the average run length from any place, given those of a line.
func (w walk) from(start float64, l line, average []float64) float64 {
	sum := 1.0
	for j, v := range average {
		sum += part(w.chance(start, l, j), v)
	}
	return sum
}

// rising returns the average run length from a start when the limits widen step by
// step and stay at the last: the chances of still running add up, and from the last
// step on the average from each place takes over.
func (w walk) rising(start float64, limits []float64) float64 {
	steady := limits[len(limits)-1]
	places := w.places(steady)
	average := w.average(places, steady)
	if len(limits) == 1 {
		return w.from(start, places, average)
	}
	sum := 1.0 // the first point is always read
	l := line{at: []float64{start}}
	now := []float64{1} // chance of each place, weights included
	for i, limit := range limits {
		next := places
		if i < len(limits)-1 {
			next = w.places(limit)
		}
		then := make([]float64, len(next.at))
		for j := range then {
			for m, p := range now {
				then[j] += p * w.chance(l.at[m], next, j)
			}
		}
		l, now = next, then
		if i < len(limits)-1 {
			for _, p := range now {
				sum += p
			}
		}
	}
	for j, p := range now {
		sum += part(p, average[j])
	}
	return sum
}

// widening returns limit·√(1-(1-λ)²ⁱ) for i = 1, 2 ... until it is limit
// to 1e-8.
func widening(limit, lambda float64, steady bool) []float64 {
	var out []float64
	for i := 1; !steady; i++ {
		left := math.Exp(2 * float64(i) * math.Log1p(-lambda))
		if left < 2e-8 {
			break
		}
		out = append(out, limit*math.Sqrt(1-left))
	}
	return append(out, limit)
}
