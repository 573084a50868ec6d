package multi

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// fitShrunkRows makes the Ledoit-Wolf model of rows and its Middle.
func fitShrunkRows(rows [][]float64, center []float64) (*Model, error) {
	if len(rows) < 4 {
		return nil, fmt.Errorf("needs at least 4 rows for a shrunk covariance, has %d", len(rows))
	}
	m, err := fitShrunk(rows, center)
	if err != nil {
		return nil, err
	}
	out, err := leaveOneOut(rows)
	if err != nil {
		return nil, err
	}
	m.Middle = middle(out)
	return m, nil
}

// middle returns the geometric mean, which one outlier moves less than the mean and
// which a dozen values tell better than their median.
func middle(t2 ...[]float64) float64 {
	sum, n := 0.0, 0.0
	for _, set := range t2 {
		for _, v := range set {
			sum += math.Log(math.Max(v, 1e-300))
			n++
		}
	}
	return math.Exp(sum / n)
}

// leaveOneOut returns the T² of each row by the shrunk model of the others.
func leaveOneOut(rows [][]float64) ([]float64, error) {
	out := make([]float64, len(rows))
	others := make([][]float64, 0, len(rows))
	room := make([]float64, len(rows[0]))
	for i, r := range rows {
		others = append(append(others[:0], rows[:i]...), rows[i+1:]...)
		m, err := fitShrunk(others, means(others))
		if err != nil {
			return nil, fmt.Errorf("without row %d: %w", i+1, err)
		}
		out[i] = m.measure(r, room)
	}
	return out, nil
}

// fitShrunk makes the Ledoit-Wolf model without its Middle. With S the
// covariance (divisor m), ‖A‖² = tr(AA')/p, μ = tr(S)/p, δ² = ‖S-μI‖² and
// β² = min(δ², Σ‖xx'-S‖²/m²), it is (β²/δ²)·μI + (1-β²/δ²)·S (equations 14 and
// lemmas 3.2 to 3.4 of the paper).
func fitShrunk(rows [][]float64, center []float64) (*Model, error) {
	diffs := away(rows, center)
	s, err := spreads(diffs, center)
	if err != nil {
		return nil, err
	}
	unit := 0.0 // of all columns alike: the estimator is not free of scale
	for _, v := range s {
		unit = math.Max(unit, v)
	}
	m := &Model{Kind: Shrunk, N: len(diffs), Freedom: len(diffs) - 1, Center: center}
	cov := shrunk(diffs, unit, &m.Shrinkage)
	p := len(s)
	m.scale = make([]float64, p)
	r := mat.NewSymDense(p, nil)
	for i := range p {
		m.scale[i] = math.Sqrt(cov.At(i, i))
	}
	for i := range p {
		for j := i; j < p; j++ {
			r.SetSym(i, j, cov.At(i, j)/m.scale[i]/m.scale[j])
		}
	}
	least := s[0]
	for i := range m.scale {
		m.scale[i] *= unit
		least = math.Min(least, s[i])
	}
	if unit > 30*least {
		m.Warnings = append(m.Warnings, "The columns differ in spread by more than thirty: shrinking drowns the quiet ones, so bring them to one scale first.")
	}
	return m, m.finish(r)
}

// shrunk returns the covariance of diffs/unit and its weight of the identity.
func shrunk(diffs [][]float64, unit float64, weight *float64) *mat.SymDense {
	p, m := len(diffs[0]), float64(len(diffs))
	same := make([]float64, p)
	for j := range same {
		same[j] = unit
	}
	s := products(diffs, same)
	mu := mat.Trace(s) / float64(p)
	square := 0.0
	for i := range p {
		for j := range p {
			square += s.At(i, j) * s.At(i, j)
		}
	}
	delta := square/float64(p) - mu*mu // ‖S-μI‖² = ‖S‖²-μ²
	fourth := 0.0
	for _, d := range diffs {
		l := 0.0
		for _, v := range d {
			l += v / unit * (v / unit)
		}
		fourth += l * l
	}
	// Σ‖xx'-S‖² = Σ‖xx'‖² - m‖S‖²
	beta := math.Max(0, fourth/m-square) / float64(p) / m
	*weight = 0
	if beta > 0 {
		*weight = 1
		if beta < delta {
			*weight = beta / delta
		}
	}
	w := *weight
	for i := range p {
		for j := i; j < p; j++ {
			v := (1 - w) * s.At(i, j)
			if i == j {
				v += w * mu
			}
			s.SetSym(i, j, v)
		}
	}
	return s
}
