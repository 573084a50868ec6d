package multi

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Simulation says how limits without a formula are simulated.
type Simulation struct {
	Seed      uint64 // the same seed gives the same limits
	Baselines int    // to draw; 0 for enough to expect 200 exceedances, 200 to 4000
}

// A limit is what T² exceeds with chance alpha in control.
type limit struct{ median, upper, se float64 }

// simulated returns the limits of rows within the baseline and of new rows for a
// model without a formula, from whole baselines drawn from a normal law, each
// estimated anew, its rows and new ones measured by it.
//
// Successive: T² does not depend on the covariance drawn from, so the limits are
// exact up to their error.
//
// Shrunk: rows within the baseline are measured by the model of the others. The law
// of T² depends on the true eigenvalues, which a few rows do not show. Those of
// S lie too far apart and those of the shrunk covariance too close together;
// baselines are drawn from the covariance on the line between S and the identity
// whose eigenvalues have the dispersion α² = δ²-β² that Ledoit and Wolf estimate
// for the true ones. The limits are then scaled so that the simulated geometric mean
// of rows measured by the others is the observed one (Middle). On band-like
// correlations from 0 to 0.95, 12 to 40 rows and 8 to 72 columns, alpha 0.05 and
// 0.0027, new rows then gave false alarms at 0.5 to 1.5 of alpha, and rows of the
// baseline at up to 3.5 of it. Without the scaling it was 0.3 to 1 for new rows,
// with the shrunk covariance itself to draw from 0.05 to 2.8.
func simulated(m *Model, alpha float64, s Simulation) (first, second limit, err error) {
	runs := s.Baselines
	if runs == 0 {
		runs = min(4000, max(200, int(200/(alpha*float64(m.N)))))
	}
	if runs < 20 {
		return limit{}, limit{}, fmt.Errorf("%d simulated baselines tell nothing: take 20 or more", runs)
	}
	scale, err := drawScales(m)
	if err != nil {
		return limit{}, limit{}, err
	}
	p := len(m.Center)
	rng := rand.New(rand.NewPCG(s.Seed, uint64(m.N)<<32|uint64(p)))
	rows, room := make([][]float64, m.N), make([]float64, p)
	for i := range rows {
		rows[i] = make([]float64, p)
	}
	inside, ahead := make([][]float64, runs), make([][]float64, runs)
	for k := range runs {
		draw(rng, rows, scale)
		fit, fewer, err := refit(m.Kind, rows)
		if err != nil {
			return limit{}, limit{}, fmt.Errorf("simulated baseline: %w", err)
		}
		if fewer == nil {
			inside[k] = measureAll(fit, rows, room)
		}
		draw(rng, rows, scale)
		if fewer != nil {
			inside[k] = measureAll(fewer, rows, room)
		}
		ahead[k] = measureAll(fit, rows, room)
	}
	first, second = quantile(inside, alpha), quantile(ahead, alpha)
	if m.Kind == Shrunk {
		k := m.Middle / middle(inside...)
		first, second = first.times(k), second.times(k)
	}
	return first, second, nil
}

// refit estimates the model of drawn rows; for Shrunk also that of one row fewer,
// by which any row not among them has the law of one left out.
func refit(kind Kind, rows [][]float64) (fit, fewer *Model, err error) {
	if kind != Shrunk {
		fit, err = Fit(rows, kind)
		return fit, nil, err
	}
	if fit, err = fitShrunk(rows, means(rows)); err != nil {
		return nil, nil, err
	}
	fewer, err = fitShrunk(rows[1:], means(rows[1:]))
	return fit, fewer, err
}

func (l limit) times(k float64) limit { return limit{l.median * k, l.upper * k, l.se * k} }

// drawScales returns the standard deviations to draw from along the eigenvectors.
// Shrinkage turns with the axes and T² does not see them, so no vectors are needed;
// for successive differences any scale will do.
func drawScales(m *Model) ([]float64, error) {
	p := len(m.Center)
	out := make([]float64, p)
	if m.Kind != Shrunk {
		for i := range out {
			out[i] = 1
		}
		return out, nil
	}
	unit := slices.Max(m.scale)
	c := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			c.SetSym(i, j, m.Covariance.At(i, j)/unit/unit)
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(c, false) {
		return nil, fmt.Errorf("the eigenvalues of the covariance could not be found: bring the columns to one scale")
	}
	mu := mat.Trace(c) / float64(p)
	for i, v := range eig.Values(nil) {
		if m.Shrinkage < 1 { // else all are μ
			v = mu + (v-mu)/math.Sqrt(1-m.Shrinkage)
		}
		out[i] = math.Sqrt(math.Max(0, v))
	}
	return out, nil
}

func draw(rng *rand.Rand, rows [][]float64, scale []float64) {
	for _, r := range rows {
		for j, s := range scale {
			r[j] = s * rng.NormFloat64()
		}
	}
}

func measureAll(m *Model, rows [][]float64, room []float64) []float64 {
	out := make([]float64, len(rows))
	for i, r := range rows {
		out[i] = m.measure(r, room)
	}
	return out
}

// quantile returns median and upper alpha quantile of all values. Values of one
// baseline share its errors, so the standard error comes from the spread of the
// share of exceedances between baselines, carried over to the quantile by the
// quantiles that far to both sides.
func quantile(sets [][]float64, alpha float64) limit {
	all := slices.Concat(sets...)
	slices.Sort(all)
	at := func(tail float64) float64 {
		i := int(math.Ceil((1-tail)*float64(len(all)))) - 1
		return all[min(max(i, 0), len(all)-1)]
	}
	l := limit{median: at(0.5), upper: at(alpha)}
	sum, sq := 0.0, 0.0
	for _, set := range sets {
		over := 0.0
		for _, v := range set {
			if v > l.upper {
				over++
			}
		}
		share := over / float64(len(set))
		sum, sq = sum+share, sq+share*share
	}
	n := float64(len(sets))
	se := math.Sqrt(math.Max(0, sq/n-sum/n*sum/n) / (n - 1))
	l.se = (at(math.Max(alpha-se, 0.5/float64(len(all)))) - at(alpha+se)) / 2
	return l
}
