package capability

import (
	"errors"
	"math"
	"slices"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Normality is the Anderson-Darling test of a normal distribution whose mean and
// standard deviation are estimated from the same values.
type Normality struct {
	A2       float64 // the plain statistic A²
	Modified float64 // A²(1 + 0.75/n + 2.25/n²), which P is read from
	P        float64
	Warnings []string
}

// leastForAD is the number of values from which Stephens' formula is given.
const leastForAD = 8

// AndersonDarling tests normality (Stephens, in D'Agostino and Stephens,
// Goodness-of-Fit Techniques, 1986, table 4.9 and its formulas for p, from memory).
// A small p speaks against a normal distribution; a large one from few values says
// next to nothing. Errors: fewer than three values, a value that is not finite, or
// no spread.
func AndersonDarling(xs []float64) (Normality, error) {
	if err := sample.Check(xs, 3); err != nil {
		return Normality{}, err
	}
	mean, sd := sample.Mean(xs), sample.SD(xs)
	if sd == 0 {
		return Normality{}, errNoSpread
	}
	z := slices.Sorted(slices.Values(xs))
	for i, x := range z {
		z[i] = (x - mean) / sd
	}
	n := float64(len(z))
	sum := 0.0
	for i := range z {
		// log(1-Φ(z)) as log Φ(-z): no digits are lost on an outlier
		sum += float64(2*i+1) * (dist.NormLogCDF(z[i]) + dist.NormLogCDF(-z[len(z)-1-i]))
	}
	a2 := -n - sum/n
	r := Normality{A2: a2, Modified: a2 * (1 + 0.75/n + 2.25/(n*n))}
	r.P = adP(r.Modified)
	if len(xs) < leastForAD {
		r.Warnings = append(r.Warnings, "Fewer than 8 values: the normality test is only indicative.")
	}
	return r, nil
}

var errNoSpread = errors.New("all values are the same: check the resolution of the measurement or the column chosen")

// adP is Stephens' piecewise formula. Its last branch turns upwards beyond 153,
// where p has long been below any use, so it is held there.
func adP(a float64) float64 {
	switch {
	case a >= 0.6:
		a = math.Min(a, 150)
		return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	case a >= 0.34:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a >= 0.2:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	}
	return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
}
