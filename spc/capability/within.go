package capability

import (
	"fmt"
	"math"
	"slices"

	"alike/spc/dist"
)

// A spread is an estimate of the standard deviation: sigma·c4/σ is distributed
// about as √(χ²_nu/nu).
type spread struct {
	sigma, nu, c4 float64
}

// overall is s itself: by convention not divided by its c4.
func overall(s float64, n int) spread { return spread{s, float64(n - 1), 1} }

// meanMovingRange is the mean of |x_i - x_{i-1}| over d2 = 2/√π. The degrees of
// freedom are those of a chi with the same coefficient of variation, from the exact
// variance of a mean of overlapping ranges: neighbouring differences correlate by
// -1/2, so E|UV| = (2/π)(√(1-ρ²) + ρ·asin ρ)·2.
func meanMovingRange(xs []float64) spread {
	sum := 0.0
	for i := 1; i < len(xs); i++ {
		sum += math.Abs(xs[i] - xs[i-1])
	}
	m := float64(len(xs) - 1)
	d2 := 2 / math.Sqrt(math.Pi)
	const rho = -0.5
	own := 2 - d2*d2
	next := 4/math.Pi*(math.Sqrt(1-rho*rho)+rho*math.Asin(rho)) - d2*d2
	variance := (m*own + 2*(m-1)*next) / (m * m)
	return chiLike(sum/m/d2, math.Sqrt(variance)/d2)
}

// rangeMoments keeps d2 and d3 by subgroup size: an integral each.
type rangeMoments map[int][2]float64

func (r rangeMoments) of(m int) (d2, d3 float64) {
	v, ok := r[m]
	if !ok {
		v = [2]float64{dist.RangeMean(m), dist.RangeSD(m)}
		r[m] = v
	}
	return v[0], v[1]
}

// meanRange is the mean over subgroups of range/d2.
func meanRange(xs []float64, sizes []int, moments rangeMoments) spread {
	sum, variance := 0.0, 0.0
	for _, m := range sizes {
		group := xs[:m]
		xs = xs[m:]
		d2, d3 := moments.of(m)
		cv := d3 / d2
		sum += (slices.Max(group) - slices.Min(group)) / d2
		variance += cv * cv
	}
	k := float64(len(sizes))
	return chiLike(sum/k, math.Sqrt(variance)/k)
}

// checkSubgroups refuses sizes that do not fit the values.
func checkSubgroups(sizes []int, n int) error {
	sum := 0
	for i, m := range sizes {
		if m < 2 || m > 200 {
			return fmt.Errorf("subgroup %d has %d values: subgroups need 2 to 200; join it with its neighbour or leave it out", i+1, m)
		}
		sum += m
	}
	if sum != n {
		return fmt.Errorf("the subgroups hold %d values, there are %d: give every value one subgroup", sum, n)
	}
	return nil
}

// chiLike finds the chi distribution with the given coefficient of variation
// (Patnaik's approximation): cv² = 1/c4² - 1.
func chiLike(sigma, cv float64) spread {
	f := func(logNu float64) float64 {
		c := c4(math.Exp(logNu))
		return cv*cv - (1/(c*c) - 1)
	}
	nu := math.Exp(dist.Root(f, math.Log(0.5/(cv*cv)+0.5), 0.2))
	return spread{sigma, nu, c4(nu)}
}

// c4 is E[χ_nu]/√nu.
func c4(nu float64) float64 {
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	return math.Sqrt(2/nu) * math.Exp(a-b)
}
