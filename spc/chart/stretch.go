package chart

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Stretched returns Nelson's rules with their widths or lengths stretched so that
// each one's chance to stand fired at any one point, while the process stands
// still, is at most alpha. A board of a hundred charts read with the published
// rules cries wolf every few units; stretched rules keep each rule's eye for its
// own kind of change and fit a board-wide budget.
//
// The chance is averaged over what a baseline of n units leaves unknown: the
// centre is off by a normal error of variance 1/n sigma², and the estimated sigma
// has freedom degrees of freedom (Estimate.Freedom). Widths and lengths therefore
// grow as the baseline shrinks. Infinite n and freedom stand for known parameters.
// Alpha must lie between 1e-12 and 0.1, n be at least 2, freedom at least 1.
func Stretched(alpha float64, n, freedom float64) ([]Rule, error) {
	if !(alpha >= 1e-12 && alpha <= 0.1) {
		return nil, fmt.Errorf("chance per point %v is not between 1e-12 and 0.1", alpha)
	}
	if !(n >= 2) || !(freedom >= 1) {
		return nil, fmt.Errorf("a baseline of %v units with %v degrees of freedom is too small", n, freedom)
	}
	k := unknowns(n, freedom)
	rules := Nelson()
	for i := range rules {
		r := &rules[i]
		switch r.Key {
		case Beyond, TwoOfThree, FourOfFive:
			r.Width = widen(*r, k, alpha)
		default:
			for k.chance(*r) > alpha {
				r.Count++
				r.Of++
			}
		}
	}
	return rules, nil
}

// Chance returns the probability that a rule stands fired at a point of a stream
// of independent normal values, averaged over the baseline's uncertainty as in
// Stretched, for a window wholly inside the stream.
func Chance(r Rule, n, freedom float64) float64 {
	return unknowns(n, freedom).chance(r)
}

// Chances returns Chance for one baseline, for callers that ask often.
func Chances(n, freedom float64) func(Rule) float64 { return unknowns(n, freedom).chance }

// widen finds the width at which the rule's chance is alpha. The logarithm of the
// chance falls with the width, nearly as a parabola, so that the secant between two
// widths on either side (regula falsi, halved as in the Illinois method) is there in
// ten steps.
func widen(r Rule, k nodes, alpha float64) float64 {
	over := func(w float64) float64 {
		r.Width = w
		return math.Log(k.chance(r) / alpha)
	}
	lo, hi := 0.0, 4.0
	a, b := over(lo), over(hi)
	if a <= 0 {
		return 0
	}
	for b > 0 && hi < 1e9 {
		lo, a, hi = hi, b, 2*hi
		b = over(hi)
	}
	side := 0
	for range 200 {
		if hi-lo <= 1e-10*hi {
			break
		}
		w := lo + (hi-lo)*a/(a-b)
		switch v := over(w); {
		case math.Abs(v) < 1e-12:
			return w
		case v > 0:
			lo, a = w, v
			if side == 1 {
				b /= 2
			}
			side = 1
		default:
			hi, b = w, v
			if side == -1 {
				a /= 2
			}
			side = -1
		}
	}
	return hi
}

// An unknown is one node of the integral over the baseline's errors: the true
// centre in true sigmas above the estimated one, the estimated sigma over the
// true one, and the node's weight.
type unknown struct{ off, ratio, weight float64 }

type nodes []unknown

// unknowns spreads quadrature nodes over the centre's and sigma's errors.
func unknowns(n, freedom float64) nodes {
	offs := []unknown{{weight: 1}}
	if !math.IsInf(n, 1) {
		offs = offs[:0]
		const count = 48
		x, w := make([]float64, count), make([]float64, count)
		quad.Legendre{}.FixedLocations(x, w, -8, 8)
		for i := range x {
			offs = append(offs, unknown{off: x[i] / math.Sqrt(n), weight: w[i] * density(x[i])})
		}
	}
	ratios := []unknown{{ratio: 1, weight: 1}}
	if !math.IsInf(freedom, 1) {
		ratios = ratios[:0]
		chi := distuv.ChiSquared{K: freedom}
		const count = 64
		p, w := make([]float64, count), make([]float64, count)
		// Small ratios drive the chance up: nodes over the root's range, not its
		// quantiles, reach them.
		lo, hi := math.Sqrt(chi.Quantile(1e-13)/freedom), math.Sqrt(chi.Quantile(1-1e-13)/freedom)
		quad.Legendre{}.FixedLocations(p, w, lo, hi)
		for i := range p {
			v := p[i] * p[i] * freedom
			ratios = append(ratios, unknown{ratio: p[i], weight: w[i] * chi.Prob(v) * 2 * p[i] * freedom})
		}
	}
	var out nodes
	for _, o := range offs {
		for _, r := range ratios {
			out = append(out, unknown{o.off, r.ratio, o.weight * r.weight})
		}
	}
	return out
}

func (k nodes) chance(r Rule) float64 {
	switch r.Key {
	case Trend: // of all orders of n values one rises and one falls
		g, _ := math.Lgamma(float64(r.Count) + 1)
		return 2 * math.Exp(-g)
	case Alternating:
		return 2 * zigzag(r.Count)
	}
	sum := 0.0
	for _, u := range k {
		sum += u.weight * u.chance(r)
	}
	return sum
}

// chance returns the rule's probability for one error of centre and sigma.
func (u unknown) chance(r Rule) float64 {
	above := phi(u.off - r.Width*u.ratio)
	below := phi(-u.off - r.Width*u.ratio)
	switch r.Key {
	case Beyond, TwoOfThree, FourOfFive:
		return above*tail(r.Of-1, r.Count-1, above) + below*tail(r.Of-1, r.Count-1, below)
	case SameSide:
		return math.Pow(phi(u.off), float64(r.Count)) + math.Pow(phi(-u.off), float64(r.Count))
	case Hugging:
		return math.Pow(math.Max(0, 1-above-below), float64(r.Count))
	case Avoiding:
		return math.Pow(above+below, float64(r.Count))
	}
	panic("chart: unknown rule " + string(r.Key))
}

// tail returns the probability of at least c successes in n trials.
func tail(n, c int, p float64) float64 {
	sum := 0.0
	for k := c; k <= n; k++ {
		sum += choose(n, k) * math.Pow(p, float64(k)) * math.Pow(1-p, float64(n-k))
	}
	return sum
}

func choose(n, k int) float64 {
	c := 1.0
	for i := range k {
		c = c * float64(n-i) / float64(i+1)
	}
	return c
}

// zigzag returns the share of the orders of n values that go up and down in turn
// beginning upwards: Eₙ/n! with the zigzag numbers Eₙ = 1, 1, 2, 5, 16 ..., by
// Entringer's triangle, each row divided by its number to stay in range.
func zigzag(n int) float64 {
	row := []float64{1}
	for m := 1; m <= n; m++ {
		next := make([]float64, m+1)
		for j := 1; j <= m; j++ {
			next[j] = next[j-1] + row[m-j]/float64(m)
		}
		row = next
	}
	return row[n]
}
