package multi

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"

	"alike/spc/sample"
)

// A Kind says how a covariance was estimated.
type Kind string

const (
	// Sample is Σ(x-x̄)(x-x̄)'/(m-1).
	Sample Kind = "sample"
	// Successive is Σdd'/(2(m-1)) of the differences d of neighbouring rows (Holmes
	// and Mergen, Quality Engineering 5 (1993) 619-625), which a step or drift within
	// the baseline widens little.
	Successive Kind = "successive"
	// Shrunk is the well-conditioned estimator of Ledoit and Wolf (J. Multivariate
	// Analysis 88 (2004) 365-411): the covariance with divisor m moved towards a
	// multiple of the identity. It has an inverse even when columns outnumber rows.
	// Its columns must be in one unit and of comparable spread.
	Shrunk Kind = "shrunk"
	// Pooled is the covariance within subgroups.
	Pooled Kind = "pooled"
	// Known is given, with no error of its own.
	Known Kind = "known"
)

// A Model is the centre and covariance that T² is measured by. It is safe for use
// by several goroutines.
type Model struct {
	Kind       Kind
	N          int           // rows behind Center; 0 when Known
	Freedom    int           // degrees of freedom of Covariance; N-1 for single rows
	Center     []float64     // unit of the data
	Covariance *mat.SymDense // squared unit of the data
	Shrinkage  float64       // weight of the identity, 0 to 1, of Shrunk
	Middle     float64       // geometric mean T² of its rows, each measured by the others; of Shrunk
	Warnings   []string

	scale  []float64 // standard deviations
	factor []float64 // lower Cholesky factor of the correlation, rows packed

	once sync.Once
	root *mat.Dense // inverse square root of the correlation, for Parts
	prec []float64  // diagonal of the correlation's inverse
}

// Fit estimates a model of single rows. Sample and Successive need more rows than
// columns by at least two, Shrunk at least four rows.
func Fit(rows [][]float64, kind Kind) (*Model, error) {
	p, err := checkRows(rows, 3)
	if err != nil {
		return nil, err
	}
	m := len(rows)
	if (kind == Sample || kind == Successive) && m < p+2 {
		return nil, fmt.Errorf("%d rows for %d columns: a %s covariance needs at least %d rows, use the shrunk one", m, p, kind, p+2)
	}
	center := means(rows)
	switch kind {
	case Sample:
		return fitDiffs(kind, away(rows, center), center, m, float64(m)/float64(m-1))
	case Successive:
		diffs := make([][]float64, m-1)
		for i := range diffs {
			diffs[i] = minus(rows[i+1], rows[i])
		}
		return fitDiffs(kind, diffs, center, m, 0.5)
	case Shrunk:
		return fitShrunkRows(rows, center)
	}
	return nil, fmt.Errorf("covariance %q of single rows is not one of %s, %s, %s", kind, Sample, Successive, Shrunk)
}

// fitDiffs makes a model whose covariance is weight times the mean product of
// differences.
func fitDiffs(kind Kind, diffs [][]float64, center []float64, n int, weight float64) (*Model, error) {
	s, err := spreads(diffs, center)
	if err != nil {
		return nil, err
	}
	r := products(diffs, s)
	root := math.Sqrt(weight)
	for i := range s {
		s[i] *= root
	}
	m := &Model{Kind: kind, N: n, Freedom: n - 1, Center: center, scale: s}
	if n < 5*len(s) {
		m.Warnings = append(m.Warnings, fmt.Sprintf("The covariance of %d columns rests on %d rows; below %d its limits are wide and small shifts go unseen.", len(s), n, 5*len(s)))
	}
	return m, m.finish(r)
}

// Frozen holds the parts of a model that a limit set stores.
type Frozen struct {
	Kind       Kind
	N, Freedom int
	Center     []float64
	Covariance mat.Symmetric
	Shrinkage  float64
	Middle     float64
}

// Frozen returns the parts to store.
func (m *Model) Frozen() Frozen {
	return Frozen{m.Kind, m.N, m.Freedom, m.Center, m.Covariance, m.Shrinkage, m.Middle}
}

// NewModel returns a model from stored parts. For a Known one only Center and
// Covariance count.
func NewModel(f Frozen) (*Model, error) {
	p := len(f.Center)
	if p == 0 || p > MaxColumns || f.Covariance == nil || f.Covariance.SymmetricDim() != p {
		return nil, fmt.Errorf("a centre of %d columns needs a covariance as large", p)
	}
	if err := sample.Check(f.Center, 1); err != nil {
		return nil, fmt.Errorf("centre: %w", err)
	}
	switch f.Kind {
	case Sample, Successive, Shrunk, Pooled:
		least := p
		if f.Kind == Shrunk {
			least = 3
			if !(f.Shrinkage >= 0 && f.Shrinkage <= 1) || !(f.Middle > 0) {
				return nil, fmt.Errorf("a shrunk covariance with weight %v and middle %v: store both with the model", f.Shrinkage, f.Middle)
			}
		}
		if f.N < 2 || f.Freedom < least || f.Freedom >= f.N {
			return nil, fmt.Errorf("%d rows with %d degrees of freedom do not make a %s covariance of %d columns", f.N, f.Freedom, f.Kind, p)
		}
	case Known:
		f.N, f.Freedom = 0, 0
	default:
		return nil, fmt.Errorf("unknown covariance %q", f.Kind)
	}
	m := &Model{
		Kind: f.Kind, N: f.N, Freedom: f.Freedom, Center: slices.Clone(f.Center),
		Shrinkage: f.Shrinkage, Middle: f.Middle, scale: make([]float64, p),
	}
	for i := range p {
		v := f.Covariance.At(i, i)
		if !(v >= 1e-300 && v <= 1e300) {
			return nil, fmt.Errorf("the variance of column %d is %v: it must be a positive number", i+1, v)
		}
		m.scale[i] = math.Sqrt(v)
	}
	r := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			v := f.Covariance.At(i, j) / m.scale[i] / m.scale[j]
			if !(math.Abs(v) <= 1+1e-9) {
				return nil, fmt.Errorf("the correlation of columns %d and %d is %v: it must lie within -1 to 1", i+1, j+1, v)
			}
			r.SetSym(i, j, v)
		}
	}
	return m, m.finish(r)
}

// worstCondition of a correlation matrix leaves six digits of T².
const worstCondition = 1e10

// finish factors the correlation and fills the covariance.
func (m *Model) finish(r *mat.SymDense) error {
	var chol mat.Cholesky
	if ok := chol.Factorize(r); !ok || !(chol.Cond() < worstCondition) {
		return tied(r)
	}
	p := len(m.scale)
	var lower mat.TriDense
	chol.LTo(&lower)
	for i := range p {
		for j := 0; j <= i; j++ {
			m.factor = append(m.factor, lower.At(i, j))
		}
	}
	m.Covariance = mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			m.Covariance.SetSym(i, j, r.At(i, j)*m.scale[i]*m.scale[j])
		}
	}
	return nil
}

// tied names the columns that determine each other: the two largest in the
// direction that hardly varies.
func tied(r *mat.SymDense) error {
	var eig mat.EigenSym
	if !eig.Factorize(r, true) {
		return fmt.Errorf("the covariance has no inverse: leave columns out")
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	first, second := 0, 0
	for i := range r.SymmetricDim() {
		switch size := math.Abs(v.At(i, 0)); {
		case i == 0:
		case size > math.Abs(v.At(first, 0)):
			first, second = i, first
		case second == first || size > math.Abs(v.At(second, 0)):
			second = i
		}
	}
	return fmt.Errorf("columns %d and %d, perhaps with others, determine each other: leave one out, or use the shrunk covariance", min(first, second)+1, max(first, second)+1)
}

// T2 returns (x-Center)'Σ⁻¹(x-Center). It panics unless x has as many values as
// the model has columns; NaN gives NaN.
func (m *Model) T2(x []float64) float64 {
	return m.measure(x, make([]float64, len(x)))
}

// measure is T2 with room for as many numbers as columns.
func (m *Model) measure(x, room []float64) float64 {
	if len(x) != len(m.Center) || len(room) < len(x) {
		panic(fmt.Sprintf("multi: %d values for %d columns", len(x), len(m.Center)))
	}
	for i, v := range x {
		room[i] = (v - m.Center[i]) / m.scale[i]
	}
	return m.length(room[:len(x)])
}

// length returns z'R⁻¹z of standardised differences by forward substitution, in
// place.
func (m *Model) length(z []float64) float64 {
	sum, at := 0.0, 0
	for i := range z {
		row := m.factor[at : at+i+1]
		v := z[i]
		for j, f := range row[:i] {
			v -= f * z[j]
		}
		v /= row[i]
		z[i] = v
		sum += v * v
		at += i + 1
	}
	return sum
}

// products returns the mean of (d/s)(d/s)'.
func products(diffs [][]float64, s []float64) *mat.SymDense {
	x := mat.NewDense(len(diffs), len(s), nil)
	for i, d := range diffs {
		row := x.RawRowView(i)
		for j, v := range d {
			row[j] = v / s[j]
		}
	}
	r := mat.NewSymDense(len(s), nil)
	r.SymOuterK(1/float64(len(diffs)), x.T())
	return r
}

func away(rows [][]float64, center []float64) [][]float64 {
	out := make([][]float64, len(rows))
	for i, r := range rows {
		out[i] = minus(r, center)
	}
	return out
}

func minus(a, b []float64) []float64 {
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] - b[i]
	}
	return out
}
