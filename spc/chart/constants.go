package chart

import (
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// Constants are the factors of control charts for subgroups of N values from a
// normal process (ISO 7870-2, ASTM E2587; formulas computed here, not tabulated).
type Constants struct {
	N  int     `json:"n"`
	D2 float64 `json:"d2"` // mean of the range, in sigmas
	D3 float64 `json:"d3"` // standard deviation of the range, in sigmas
	C4 float64 `json:"c4"` // mean of the standard deviation, in sigmas
	A2 float64 `json:"A2"`
	A3 float64 `json:"A3"`
	B3 float64 `json:"B3"`
	B4 float64 `json:"B4"`
	// The limits D3, D4 of the range chart; the JSON keys d3 and D3 differ by case.
	LowerD float64 `json:"D3"`
	UpperD float64 `json:"D4"`
	E2     float64 `json:"E2"`
}

// MaxSubgroup is the largest subgroup size for which constants are computed.
const MaxSubgroup = 1000

var constants sync.Map // int → Constants; a chart of unequal subgroups asks often

// ConstantsFor returns the constants for subgroups of n values, 2 to MaxSubgroup.
func ConstantsFor(n int) (Constants, error) {
	if n < 2 || n > MaxSubgroup {
		return Constants{}, fmt.Errorf("subgroup size %d is not between 2 and %d", n, MaxSubgroup)
	}
	if c, ok := constants.Load(n); ok {
		return c.(Constants), nil
	}
	root := math.Sqrt(float64(n))
	d2, d3 := rangeMoments(n)
	c4 := C4(n)
	spread := 3 * math.Sqrt(1-c4*c4) / c4
	c := Constants{
		N: n, D2: d2, D3: d3, C4: c4,
		A2: 3 / (d2 * root), A3: 3 / (c4 * root),
		B3: math.Max(0, 1-spread), B4: 1 + spread,
		LowerD: math.Max(0, 1-3*d3/d2), UpperD: 1 + 3*d3/d2,
		E2: 3 / d2,
	}
	constants.Store(n, c)
	return c, nil
}

// C4 returns the mean of the standard deviation of n normal values with sigma 1,
// √(2/(n-1))·Γ(n/2)/Γ((n-1)/2), for n ≥ 2.
func C4(n int) float64 {
	a, _ := math.Lgamma(float64(n) / 2)
	b, _ := math.Lgamma(float64(n-1) / 2)
	return math.Sqrt(2/float64(n-1)) * math.Exp(a-b)
}

// rangeMoments returns mean and standard deviation of the range W of n standard
// normal values: E W = ∫(1-Φ(x)ⁿ-(1-Φ(x))ⁿ)dx and E W² = 2∫w(1-F(w))dw with
// F(w) = n∫φ(x)(Φ(x+w)-Φ(x))ⁿ⁻¹dx.
func rangeMoments(n int) (mean, sd float64) {
	if n == 2 {
		return 2 / math.SqrtPi, math.Sqrt(2 - 4/math.Pi)
	}
	// Beyond 9 sigmas the integrands are below 1e-16 even for MaxSubgroup.
	const end, nodes = 9.0, 400
	mean = 2 * quad.Fixed(func(x float64) float64 {
		p := phi(x)
		return 1 - math.Pow(p, float64(n)) - math.Pow(1-p, float64(n))
	}, 0, end, nodes, quad.Legendre{}, 0)
	second := 2 * quad.Fixed(func(w float64) float64 {
		below := float64(n) * quad.Fixed(func(x float64) float64 {
			return density(x) * math.Pow(phi(x+w)-phi(x), float64(n-1))
		}, -end, end, nodes, quad.Legendre{}, 0)
		return w * (1 - below)
	}, 0, 2*end, nodes, quad.Legendre{}, 0)
	return mean, math.Sqrt(second - mean*mean)
}

// phi is the standard normal distribution function.
func phi(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// density is the standard normal density.
func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
