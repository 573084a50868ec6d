package capability

import (
	"math"

	"alike/spc/dist"

	"gonum.org/v1/gonum/stat/distuv"
)

// An Index is a capability index with a two-sided interval.
type Index struct {
	Value     float64
	Low, High float64
	// Method says how the interval was found: "chi-squared" (Cp, Pp), "exact"
	// (noncentral t), "normal approximation" (Cpk, Ppk of two limits),
	// "moment approximation" (Cpm).
	Method string
}

// spreadIndex is Cp: Ĉ·√(χ²_{α/2,ν}/ν) to Ĉ·√(χ²_{1-α/2,ν}/ν), exact for the
// overall standard deviation.
func spreadIndex(value float64, s spread, confidence float64) *Index {
	d := dist.ChiSquared{Nu: s.nu}
	half := (1 - confidence) / 2
	scale := func(chi float64) float64 { return value * math.Sqrt(chi/s.nu) / s.c4 }
	return &Index{value, scale(d.Quantile(half)), scale(d.QuantileUpper(half)), "chi-squared"}
}

// nearIndex is Cpk by the usual approximation Ĉ ± z·√(1/(9n) + Ĉ²/(2ν)) (Bissell,
// Appl. Statist. 39 (1990) 331-340, from memory; e-Handbook 6.1.6).
func nearIndex(value float64, n int, s spread, confidence float64) *Index {
	z := dist.NormQuantileUpper((1 - confidence) / 2)
	w := z * math.Sqrt(1/(9*float64(n))+value*value/(2*s.nu))
	return &Index{value, value - w, value + w, "normal approximation"}
}

// exactIndex is the interval of an index with one limit: 3·√n·Ĉ has a noncentral t
// distribution with ν degrees of freedom and noncentrality 3·√n·C. It is exact for
// the overall standard deviation; with a spread within, ν is itself approximate.
func exactIndex(value float64, n int, s spread, confidence float64) *Index {
	half := (1 - confidence) / 2
	return &Index{value, bound(value, n, s, half, true), bound(value, n, s, half, false), "exact"}
}

// bound returns the index C that makes an estimate this large (low set) or this
// small have only the chance alpha.
func bound(value float64, n int, s spread, alpha float64, low bool) float64 {
	scale := 3 * math.Sqrt(float64(n))
	t := value * scale / s.c4 // (sigma·c4) is the chi-like estimate
	f := func(delta float64) float64 {
		d := dist.NoncentralT{Nu: s.nu, Delta: delta}
		if low {
			return math.Log(math.Max(d.Survival(t), 1e-300)) - math.Log(alpha)
		}
		return math.Log(alpha) - math.Log(math.Max(d.CDF(t), 1e-300))
	}
	// Near the root by the normal approximation of the noncentral t distribution, whose
	// error is some hundredths of its standard deviation.
	sd := math.Sqrt(1 + t*t/(2*s.nu))
	z := distuv.UnitNormal.Quantile(alpha) * sd
	if !low {
		z = -z
	}
	return dist.Root(f, t*s.c4+z, sd/16) / scale
}

// targetIndex is Cpm = (U-L)/(6·√(s² + (mean-T)²)) with Boyles' interval (J. Quality
// Technology 23 (1991) 17-26, from memory): chi-squared with
// n(1+ξ²)²/(1+2ξ²) degrees of freedom, ξ = (mean-T)/s.
func targetIndex(value, xi float64, n int, confidence float64) *Index {
	x := xi * xi
	nu := float64(n)
	if x < 1e150 {
		nu *= (1 + x) * (1 + x) / (1 + 2*x)
	}
	i := spreadIndex(value, spread{1, nu, 1}, confidence)
	i.Method = "moment approximation"
	return i
}
