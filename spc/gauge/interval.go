package gauge

import (
	"math"

	"alike/spc/dist"
)

// factors are the constants of the modified large-sample intervals for one set of
// degrees of freedom. They depend on nothing else, so a simulation may keep them.
type factors struct {
	g, h   []float64   // lower and upper spread of one mean square
	gg, hh [][]float64 // of a positive one (first index) with a negative one
}

// newFactors computes the factors for one-sided bounds of error alpha each.
//
// Source: Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul.
// 35 (1990) 135-143; Burdick and Graybill, Confidence Intervals on Variance
// Components (1992) chapter 3 (both from memory; coverage is simulated in the
// tests). Their cross terms of mean squares of equal sign are left out, which is
// Graybill and Wang's interval (J. Amer. Statist. Assoc. 75 (1980) 869-873) when
// all signs are equal.
func newFactors(df []float64, alpha float64) factors {
	k := len(df)
	f := factors{g: make([]float64, k), h: make([]float64, k), gg: make([][]float64, k), hh: make([][]float64, k)}
	for i, n := range df {
		if n > 0 {
			f.g[i] = 1 - n/dist.ChiSquared{Nu: n}.QuantileUpper(alpha)
			f.h[i] = n/dist.ChiSquared{Nu: n}.Quantile(alpha) - 1
		}
	}
	for i := range df {
		f.gg[i], f.hh[i] = make([]float64, k), make([]float64, k)
		for j := range df {
			if i == j || df[i] == 0 || df[j] == 0 {
				continue
			}
			up := dist.F{D1: df[i], D2: df[j]}.QuantileUpper(alpha)
			low := dist.F{D1: df[i], D2: df[j]}.Quantile(alpha)
			f.gg[i][j] = (square(up-1) - square(f.g[i]*up) - square(f.h[j])) / up
			f.hh[i][j] = (square(1-low) - square(f.h[i]*low) - square(f.g[j])) / low
		}
	}
	return f
}

// bounds returns the interval of the expectation of Σ c·ms.
func (f factors) bounds(c, ms []float64) Interval {
	centre, down, up := 0.0, 0.0, 0.0
	for i := range c {
		a := c[i] * ms[i]
		centre += a
		if a < 0 {
			down += square(f.h[i] * a)
			up += square(f.g[i] * a)
			continue
		}
		down += square(f.g[i] * a)
		up += square(f.h[i] * a)
		for j := range c {
			if b := c[j] * ms[j]; b < 0 {
				down -= f.gg[i][j] * a * b
				up -= f.hh[i][j] * a * b
			}
		}
	}
	// The cross terms may make the sum of squares negative by a little.
	return Interval{centre - math.Sqrt(math.Max(0, down)), centre + math.Sqrt(math.Max(0, up))}
}

// share returns the interval of Σ a·ms over Σ b·ms, a part of it, by asking for
// which ratio t the interval of Σ (a-t·b)·ms holds zero (the ratio as a linear
// combination: Burdick and Graybill 1992, from memory).
func (f factors) share(a, b, ms []float64) Interval {
	c := make([]float64, len(b))
	at := func(t float64) Interval {
		for i := range b {
			c[i] = -t * b[i]
			if a != nil {
				c[i] += a[i]
			}
		}
		return f.bounds(c, ms)
	}
	return Interval{
		falling(func(t float64) float64 { return at(t).Low }),
		falling(func(t float64) float64 { return at(t).High }),
	}
}

// falling returns where a falling function crosses zero between 0 and 1, or the
// end it does not reach.
func falling(f func(float64) float64) float64 {
	lo, hi := 0.0, 1.0
	if f(lo) <= 0 {
		return lo
	}
	if f(hi) >= 0 {
		return hi
	}
	for range 60 {
		if mid := (lo + hi) / 2; f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// intervals fills the intervals. A bound below zero is zero, and the estimate
// always lies inside. When the interaction was pooled its interval still comes
// from the table that keeps it, so that the reader sees how large it may be; with
// one reading per cell there is none, and it is zero.
func (s *Study) intervals(m, kept model, factorsFor func(df []float64) factors) {
	f := factorsFor(m.df)
	reproducibility := m.sum(m.operator, m.interaction)
	gauge := m.sum(reproducibility, m.repeat)
	total := m.sum(gauge, m.part)
	combos := Named[[]float64]{m.repeat, m.operator, m.interaction, reproducibility, gauge, m.part, total}

	s.VarianceInterval = each(combos, func(c []float64) Interval {
		if c == nil {
			return Interval{}
		}
		return positive(f.bounds(c, m.ms))
	})
	share := each(combos, func(c []float64) Interval {
		if c == nil {
			return Interval{}
		}
		return f.share(c, total, m.ms)
	})
	if s.Operators == 1 {
		s.VarianceInterval.Reproducibility, share.Reproducibility = Interval{}, Interval{}
	}
	if kept.interaction != nil {
		k := factorsFor(kept.df)
		all := kept.sum(kept.repeat, kept.operator, kept.interaction, kept.part)
		s.VarianceInterval.Interaction = positive(k.bounds(kept.interaction, kept.ms))
		share.Interaction = k.share(kept.interaction, all, kept.ms)
	}
	share.Total = Interval{1, 1}
	// Exactly what the parts leave, so that the two agree.
	share.Gauge = Interval{1 - share.Part.High, 1 - share.Part.Low}
	s.VarianceInterval = hold(s.VarianceInterval, s.Variance)
	s.PercentStudyInterval = hold(each(share, func(i Interval) Interval {
		return Interval{100 * math.Sqrt(i.Low), 100 * math.Sqrt(i.High)}
	}), s.PercentStudy)
	s.DistinctInterval = Interval{distinct(share.Part.Low), distinct(share.Part.High)}
}

// distinct returns √2·sigma(part)/sigma(gauge) from the part's share of the total
// variance, kept finite for a part that is all of it.
func distinct(share float64) float64 {
	return math.Sqrt(2 * share / math.Max(1e-18, 1-share))
}

func positive(i Interval) Interval { return Interval{math.Max(0, i.Low), math.Max(0, i.High)} }

// hold widens each interval to its estimate, which lies outside only when a
// component below it was set to zero.
func hold(is Named[Interval], at Named[float64]) Named[Interval] {
	widen := func(i Interval, x float64) Interval { return Interval{math.Min(i.Low, x), math.Max(i.High, x)} }
	return Named[Interval]{
		widen(is.Repeatability, at.Repeatability), widen(is.Operator, at.Operator),
		widen(is.Interaction, at.Interaction), widen(is.Reproducibility, at.Reproducibility),
		widen(is.Gauge, at.Gauge), widen(is.Part, at.Part), widen(is.Total, at.Total),
	}
}
