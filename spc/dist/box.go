package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A BoxProbability is the chance that a normal vector falls inside a box.
type BoxProbability struct {
	Inside  float64
	Outside float64 // 1-Inside, with its own digits unless Method is "lattice"
	// Error bounds the error of Inside and Outside: 1e-10 for the exact methods;
	// three (union) or four (lattice) standard errors for the estimates, which holds
	// in about 99 of 100 cases.
	Error  float64
	Method string // exact: "independent", "one-factor"; estimated: "union", "lattice"
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

// BoxOptions steer the lattice rule. The zero value is usable.
type BoxOptions struct {
	Seed      uint64  // of the random numbers; the same seed gives the same answer
	Tolerance float64 // wanted Error, 0 for 1e-4
	MaxPoints int     // most points in all, 0 for 200 000
}

// Box returns the probability that a normal vector with mean 0, variances 1 and
// the given correlation matrix lies within low ≤ X ≤ high in every coordinate;
// limits may be infinite. Up to about 200 dimensions.
//
// Independent coordinates and one-factor matrices (r_ij = λ_i·λ_j; equal
// non-negative correlation is one) are done exactly, see OneFactorBox. Others are
// estimated by the better of two: the outside sampled through the coordinate that is
// out, see unionBox, when that is rare, or Genz's separation of variables (J. Comp. Graph. Statist. 1 (1992) 141-149) with the variables
// reordered (Gibson, Glasbey and Elston 1994) over a randomly shifted
// square-root-of-primes lattice, doubled until the error is below the tolerance.
// The matrix may be singular. 200 variables can take seconds.
//
// An error tells which entry is unusable: sizes that differ, a diagonal other
// than 1, a NaN, a low above its high, or a matrix that is not a correlation.
func Box(corr mat.Symmetric, low, high []float64, opt BoxOptions) (BoxProbability, error) {
	if err := checkBox(corr, low, high); err != nil {
		return BoxProbability{}, err
	}
	for i := range low {
		if low[i] > high[i] {
			return BoxProbability{}, fmt.Errorf("limit %d: low %v is above high %v: exchange them", i+1, low[i], high[i])
		}
	}
	if loads, ok := oneFactor(corr); ok {
		p := OneFactorBox(loads, low, high)
		return p, nil
	}
	return estimateBox(corr, low, high, opt)
}

func checkBox(corr mat.Symmetric, low, high []float64) error {
	d := corr.SymmetricDim()
	if d == 0 || len(low) != d || len(high) != d {
		return fmt.Errorf("a correlation of %d variables needs as many limits, has %d low and %d high", d, len(low), len(high))
	}
	for i := range d {
		if math.IsNaN(low[i]) || math.IsNaN(high[i]) {
			return fmt.Errorf("limit %d is not a number: use an infinity for none", i+1)
		}
		if math.Abs(corr.At(i, i)-1) > 1e-9 {
			return fmt.Errorf("correlation %d with itself is %v: divide the covariance by the standard deviations", i+1, corr.At(i, i))
		}
		for j := range i {
			if r := corr.At(i, j); !(math.Abs(r) <= 1+1e-9) {
				return fmt.Errorf("correlation of %d with %d is %v: it must lie within -1 to 1", i+1, j+1, r)
			}
		}
	}
	return nil
}

// oneFactor finds loadings with r_ij = λ_i·λ_j for all i ≠ j.
func oneFactor(corr mat.Symmetric) ([]float64, bool) {
	d := corr.SymmetricDim()
	loads := make([]float64, d)
	i, j := strongest(corr)
	if i == j || corr.At(i, j) == 0 {
		return loads, true
	}
	// λ_i² = r_ij·r_ik/r_jk with the k that ties to j most strongly; with two
	// variables, or no third tied to them, any split does.
	first := math.Sqrt(math.Abs(corr.At(i, j)))
	weight := 0.0
	for k := range d {
		if w := math.Abs(corr.At(j, k)); k != i && k != j && w > weight {
			weight = w
			first = math.Sqrt(math.Abs(corr.At(i, j) * corr.At(i, k) / corr.At(j, k)))
		}
	}
	if first == 0 || first > 1+1e-9 {
		return nil, false
	}
	first = math.Min(first, 1)
	for k := range d {
		loads[k] = corr.At(i, k) / first
	}
	loads[i] = first
	return loads, loadsFit(corr, loads)
}

// strongest returns the pair with the largest correlation in size, or one variable
// twice when there is no other.
func strongest(corr mat.Symmetric) (bi, bj int) {
	for i := range corr.SymmetricDim() {
		for j := range i {
			if bi == bj || math.Abs(corr.At(i, j)) > math.Abs(corr.At(bi, bj)) {
				bi, bj = i, j
			}
		}
	}
	return bi, bj
}

// loadsFit checks the loadings against the matrix, and takes off what rounding put
// beyond ±1.
func loadsFit(corr mat.Symmetric, loads []float64) bool {
	for i, l := range loads {
		if math.Abs(l) > 1+1e-9 {
			return false
		}
		loads[i] = math.Max(-1, math.Min(1, l))
		for j := range i {
			if math.Abs(loads[i]*loads[j]-corr.At(i, j)) > 1e-11 {
				return false
			}
		}
	}
	return true
}
