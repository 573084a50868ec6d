package multi

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Part says what one column has to do with a T².
type Part struct {
	Column int // from 0
	// Share is the column's part of T²: never negative, and the shares of a row add up
	// to T². It is the square of the column's entry in R^(-1/2)·z, the uncorrelated
	// variables closest to the standardised ones z (Garthwaite and Koch, Australian
	// and New Zealand J. Statistics 58 (2016) 99-119).
	Share float64
	// Alone is z², the T² of the column by itself (the first term of the
	// decomposition of Mason, Young and Tracy, J. Quality Technology 27 (1995)
	// 99-108): large when the column is far out.
	Alone float64
	// Given is how much T² falls when the column is left out (their last, conditional
	// term; Runger, Alt and Montgomery, Quality Engineering 8 (1996) 367-373): large
	// when the column does not fit the others, though it may lie within its own
	// limits. In control it has, nearly, the law of one variable: above about 9 is rare.
	Given float64
}

// Parts returns what each column has to do with the T² of a row. It panics unless
// x has as many values as the model has columns.
func (m *Model) Parts(x []float64) []Part {
	p := len(m.Center)
	if len(x) != p {
		panic(fmt.Sprintf("multi: %d values for %d columns", len(x), p))
	}
	m.once.Do(m.invert)
	z := mat.NewVecDense(p, nil)
	for i, v := range x {
		z.SetVec(i, (v-m.Center[i])/m.scale[i])
	}
	var half, full mat.VecDense
	half.MulVec(m.root, z)     // R^(-1/2) z
	full.MulVec(m.root, &half) // R^(-1) z
	out := make([]Part, p)
	for i := range out {
		w := full.AtVec(i)
		out[i] = Part{Column: i, Share: half.AtVec(i) * half.AtVec(i), Alone: z.AtVec(i) * z.AtVec(i), Given: w * w / m.prec[i]}
	}
	return out
}

// invert fills the symmetric inverse square root of the correlation, and the
// diagonal of its inverse.
func (m *Model) invert() {
	p := len(m.Center)
	r := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			r.SetSym(i, j, m.Covariance.At(i, j)/m.scale[i]/m.scale[j])
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(r, true) {
		panic("multi: a correlation with an inverse has no eigenvalues")
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	values := eig.Values(nil)
	scaled := mat.NewDense(p, p, nil)
	scaled.Apply(func(_, j int, x float64) float64 { return x / math.Sqrt(values[j]) }, &v)
	m.root = mat.NewDense(p, p, nil)
	m.root.Mul(scaled, v.T())
	m.prec = make([]float64, p)
	for i := range p {
		for j := range p {
			m.prec[i] += scaled.At(i, j) * scaled.At(i, j)
		}
	}
}
