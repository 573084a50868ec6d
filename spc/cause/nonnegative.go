package cause

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// errNoEnd means that the search went on without improving, which rounding alone
// can bring about.
var errNoEnd = errors.New("the non-negative fit does not settle: leave out columns that are nearly the same")

// settled is how small a gradient counts as none, against the largest possible one:
// far above rounding, far below any share worth reporting.
const settled = 1e-10

// NonNegative returns the x, none of them negative, that minimises |Σ xⱼ·columnⱼ - b|,
// and that least distance. Columns and b are of one length; a column of zeros gets 0,
// and of two that point the same way one gets all.
//
// It is the active-set method of Lawson and Hanson, Solving Least Squares Problems
// (1974), chapter 23 (from memory): columns enter one by one by the steepest gradient,
// and leave when their coefficient would turn negative. It panics when lengths differ;
// the error means that rounding kept it from an end, which needs columns that are
// nearly the same.
func NonNegative(columns [][]float64, b []float64) (x []float64, rest float64, err error) {
	n := nonNegative{b: b, columns: columns, x: make([]float64, len(columns)), in: make([]bool, len(columns))}
	n.norm = make([]float64, len(columns))
	for j, c := range columns {
		if len(c) != len(b) {
			panic("cause: a column is not as long as what it is to fit")
		}
		n.norm[j] = floats.Norm(c, 2)
	}
	size := floats.Norm(b, 2)
	for range 10 * (len(columns) + 1) {
		r := n.residual()
		j := n.steepest(r, settled*size)
		if j < 0 {
			return n.x, floats.Norm(r, 2), nil
		}
		n.in[j] = true
		if !n.solve(j) {
			return nil, 0, errNoEnd
		}
	}
	return nil, 0, errNoEnd
}

type nonNegative struct {
	columns [][]float64
	norm    []float64
	b, x    []float64
	in      []bool // columns that may be above zero
}

func (n *nonNegative) residual() []float64 {
	r := append([]float64(nil), n.b...)
	for j, x := range n.x {
		if x != 0 {
			floats.AddScaled(r, -x, n.columns[j])
		}
	}
	return r
}

// steepest returns the column outside whose gradient, per length of the column, is
// largest and above least, or -1.
func (n *nonNegative) steepest(r []float64, least float64) int {
	at := -1
	for j, c := range n.columns {
		if n.in[j] || n.norm[j] == 0 {
			continue
		}
		if g := floats.Dot(c, r) / n.norm[j]; g > least {
			at, least = j, g
		}
	}
	return at
}

// solve fits the columns that are in, putting out those that would turn negative. The
// one that came last must stay: its gradient says that it improves the fit.
func (n *nonNegative) solve(last int) bool {
	for range len(n.columns) + 1 {
		at, y, ok := n.least()
		if !ok {
			return false
		}
		step, stop := 1.0, -1
		for k, j := range at {
			if y[k] <= 0 {
				if s := n.x[j] / (n.x[j] - y[k]); stop < 0 || s < step {
					step, stop = s, j
				}
			}
		}
		if stop < 0 {
			for k, j := range at {
				n.x[j] = y[k]
			}
			return true
		}
		if stop == last && n.x[last] == 0 { // rounding: it does not improve after all
			n.in[last], n.norm[last] = false, 0
			continue
		}
		for k, j := range at {
			n.x[j] += step * (y[k] - n.x[j])
		}
		for _, j := range at {
			if n.x[j] <= 0 || j == stop {
				n.x[j], n.in[j] = 0, false
			}
		}
	}
	return false
}

// least solves the unconstrained fit of the columns that are in, in units of their
// length.
func (n *nonNegative) least() (at []int, y []float64, ok bool) {
	for j, in := range n.in {
		if in {
			at = append(at, j)
		}
	}
	if len(at) == 0 {
		return at, nil, true
	}
	a := mat.NewDense(len(n.b), len(at), nil)
	for k, j := range at {
		for i, v := range n.columns[j] {
			a.Set(i, k, v/n.norm[j])
		}
	}
	if len(at) > len(n.b) {
		return nil, nil, false
	}
	var qr mat.QR
	qr.Factorize(a)
	var out mat.VecDense
	if err := qr.SolveVecTo(&out, false, mat.NewVecDense(len(n.b), n.b)); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) || math.IsInf(float64(condition), 1) {
			return nil, nil, false
		}
	}
	y = make([]float64, len(at))
	for k, j := range at {
		y[k] = out.AtVec(k) / n.norm[j]
	}
	return at, y, true
}
