package cause

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// A Weighed is one signature fitted to a change of several channels by generalised
// least squares.
type Weighed struct {
	Signature
	Amounts   []float64 // per channel, times the signature's stated size, never negative
	Rest      float64   // squared distance that is left, in units of the covariance
	Explained float64   // share of the change's squared distance, 0 to 1
	Behind    float64   // Rest minus the best one's: twice the log of their likelihoods' ratio
}

// Error of a signature itself: it is known for a nominal unit at one size, and a fault of
// half or twice that size has not quite its shape. The first part grows with the change
// and goes together over about an octave, the second is a floor in dB. Both are common
// practice without a source; on simulated faults 0.05 to 0.2 rank about as well.
const (
	shapeError = 0.1
	floorError = 0.05
)

// Weigh fits every signature by itself to the unanchored changes of several channels, in
// dB per band, by least squares in units of the covariance of these changes (channel after
// channel, in dB²), each channel with an amount of its own that is not negative; best
// first. Bands that move together by nature count once then, and a small change in a band
// that hardly scatters counts much (Aitken, Proc. R. Soc. Edinburgh 55 (1935) 42-48, from
// memory). To the covariance an error of the signatures themselves is added; fraction is
// the number of bands per octave. Bands where a change, a shape or the covariance is not
// finite are left out.
//
// Two signatures whose Behind differs by less than Apart are not told apart. An error
// means that no band can be used or that the covariance has no inverse.
func Weigh(changes [][]float64, covariance mat.Symmetric, fraction int, signatures []Signature) ([]Weighed, error) {
	g := general{changes: changes, fraction: float64(max(1, fraction))}
	if err := g.prepare(covariance, signatures); err != nil {
		return nil, err
	}
	whole := 0.0
	for _, v := range g.target {
		whole += v * v
	}
	var out []Weighed
	for _, s := range signatures {
		w := Weighed{Signature: s, Amounts: make([]float64, len(changes)), Rest: whole}
		x, rest, err := NonNegative(g.columns(s), g.target)
		if err != nil {
			return nil, err
		}
		if copy(w.Amounts, x); whole > 0 {
			w.Rest, w.Explained = rest*rest, math.Max(0, 1-rest*rest/whole)
		}
		out = append(out, w)
	}
	slices.SortStableFunc(out, func(a, b Weighed) int { return order(a.Rest, b.Rest) })
	for i := range out {
		out[i].Behind = out[i].Rest - out[0].Rest
	}
	return out, nil
}

// Apart is how far two fits must lie apart to be told from each other: the one is e³, or
// twenty, times as likely as the other.
const Apart = 6.0

// A general is one call of Weigh.
type general struct {
	changes  [][]float64
	fraction float64
	at       [][2]int      // channel and band of what is used
	lower    *mat.TriDense // of the covariance of those
	target   []float64     // the changes in its units
}

func (g *general) prepare(covariance mat.Symmetric, signatures []Signature) error {
	bands := len(g.changes[0])
	if covariance.SymmetricDim() != bands*len(g.changes) {
		panic("cause: the covariance is for other bands")
	}
	var from []int
	for c, change := range g.changes {
		if len(change) != bands {
			panic("cause: channels differ in bands")
		}
		for b, d := range change {
			v := covariance.At(c*bands+b, c*bands+b)
			ok := !math.IsNaN(d) && !math.IsInf(d, 0) && v >= 0 && !math.IsInf(v, 1)
			for _, s := range signatures {
				ok = ok && !math.IsNaN(s.Shape[b])
			}
			if ok {
				g.at, from = append(g.at, [2]int{c, b}), append(from, c*bands+b)
			}
		}
	}
	if len(g.at) == 0 {
		return errors.New("no band can be used")
	}
	v := mat.NewSymDense(len(g.at), nil)
	for i := range g.at {
		for j := range i + 1 {
			v.SetSym(i, j, covariance.At(from[i], from[j])+g.own(g.at[i], g.at[j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		return errors.New("the covariance has no inverse")
	}
	g.lower = &mat.TriDense{}
	chol.LTo(g.lower)
	target := make([]float64, len(g.at))
	for i, p := range g.at {
		target[i] = g.changes[p[0]][p[1]]
	}
	g.target = g.whiten(target)
	return nil
}

// own is the covariance of the signatures' own error at two places.
func (g *general) own(p, q [2]int) float64 {
	if p[0] != q[0] {
		return 0
	}
	octaves := float64(p[1]-q[1]) / g.fraction
	e := shapeError * shapeError * g.changes[p[0]][p[1]] * g.changes[q[0]][q[1]] * math.Exp(-octaves*octaves/2)
	if p == q {
		e += floorError * floorError
	}
	return e
}

func (g *general) whiten(y []float64) []float64 {
	var out mat.VecDense
	// A Cholesky factor has no zero on its diagonal.
	_ = out.SolveVec(g.lower, mat.NewVecDense(len(y), y))
	return out.RawVector().Data
}

// columns returns a signature's shape on each channel, in units of the covariance.
func (g *general) columns(s Signature) [][]float64 {
	out := make([][]float64, len(g.changes))
	for c := range g.changes {
		y := make([]float64, len(g.at))
		for i, p := range g.at {
			if p[0] == c {
				y[i] = s.Shape[p[1]]
			}
		}
		out[c] = g.whiten(y)
	}
	return out
}
