package dist

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

// shifts is the number of random shifts the error estimate comes from.
const shifts = 12

// latticeErrors is how many standard errors are stated. Three would do for a fixed
// number of points; the rounds stop at the first small estimate out of twelve
// shifts, which is then more often too small than too large.
const latticeErrors = 4

// estimateBox chooses between the two estimators for a general matrix.
func estimateBox(corr mat.Symmetric, low, high []float64, opt BoxOptions) (BoxProbability, error) {
	if opt.Tolerance <= 0 {
		opt.Tolerance = 1e-4
	}
	if opt.MaxPoints <= 0 {
		opt.MaxPoints = 200_000
	}
	c, err := newConditioned(corr, low, high)
	if err != nil {
		return BoxProbability{}, err
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0x616c696b65))
	var p BoxProbability
	if u := newUnionBox(c, rng); u.better() {
		out, bound := u.estimate(opt.Tolerance, opt.MaxPoints)
		p = BoxProbability{Inside: 1 - out, Outside: out, Error: bound + 1e-15, Method: "union"}
	} else {
		p = latticeBox(c, rng, opt)
	}
	if p.Error > opt.Tolerance {
		p.Warnings = append(p.Warnings, fmt.Sprintf("The probability is known only to ±%.1g instead of the ±%.1g asked for; allow more points.", p.Error, opt.Tolerance))
	}
	return p, nil
}

func latticeBox(c *conditioned, rng *rand.Rand, opt BoxOptions) BoxProbability {
	roots := primeRoots(len(c.low))
	mean, se := 0.0, math.Inf(1)
	for points, used := fewestPoints, 0; used == 0 || used+points*shifts <= opt.MaxPoints; points *= 2 {
		mean, se = c.round(rng, roots, points)
		used += points * shifts
		if latticeErrors*se <= opt.Tolerance {
			break
		}
	}
	in := math.Max(0, math.Min(1, mean))
	return BoxProbability{Inside: in, Outside: 1 - in, Error: latticeErrors*se + 1e-14, Method: "lattice"}
}

// fewestPoints per shift, so that the spread between shifts has met the rare points.
const fewestPoints = 500

// conditioned is the box after reordering: row i of chol says how variable i hangs
// on the independent normals of the ones before it.
type conditioned struct {
	chol      [][]float64
	low, high []float64
}

// newConditioned factors the matrix with the variables in the order of their
// conditional chance to be inside, smallest first, which takes most of the
// variance out of the later steps.
func newConditioned(corr mat.Symmetric, low, high []float64) (*conditioned, error) {
	d := corr.SymmetricDim()
	c := &conditioned{low: append([]float64(nil), low...), high: append([]float64(nil), high...)}
	order := make([]int, d)
	rest := make([]float64, d) // variance left after the rows done
	for i := range d {
		order[i], rest[i] = i, 1
		c.chol = append(c.chol, make([]float64, d))
	}
	y := make([]float64, d) // expected normals, given inside
	for i := range d {
		c.pick(i, rest, y, order)
		pivot := rest[i]
		if pivot < -1e-8 {
			return nil, fmt.Errorf("the correlation matrix is not positive semidefinite (pivot %.2g at variable %d): shrink it or recompute it from complete rows", pivot, order[i]+1)
		}
		if pivot < 1e-10 {
			// This variable follows from those before it; so must its ties.
			for j := i + 1; j < d; j++ {
				if v := corr.At(order[i], order[j]) - dot(c.chol[i][:i], c.chol[j][:i]); math.Abs(v) > 1e-4 {
					return nil, fmt.Errorf("the correlation matrix is not positive semidefinite (variables %d and %d): shrink it or recompute it from complete rows", order[i]+1, order[j]+1)
				}
			}
			continue
		}
		root := math.Sqrt(pivot)
		c.chol[i][i] = root
		for j := i + 1; j < d; j++ {
			v := (corr.At(order[i], order[j]) - dot(c.chol[i][:i], c.chol[j][:i])) / root
			c.chol[j][i] = v
			rest[j] -= v * v
		}
		m := dot(c.chol[i][:i], y[:i])
		y[i] = truncatedMean((c.low[i]-m)/root, (c.high[i]-m)/root)
	}
	return c, nil
}

// pick swaps into place i the remaining variable least likely to be inside.
func (c *conditioned) pick(i int, rest, y []float64, order []int) {
	best, least := i, math.Inf(1)
	for j := i; j < len(order); j++ {
		if rest[j] < 1e-10 {
			continue // determined ones come last
		}
		m, s := dot(c.chol[j][:i], y[:i]), math.Sqrt(rest[j])
		if p := NormBetween((c.low[j]-m)/s, (c.high[j]-m)/s); p < least {
			best, least = j, p
		}
	}
	c.chol[i], c.chol[best] = c.chol[best], c.chol[i]
	c.low[i], c.low[best] = c.low[best], c.low[i]
	c.high[i], c.high[best] = c.high[best], c.high[i]
	rest[i], rest[best] = rest[best], rest[i]
	order[i], order[best] = order[best], order[i]
}

// truncatedMean is the mean of a standard normal known to lie in [a, b].
func truncatedMean(a, b float64) float64 {
	p := NormBetween(a, b)
	if p < 1e-280 {
		return math.Max(-40, math.Min(40, (math.Max(a, -40)+math.Min(b, 40))/2))
	}
	return (NormPDF(a) - NormPDF(b)) / p
}

// round averages the integrand over one lattice under each random shift and
// returns the mean and its standard error.
func (c *conditioned) round(rng *rand.Rand, roots []float64, points int) (mean, se float64) {
	d := len(c.low)
	shift, y := make([]float64, d), make([]float64, d)
	ss := 0.0
	for s := range shifts {
		for i := range shift {
			shift[i] = rng.Float64()
		}
		sum := 0.0
		for k := 1; k <= points; k++ {
			sum += c.weight(float64(k), roots, shift, y)
		}
		v := sum / float64(points)
		delta := v - mean
		mean += delta / float64(s+1)
		ss += delta * (v - mean)
	}
	return mean, math.Sqrt(ss / float64(shifts*(shifts-1)))
}

// weight is Genz's integrand at lattice point k.
func (c *conditioned) weight(k float64, roots, shift, y []float64) float64 {
	w := 1.0
	for i, row := range c.chol {
		m := dot(row[:i], y[:i])
		a, b := c.low[i]-m, c.high[i]-m
		if row[i] == 0 { // determined by the others: in or out, to rounding
			if a > 1e-9 || b < -1e-9 {
				return 0
			}
			y[i] = 0
			continue
		}
		a, b = a/row[i], b/row[i]
		p := NormBetween(a, b)
		if w *= p; w == 0 {
			return 0
		}
		u := k*roots[i] + shift[i]
		u = math.Abs(2*(u-math.Floor(u)) - 1)
		y[i] = within(a, b, p, u)
	}
	return w
}

// within returns the normal variate a fraction u of the way through [a, b], whose
// probability is p.
func within(a, b, p, u float64) float64 {
	var y float64
	if a > 0 {
		y = NormQuantileUpper(math.Min(1, NormSurvival(b)+(1-u)*p))
	} else {
		y = NormQuantile(math.Min(1, NormCDF(a)+u*p))
	}
	return math.Max(math.Max(a, -40), math.Min(math.Min(b, 40), y))
}

// primeRoots returns the fractional parts of the square roots of the first n
// primes, the generator of the lattice (Richtmyer).
func primeRoots(n int) []float64 {
	var primes []int
	out := make([]float64, 0, n)
	for c := 2; len(out) < n; c++ {
		prime := true
		for _, p := range primes {
			if p*p > c {
				break
			}
			if c%p == 0 {
				prime = false
				break
			}
		}
		if prime {
			primes = append(primes, c)
			r := math.Sqrt(float64(c))
			out = append(out, r-math.Floor(r))
		}
	}
	return out
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}
