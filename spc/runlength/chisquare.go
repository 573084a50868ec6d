package runlength

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// survivalFar returns P(X > x) of the noncentral chi-squared law: of the squared
// length of a normal vector of p dimensions and unit variances whose mean lies at
// squared distance d from zero. It sums Σ Poisson(j; d/2)·Q(p/2+j, x/2), Q raised by
// one term of the density at a time; all terms are positive, so far tails keep
// their digits.
func survivalFar(x float64, p int, d float64) float64 {
	a, half, m := float64(p)/2, x/2, d/2
	if x <= 0 {
		return 1
	}
	// Q rises with j: what lies ten deviations below the mean adds nothing.
	j := math.Floor(math.Max(0, m-10*math.Sqrt(m)-10))
	q := mathext.GammaIncRegComp(a+j, half)
	if m == 0 {
		return q
	}
	weight := math.Exp(logPoisson(m, j))
	step := math.Exp(logGamma(a+j+1, half))
	sum := 0.0
	for {
		term := weight * q
		sum += term
		if j > m && j > half && weight <= 1e-17*sum {
			return math.Min(1, sum)
		}
		q = math.Min(1, q+step)
		j++
		weight *= m / j
		step *= half / (a + j)
	}
}

// logGamma is the log density of the gamma law of shape a at x > 0.
func logGamma(a, x float64) float64 {
	g, _ := math.Lgamma(a)
	return (a-1)*math.Log(x) - x - g
}

func logPoisson(mean, j float64) float64 {
	g, _ := math.Lgamma(j + 1)
	return j*math.Log(mean) - mean - g
}

// lengths is the density of the length of such a vector. In it the modified Bessel
// function depends on the product of the two lengths alone, so its logarithm is
// tabulated once and interpolated: an integral equation asks millions of times.
type lengths struct {
	nu         float64 // p/2-1
	log, slope []float64
}

// tableStep leaves a relative error below 1e-8 of the density (cubic interpolation
// with known slopes; the fourth derivative of log I is at most 3/8, at zero for
// two dimensions).
const tableStep = 0.05

// newLengths tabulates for products up to most, p ≥ 2.
func newLengths(p int, most float64) lengths {
	n := int(most/tableStep) + 3
	l := lengths{nu: float64(p)/2 - 1, log: make([]float64, n), slope: make([]float64, n)}
	for i := range n {
		l.log[i], l.slope[i] = logSeries(l.nu, float64(i)*tableStep)
	}
	return l
}

// logSeries returns log Σⱼ (z/2)²ʲ/(j!·Γ(ν+1+j)), which is log I_ν(z)·(z/2)^-ν, and
// its derivative, summing from the largest term both ways.
func logSeries(nu, z float64) (log, slope float64) {
	if z == 0 {
		g, _ := math.Lgamma(nu + 1)
		return -g, 0
	}
	q := z * z / 4
	top := math.Floor(math.Max(0, (math.Sqrt(nu*nu+4*q)-nu)/2))
	a, _ := math.Lgamma(top + 1)
	b, _ := math.Lgamma(nu + 1 + top)
	sum, first := 1.0, top
	for j, t := top, 1.0; t > 1e-17*sum; {
		j++
		t *= q / (j * (nu + j))
		sum += t
		first += j * t
	}
	for j, t := top, 1.0; j > 0 && t > 1e-17*sum; {
		t *= j * (nu + j) / q
		j--
		sum += t
		first += j * t
	}
	return top*math.Log(q) - a - b + math.Log(sum), 2 * first / sum / z
}

// density returns the density of length y of a vector with unit variances whose
// mean has length m.
func (l lengths) density(y, m float64) float64 {
	z := y * m / tableStep
	i := min(int(z), len(l.log)-2)
	t := z - float64(i)
	// Cubic Hermite polynomial.
	d := l.log[i+1] - l.log[i]
	s0, s1 := l.slope[i]*tableStep, l.slope[i+1]*tableStep
	f := l.log[i] + t*(s0+t*(3*d-2*s0-s1+t*(s0+s1-2*d)))
	return y * math.Exp(f-(y*y+m*m)/2+l.nu*math.Log(y*y/2))
}
