package tolerance

import (
	"math"

	"alike/spc/dist"
)

// twoSided solves ∫ P(χ²_{n-1} > (n-1)·r(z)²/k²) φ(z) dz = γ for k, where r(z)
// solves Φ(z/√n + r) - Φ(z/√n - r) = p (Wald and Wolfowitz 1946; Odeh and Owen
// 1980; ISO 16269-6, from memory). Howe's factor is where the search starts.
func twoSided(n int, coverage, confidence float64) float64 {
	short := confidence > 0.5 // work on the smaller of confidence and its complement
	want := math.Log(confidence)
	if short {
		want = math.Log1p(-confidence)
	}
	f := func(logK float64) float64 {
		p := twoSidedTail(n, math.Exp(logK), coverage, short)
		if p <= 0 {
			p = math.SmallestNonzeroFloat64
		}
		if short {
			return want - math.Log(p)
		}
		return math.Log(p) - want
	}
	return math.Exp(dist.Root(f, math.Log(howe(n, coverage, confidence)), 0.02))
}

// twoSidedTail returns the confidence of factor k, or what it falls short of 1.
// The integrand is even in z, so half the line is enough.
func twoSidedTail(n int, k, coverage float64, short bool) float64 {
	nu, root := float64(n-1), math.Sqrt(float64(n))
	chi := dist.ChiSquared{Nu: nu}
	tail := chi.Survival
	if short {
		tail = chi.CDF
	}
	f := func(z float64) float64 {
		r := halfWidth(z/root, 1-coverage) / k
		return 2 * dist.NormPDF(z) * tail(nu*r*r)
	}
	return dist.Integrate(f, []float64{0, 0.5, 1, 2, 3, 4, 6, 9, 15, 38}, 1e-12)
}

// halfWidth returns the r for which x ± r leaves q of a standard normal outside.
// It lies between x + z_q and x + z_{q/2}, and Newton's steps stay in between.
func halfWidth(x, q float64) float64 {
	low, high := math.Max(0, x+dist.NormQuantileUpper(q)), x+dist.NormQuantileUpper(q/2)
	r := high
	if x > 1 {
		r = math.Max(low, high-1)
	}
	for range 100 {
		f := dist.NormOutside(x-r, x+r) - q
		if f > 0 {
			low = r
		} else {
			high = r
		}
		next := r + f/(dist.NormPDF(x-r)+dist.NormPDF(x+r))
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-r) <= 1e-15*(1+r) {
			return next
		}
		r = next
	}
	return r
}
