package change

import (
	"fmt"
	"math"
)

// An Onset says when a drift began, how sure that is, and how steep it is.
type Onset struct {
	Drift
	N          int
	Set        []int // first values off the level that the data do not contradict, rising
	Confidence float64
	Warnings   []string
}

// FindDrift returns the most likely beginning of a steady drift to the last value, and
// the set of beginnings that the data do not contradict, as Find does for a step: given a
// drift from value k on, level, slope and the sum of squares around them are sufficient,
// so that what is left may be turned in any direction; k is left out when too few of such
// data sets have another beginning that fits as much better as in the data. This is exact
// for independent normal values on a drift that is straight, at any slope and size of
// sample (the argument of Worsley, Biometrika 73 (1986) 91-104, for another shape of
// change; from memory). Read it when Shape says drift. It asks what Find asks.
func FindDrift(xs []float64, o Options) (Onset, error) {
	f, err := newFinder(xs, o)
	if err != nil {
		return Onset{}, err
	}
	d := f.driftFit()
	out := Onset{N: len(xs), Confidence: o.confidence(), Drift: f.drift(d, o)}
	for k := f.first(); k <= len(xs)-2; k++ {
		if k == d.from || f.allowsDrift(k, d.rest) {
			out.Set = append(out.Set, k+1)
		}
	}
	if len(xs)-d.from < 5 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("The drift rests on %s.", values(len(xs)-d.from)))
	}
	return out, nil
}

// drift returns a fit in the unit of the data.
func (f *finder) drift(d fit, o Options) Drift {
	out := Drift{
		Index: d.from + 1, Slope: f.scale * d.slope,
		Before: f.origin + f.scale*d.level,
		After:  f.origin + f.scale*(d.level+d.slope*float64(len(f.y)-d.from)),
		Sigma:  f.scale * f.spread(d.rest),
	}
	if f.sigma > 0 {
		out.Sigma = *o.Sigma
	}
	return out
}

// A bend is the regression on a level, unless it is known, and a drift from value k+1 on.
type bend struct {
	k     int
	known bool
	mean  float64 // of the drift's regressor; 0 when the level is known
	sxx   float64
	n     int
}

func (f *finder) bend(k int) bend {
	n := len(f.y)
	m := float64(n - k)
	b := bend{k: k, known: f.known, n: n, sxx: m * (m + 1) * (2*m + 1) / 6}
	if !f.known {
		sum := m * (m + 1) / 2
		b.mean = sum / float64(n)
		b.sxx -= sum * b.mean
	}
	return b
}

// split returns level and slope of values, at their mean regressor, and writes what is
// left into rest.
func (b bend) split(y, rest []float64) (level, slope float64) {
	if !b.known {
		for _, v := range y {
			level += v / float64(b.n)
		}
	}
	for i, v := range y {
		slope += (v - level) * (math.Max(0, float64(i+1-b.k)) - b.mean)
	}
	slope /= b.sxx
	for i, v := range y {
		rest[i] = v - level - slope*(math.Max(0, float64(i+1-b.k))-b.mean)
	}
	return level, slope
}

// allowsDrift tells whether the data do not contradict a drift from value k+1 on; best is
// the sum of squares around the best drift.
func (f *finder) allowsDrift(k int, best float64) bool {
	n := len(f.y)
	b := f.bend(k)
	rest, y := make([]float64, n), make([]float64, n)
	level, slope := b.split(f.y, rest)
	left := 0.0
	for _, v := range rest {
		left += v * v
	}
	need := int(math.Floor(f.alpha*float64(f.noise.draws+1) + 1e-9))
	hits := 1 // the data themselves
	for _, s := range f.noise.sums {
		if hits >= need {
			return true
		}
		for i := range y {
			y[i] = s[i+1] - s[i]
		}
		b.split(y, rest)
		drawn := 0.0
		for _, v := range rest {
			drawn += v * v
		}
		scale := f.sigma
		if f.sigma == 0 {
			scale = math.Sqrt(left / drawn)
		}
		here, whole, mean := drawn*scale*scale, 0.0, 0.0
		for i := range y {
			y[i] = level + slope*(math.Max(0, float64(i+1-k))-b.mean) + scale*rest[i]
			mean += y[i] / float64(n)
		}
		if f.known {
			mean = 0
		}
		for _, v := range y {
			whole += (v - mean) * (v - mean)
		}
		if _, gain := f.bestDrift(y); here-(whole-gain) >= left-best-1e-12*f.whole {
			hits++
		}
	}
	return hits >= need
}
