package change

import (
	"fmt"
	"math"

	"alike/spc/sample"

	"gonum.org/v1/gonum/mat"
)

// leastShrinkage keeps the shrunk correlation invertible when bands outnumber
// rows: its smallest eigenvalue is then at least 0.01.
const leastShrinkage = 0.01

// Shrink returns the covariance of centred rows with every correlation multiplied
// by 1-lambda and the variances (divisor n-1, or n around known levels; the factor
// does not matter here) left alone. Lambda is the sum of the estimated variances
// of the correlations over the sum of their squares (Schäfer and Strimmer,
// Statist. Appl. Genet. Mol. Biol. 4 (2005) art. 32, from memory), within 0.01 to
// 1. An error names a band without spread.
func Shrink(centred *mat.Dense) (cov *mat.SymDense, lambda float64, err error) {
	n, d := centred.Dims()
	sd := make([]float64, d)
	z := mat.NewDense(n, d, nil)
	for b := range d {
		most := 0.0
		for i := range n {
			most = math.Max(most, math.Abs(centred.At(i, b)))
		}
		if most == 0 || most > sample.Largest {
			return nil, 0, fmt.Errorf("band %d has no usable spread (largest deviation %v): leave it out", b+1, most)
		}
		ss := 0.0
		for i := range n {
			ss += centred.At(i, b) / most * (centred.At(i, b) / most)
		}
		sd[b] = most * math.Sqrt(ss/float64(n-1))
		for i := range n {
			z.Set(i, b, centred.At(i, b)/sd[b])
		}
	}
	r := mat.NewSymDense(d, nil)
	doubt, strength := 0.0, 0.0
	for i := range d {
		r.SetSym(i, i, 1)
		for j := range i {
			value, variance := correlation(z, i, j)
			r.SetSym(i, j, value)
			doubt += variance
			strength += value * value
		}
	}
	lambda = 1
	if doubt < strength {
		lambda = math.Max(leastShrinkage, doubt/strength)
	}
	for i := range d {
		for j := range i + 1 {
			v := r.At(i, j) * sd[i] * sd[j]
			if i != j {
				v *= 1 - lambda
			}
			r.SetSym(i, j, v)
		}
	}
	return r, lambda, nil
}

// correlation returns the correlation of two standardised columns and the
// estimated variance of that estimate.
func correlation(z *mat.Dense, i, j int) (value, variance float64) {
	rows, _ := z.Dims()
	n := float64(rows)
	mean := 0.0
	for k := range rows {
		mean += z.At(k, i) * z.At(k, j) / n
	}
	for k := range rows {
		w := z.At(k, i)*z.At(k, j) - mean
		variance += w * w
	}
	return mean * n / (n - 1), variance * n / ((n - 1) * (n - 1) * (n - 1))
}
