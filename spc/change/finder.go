package change

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/dist"
	"alike/spc/sample"
)

// dust is what rounding leaves of a sum of squares that is zero, as a part of the
// whole.
const dust = 1e-20

// A finder compares the splits of one stream. The contrast of split j is the unit
// vector d_j for which (d_j·y)² is the sum of squares that the split explains:
//
//	level before unknown  d_j·y = (j·P_n - n·P_j)/√(n·j·(n-j)),  j = 1..n-1
//	level before known    d_j·y = (P_n - P_j)/√(n-j),            j = 0..n-1
//
// with P_j the sum of the first j values. Whether split j beats split k therefore
// needs the contrasts alone, whether sigma is known or not.
type finder struct {
	y      []float64 // values in units of scale from origin
	origin float64   // the known level, or the mean
	scale  float64
	known  bool      // the level before is known
	sigma  float64   // in units of scale; 0 when not known
	c      []float64 // contrast of each split; c[0] is 0 when the level is not known
	best   int
	whole  float64 // sum of squares around the origin
	alpha  float64
	noise  *noise
}

func newFinder(xs []float64, o Options) (*finder, error) {
	if err := errors.Join(o.check(), sample.Check(xs, o.least())); err != nil {
		return nil, err
	}
	if len(xs) > MostValues {
		return nil, fmt.Errorf("%d values are too many: give the last %d or fewer", len(xs), MostValues)
	}
	f := &finder{known: o.Before != nil, alpha: 1 - o.confidence()}
	if err := f.rescale(xs, o); err != nil {
		return nil, err
	}
	f.c = contrasts(f.y, f.known)
	for j := range f.c {
		f.whole += f.y[j] * f.y[j]
		if math.Abs(f.c[j]) > math.Abs(f.c[f.best]) {
			f.best = j
		}
	}
	f.best = max(f.best, f.first())
	f.noise = newNoise(len(xs), o.draws(), o.Seed)
	return f, nil
}

// rescale centres the values on the known level or their mean and divides by a
// power of two, so that large levels cost no digits and squares stay in range. The
// first value is subtracted before the mean is taken, which is exact among nearly
// equal values.
func (f *finder) rescale(xs []float64, o Options) error {
	f.origin = xs[0]
	if f.known {
		f.origin = *o.Before
	}
	f.y = make([]float64, len(xs))
	for i, x := range xs {
		f.y[i] = x - f.origin
	}
	if !f.known {
		mean := sample.Mean(f.y)
		for i := range f.y {
			f.y[i] -= mean
		}
		f.origin += mean
	}
	most := 0.0
	for _, v := range f.y {
		most = math.Max(most, math.Abs(v))
	}
	if most == 0 {
		if o.Sigma == nil {
			return ErrNoSpread
		}
		most = *o.Sigma
	}
	if o.Sigma != nil && *o.Sigma < 1e-12*most {
		return fmt.Errorf("sigma %v vanishes beside values that differ by %.3g: check its unit", *o.Sigma, most)
	}
	_, exp := math.Frexp(most)
	for i := range f.y {
		f.y[i] = math.Ldexp(f.y[i], -exp)
	}
	f.scale = math.Ldexp(1, exp)
	if o.Sigma != nil {
		f.sigma = *o.Sigma / f.scale
	}
	return nil
}

// contrasts returns d_j·y for every split of values around their origin.
func contrasts(y []float64, known bool) []float64 {
	n := len(y)
	c := make([]float64, n)
	total := 0.0
	for _, v := range y {
		total += v
	}
	sum := 0.0
	for j := range n {
		rest := float64(n - j)
		switch {
		case known:
			c[j] = (total - sum) / math.Sqrt(rest)
		case j > 0:
			c[j] = (float64(j)*total - float64(n)*sum) / math.Sqrt(float64(n)*float64(j)*rest)
		}
		sum += y[j]
	}
	return c
}

func (f *finder) first() int {
	if f.known {
		return 0
	}
	return 1
}

// freedom is the number of dimensions left around the two levels.
func (f *finder) freedom() int { return len(f.y) - 1 - f.first() }

// within returns the sum of squares around the levels of split k.
func (f *finder) within(k int) float64 {
	if f.known {
		ss := sample.SumSquares(f.y[k:])
		for _, v := range f.y[:k] {
			ss += v * v
		}
		return ss
	}
	return sample.SumSquares(f.y[:k]) + sample.SumSquares(f.y[k:])
}

// tail returns an upper bound of the probability that one given contrast of pure
// noise, of sum of squares ss when sigma is not known and of so many dimensions,
// exceeds the root of explained.
func (f *finder) tail(explained, ss float64, dim int) float64 {
	if f.sigma > 0 {
		return 2 * dist.NormSurvival(math.Sqrt(explained)/f.sigma)
	}
	rest := ss - explained
	switch {
	case rest <= 0:
		return 0
	case dim < 2:
		return 1
	}
	return 2 * dist.StudentT{Nu: float64(dim - 1)}.Survival(math.Sqrt(explained/rest*float64(dim-1)))
}

// p tests whether there is a change at all, by the largest contrast.
func (f *finder) p() float64 {
	n, most := len(f.y), math.Abs(f.c[f.best])
	dim := n - f.first()
	hits := f.noise.exceed(f.known, func(prefix []float64, squares float64) float64 {
		if f.sigma > 0 {
			return most / f.sigma
		}
		free := squares
		if !f.known {
			free -= prefix[n] * prefix[n] / float64(n)
		}
		return most * math.Sqrt(free/f.whole)
	})
	drawn := float64(hits+1) / float64(f.noise.draws+1)
	if f.sigma == 0 && f.within(f.best) < dust*f.whole {
		return drawn
	}
	bound := float64(n-f.first()) * f.tail(most*most, f.whole, dim)
	if hits < 20 && bound < drawn {
		return bound
	}
	return drawn
}

// allows tells whether the data do not contradict a change after value k.
func (f *finder) allows(k int) bool {
	if k == f.best {
		return true
	}
	a, most := f.c[k], math.Abs(f.c[f.best])
	ss := math.Max(0, f.whole-a*a)
	// Given split k, another contrast is ρ·a + √(1-ρ²)·noise; the chance that it
	// reaches most is largest at ρ = a/most. Times the number of splits this is a
	// bound that spares most of the drawing.
	if float64(len(f.y))*f.tail(most*most-a*a, ss, f.freedom()) < f.alpha/10 {
		return false
	}
	need := f.alpha * float64(f.noise.draws+1)
	return f.noise.beaten(f.given(k, ss, most), int(math.Floor(need+1e-9)))
}

// lag1 is the correlation of neighbours around the two levels.
func (f *finder) lag1() float64 {
	rest := append([]float64(nil), f.y...)
	before, after := 0.0, sample.Mean(f.y[f.best:])
	if !f.known {
		before = sample.Mean(f.y[:f.best])
	}
	for i := range rest {
		if i < f.best {
			rest[i] -= before
		} else {
			rest[i] -= after
		}
	}
	if r := sample.Lag1(rest); !math.IsNaN(r) {
		return r
	}
	return 0
}

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x616c696b65)) }
