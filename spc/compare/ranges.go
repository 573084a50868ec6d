package compare

import (
	"math"

	"alike/spc/dist"
)

// ranges gives quantiles of the studentized range for one number of groups and one
// level. Each takes some 30 ms, and many bands with spreads of their own ask for
// hundreds at different degrees of freedom: after a few, the rest is interpolated.
type ranges struct {
	groups int
	alpha  float64
	known  map[float64]float64 // by degrees of freedom
	logs   []float64           // log quantiles at the nodes of 1/nu
}

// exactRanges are computed before interpolation pays.
const exactRanges = 20

// Chebyshev nodes over 1/nu from 0 to 1/2; log q is smooth there and 14 nodes hold
// 1e-7 (tested).
const rangeNodes = 14

func newRanges(groups int, alpha float64) *ranges {
	return &ranges{groups: groups, alpha: alpha, known: map[float64]float64{}}
}

func (r *ranges) quantile(nu float64) float64 {
	if q, ok := r.known[nu]; ok {
		return q
	}
	if len(r.known) >= exactRanges && nu >= 2 {
		return r.interpolated(nu)
	}
	q := r.exact(nu)
	r.known[nu] = q
	return q
}

// exact takes the range of two as what it is, √2 times the size of Student's t.
func (r *ranges) exact(nu float64) float64 {
	if r.groups == 2 {
		return math.Sqrt2 * dist.StudentT{Nu: nu}.QuantileUpper(r.alpha/2)
	}
	return dist.StudentizedRange{Groups: r.groups, Nu: nu}.QuantileUpper(r.alpha)
}

// survival returns P(Q > q).
func (r *ranges) survival(q, nu float64) float64 {
	if r.groups == 2 {
		return 2 * dist.StudentT{Nu: nu}.Survival(q/math.Sqrt2)
	}
	return dist.StudentizedRange{Groups: r.groups, Nu: nu}.Survival(q)
}

func node(i int) float64 { return 0.25 * (1 + math.Cos(math.Pi*(float64(i)+0.5)/rangeNodes)) }

// interpolated uses the barycentric formula (Berrut and Trefethen, SIAM Review 46
// (2004) 501-517, from memory).
func (r *ranges) interpolated(nu float64) float64 {
	if r.logs == nil {
		for i := range rangeNodes {
			r.logs = append(r.logs, math.Log(r.exact(1/node(i))))
		}
	}
	above, below := 0.0, 0.0
	for i, v := range r.logs {
		d := 1/nu - node(i)
		if d == 0 {
			return math.Exp(v)
		}
		w := math.Sin(math.Pi*(float64(i)+0.5)/rangeNodes) / d
		if i%2 == 1 {
			w = -w
		}
		above, below = above+w*v, below+w
	}
	return math.Exp(above / below)
}
