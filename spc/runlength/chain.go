package runlength

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/floats"

	"alike/spc/chart"
	"alike/spc/dist"
)

// MaxStates bounds the Markov chain of a set of rules. The eight published rules
// without Trend and Alternating need far fewer.
const MaxStates = 60_000

// A chain moves between what a reader of rules may remember. Zone z of the line
// has the chance p[z]; to[s*len(p)+z] is the next state, -1 for a signal. State 0
// is the start.
type chain struct {
	p      []float64
	to     []int32
	memory int // points after which the start is forgotten
}

// build explores the memories a reader can reach. Not ok when a rule is not zoned
// or there are too many.
func build(shift float64, rules []chart.Rule) (chain, bool) {
	for _, r := range rules {
		if !r.Zoned() {
			return chain{}, false
		}
	}
	points, p := zones(shift, rules)
	c := chain{p: p}
	for _, r := range rules {
		c.memory = max(c.memory, r.Of)
	}
	readers := []*chart.Reader{chart.NewReader(rules)}
	known := map[string]int32{string(readers[0].Memory(nil)): 0}
	var key []byte
	for s := 0; s < len(readers); s++ {
		for _, z := range points {
			next := readers[s].Clone()
			if next.Push(z) != 0 {
				c.to = append(c.to, -1)
				continue
			}
			key = next.Memory(key[:0])
			id, ok := known[string(key)]
			if !ok {
				if len(readers) == MaxStates {
					return chain{}, false
				}
				id = int32(len(readers))
				known[string(key)] = id
				readers = append(readers, next)
			}
			c.to = append(c.to, id)
		}
		readers[s] = nil
	}
	return c, true
}

// zones cuts the line at every line a rule looks at and returns a point within
// each zone and the zone's chance, leaving out zones without any.
func zones(shift float64, rules []chart.Rule) (points, p []float64) {
	lines := []float64{}
	for _, r := range rules {
		if r.Key == chart.SameSide {
			lines = append(lines, 0)
		} else {
			lines = append(lines, -r.Width, r.Width)
		}
	}
	sort.Float64s(lines)
	lines = slices.Compact(lines)
	edges := slices.Concat([]float64{math.Inf(-1)}, lines, []float64{math.Inf(1)})
	for i := 1; i < len(edges); i++ {
		lo, hi := edges[i-1], edges[i]
		chance := dist.NormBetween(lo-shift, hi-shift)
		if chance == 0 {
			continue
		}
		switch {
		case math.IsInf(lo, -1):
			points = append(points, hi-1)
		case math.IsInf(hi, 1):
			points = append(points, lo+1)
		default:
			points = append(points, lo+(hi-lo)/2)
		}
		p = append(p, chance)
	}
	return points, p
}

// A Distribution is the law of a run length: its first part step by step, then a
// constant chance of a signal per point, into which every such law settles.
type Distribution struct {
	after    []float64 // chance of no signal in the first n points, from n = 0
	hazard   float64   // chance of a signal per point beyond them
	mean     float64
	Warnings []string
}

// Mean returns the average run length, +Inf when the chart never signals.
func (d Distribution) Mean() float64 { return d.mean }

// After returns the chance that the run is longer than n points, 1 for n < 1.
func (d Distribution) After(n int) float64 {
	switch last := len(d.after) - 1; {
	case n < 1:
		return 1
	case n <= last:
		return d.after[n]
	default:
		return d.after[last] * math.Exp(float64(n-last)*math.Log1p(-d.hazard))
	}
}

// Quantile returns the smallest n such that a signal comes within n points with
// chance at least p, for p from 0 up to below 1; a false second value means that no
// such n below 2⁵³ exists.
func (d Distribution) Quantile(p float64) (n int, ok bool) {
	const most = 1 << 53
	if !(p >= 0 && p < 1) {
		panic(fmt.Sprintf("runlength: quantile of %v", p))
	}
	if d.After(most) > 1-p {
		return 0, false
	}
	return max(1, sort.Search(most, func(n int) bool { return d.After(n) <= 1-p })), true
}

// settled is how little the shape of the law, and the chance of a signal relative to
// itself, may still move per step. It counts only once every rule's window has
// been full twice: until then a rule that needs a long run has had no chance.
const settled = 1e-13

// run follows the chance of each state until its shape stands still. From then on
// the chance of a signal per point is constant, and the rest of the mean is a
// geometric series, so no equations are solved and ARLs far beyond 1/ε lose no
// digits.
func (c chain) run() Distribution {
	states := len(c.to) / len(c.p)
	now, next := make([]float64, states), make([]float64, states)
	now[0] = 1 // shape: chances given no signal yet
	alive, before := 1.0, 0.0
	d := Distribution{after: []float64{1}}
	limit := max(1000, int(4e9)/len(c.to))
	for n := 0; ; n++ {
		fired := c.step(now, next)
		d.mean += alive
		stay := floats.Sum(next)
		if stay == 0 {
			d.after, d.hazard = append(d.after, 0), 1
			return d
		}
		alive *= stay
		d.after = append(d.after, alive)
		moved := 0.0
		for i, v := range next {
			v /= stay // not 1-fired, whose rounding would grow from step to step
			moved += math.Abs(v - now[i])
			next[i] = v
		}
		now, next = next, now
		still := n > 2*c.memory && moved < settled && math.Abs(fired-before) <= settled*fired
		before = fired
		if still || alive < 1e-18 || n == limit {
			if n == limit {
				d.Warnings = append(d.Warnings, fmt.Sprintf("The chance of a signal per point still moved after %d points; the average is approximate.", n))
			}
			d.hazard = c.step(now, next)
			if d.hazard == 0 {
				d.Warnings = append(d.Warnings, never)
			}
			d.mean += alive / d.hazard
			return d
		}
	}
}

// step moves the shape by one point and returns the chance of a signal. Now sums
// to one, next to one less that chance.
func (c chain) step(now, next []float64) float64 {
	clear(next)
	fired := 0.0
	k := len(c.p)
	for s, v := range now {
		if v == 0 {
			continue
		}
		for z, to := range c.to[s*k : s*k+k] {
			if to < 0 {
				fired += v * c.p[z]
			} else {
				next[to] += v * c.p[z]
			}
		}
	}
	return fired
}
