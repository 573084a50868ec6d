package tolerance

import (
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/sample"
)

// SimultaneousOptions steer the simulation. The zero value is usable.
type SimultaneousOptions struct {
	Seed       uint64 // the same seed and data give the same answer
	Replicates int    // simulated baselines, 0 for 2000
	Draws      int    // future units drawn against each of them, 0 for 4000
}

func (o SimultaneousOptions) withDefaults() SimultaneousOptions {
	if o.Replicates <= 0 {
		o.Replicates = 2000
	}
	if o.Draws <= 0 {
		o.Draws = 4000
	}
	return o
}

// A Together is one tolerance factor for all bands at once.
type Together struct {
	// K is the factor: a unit is inside when every band is within mean ± K·s.
	K float64
	N int // units in the baseline
	// Mean, SD, Low and High are per band, in the unit of the data.
	Mean, SD, Low, High []float64
	// Separate is the exact factor of one band by itself, for comparison: with it
	// far fewer units than the coverage would be inside in all bands.
	Separate float64
	// Shrinkage is the share by which the correlations were pulled towards 0.
	Shrinkage float64
	// ConfidenceError is two standard errors of the confidence reached, from the
	// finite number of simulated baselines.
	ConfidenceError float64
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

// Simultaneous returns the factor K such that, with the stated confidence, at least
// the stated coverage of future units lies within mean ± K·s in all bands together.
// The rows are units, the columns bands; units are independent and normal with any
// correlation between bands.
//
// The factor is found by parametric bootstrap: baselines of the same size are drawn
// from the shrunk correlation of the data (means and scales do not matter), and for
// each the factor that would have held the coverage is read from simulated future
// units; K is the confidence quantile of these. The estimation error of means and
// standard deviations is thus inside. The error of the correlation is met by the
// shrinkage towards independence, where a factor for all bands is largest; the
// simulated confidence (testdata/simultaneous.csv) is the one asked for with
// independent bands and above it with correlated ones. No table is known to compare
// with beyond one band, where the exact factor is used.
//
// Errors name the unit and band: fewer than three units, rows of different length,
// a value that is not finite, a band without spread, coverage or confidence out of
// range. Time grows with units × bands²: a second for 50 units of 31 bands, several
// for 200 bands.
func Simultaneous(rows [][]float64, coverage, confidence float64, opt SimultaneousOptions) (Together, error) {
	if err := checkRows(rows, coverage, confidence); err != nil {
		return Together{}, err
	}
	opt = opt.withDefaults()
	mean, sd, z := standardise(rows)
	for b, s := range sd {
		if s == 0 {
			return Together{}, fmt.Errorf("band %d has the same value in every unit: leave it out or check the measurement", b+1)
		}
	}
	t := Together{N: len(rows), Mean: mean, SD: sd, Separate: twoSided(len(rows), coverage, confidence)}
	if len(mean) == 1 {
		t.K = t.Separate
	} else {
		var r [][]float64
		r, t.Shrinkage = shrunkCorrelation(z)
		s := newSimulation(cholesky(r), opt)
		t.K = s.factor(t.N, coverage, confidence)
		t.ConfidenceError = 2 * math.Sqrt(confidence*(1-confidence)/float64(opt.Replicates))
	}
	for b, m := range mean {
		t.Low, t.High = append(t.Low, m-t.K*sd[b]), append(t.High, m+t.K*sd[b])
	}
	t.caution(coverage, confidence, opt)
	return t, nil
}

func (t *Together) caution(coverage, confidence float64, opt SimultaneousOptions) {
	if t.N < few {
		t.Warnings = append(t.Warnings, fmt.Sprintf("Only %d units: the limits are wide because the spread itself is hardly known, and the confidence may be a few percent below the one asked for.", t.N))
	}
	if len(t.Mean) == 1 {
		return
	}
	// The quantiles need some values beyond them to be quantiles at all.
	if (1-confidence)*float64(opt.Replicates) < 10 || (1-coverage)*float64(opt.Draws) < 10 {
		t.Warnings = append(t.Warnings, "Coverage or confidence is too near 1 for the number of simulated units: raise the replicates and draws.")
	}
}

func checkRows(rows [][]float64, coverage, confidence float64) error {
	if err := check(len(rows), 3, coverage, confidence, 2); err != nil {
		return err
	}
	if len(rows[0]) == 0 {
		return fmt.Errorf("the units have no bands: choose at least one")
	}
	for i, row := range rows {
		if len(row) != len(rows[0]) {
			return fmt.Errorf("unit %d has %d bands, the first has %d: use the bands that all units have", i+1, len(row), len(rows[0]))
		}
		for b, v := range row {
			if err := sample.Check([]float64{v}, 1); err != nil {
				return fmt.Errorf("unit %d, band %d: %v cannot be used: leave the unit out or measure it again", i+1, b+1, v)
			}
		}
	}
	return nil
}

// A simulation holds a pool of future units and the way to draw baselines.
type simulation struct {
	chol        [][]float64
	rng         *rand.Rand
	pool        []float64 // future units one after the other
	units       int       // in the pool
	reps, draws int
	e           []float64
}

// poolFactor is how many times larger than one baseline's draws the pool is. With
// one common set of draws for all baselines, its chance error would enter the
// confidence whole (0.90 became 0.84 for 50 units in a trial); with a fresh set for
// each, drawing would cost twenty times the rest.
const poolFactor = 15

// poolValues bounds the pool's memory to 64 MB.
const poolValues = 8 << 20

func newSimulation(chol [][]float64, opt SimultaneousOptions) *simulation {
	opt = opt.withDefaults()
	bands := len(chol)
	s := &simulation{chol: chol, rng: rand.New(rand.NewPCG(opt.Seed, 0x746f6c)), reps: opt.Replicates, draws: opt.Draws, e: make([]float64, bands)}
	s.units = max(opt.Draws, min(poolFactor*opt.Draws, poolValues/bands))
	s.pool = make([]float64, s.units*bands)
	for u := range s.units {
		s.draw(s.pool[u*bands : (u+1)*bands])
	}
	return s
}

// draw fills x with one unit.
func (s *simulation) draw(x []float64) {
	for i := range s.e {
		s.e[i] = s.rng.NormFloat64()
	}
	for i, row := range s.chol {
		v := 0.0
		for k, l := range row {
			v += l * s.e[k]
		}
		x[i] = v
	}
}

// factor returns the quantile over baselines of n units of the factor that holds
// the coverage.
func (s *simulation) factor(n int, coverage, confidence float64) float64 {
	bands := len(s.chol)
	x, mean, scale := make([]float64, bands), make([]float64, bands), make([]float64, bands)
	ks, worst := make([]float64, s.reps), make([]float64, s.draws)
	for r := range ks {
		s.baseline(n, x, mean, scale)
		from := 0
		if s.units > s.draws {
			from = s.rng.IntN(s.units - s.draws + 1)
		}
		for i := range worst {
			u := s.pool[(from+i)*bands:][:bands]
			most := 0.0
			for b, v := range u {
				if d := math.Abs(v-mean[b]) * scale[b]; d > most {
					most = d
				}
			}
			worst[i] = most
		}
		ks[r] = quantile(worst, coverage)
	}
	return quantile(ks, confidence)
}

// baseline draws n units and leaves their means and inverse standard deviations.
func (s *simulation) baseline(n int, x, mean, scale []float64) {
	for b := range mean {
		mean[b], scale[b] = 0, 0
	}
	for u := range n {
		s.draw(x)
		for b, v := range x { // Welford's update
			d := v - mean[b]
			mean[b] += d / float64(u+1)
			scale[b] += d * (v - mean[b])
		}
	}
	for b, ss := range scale {
		scale[b] = 1 / math.Sqrt(ss/float64(n-1))
	}
}

// quantile returns the ⌈p·n⌉-th smallest value, rearranging xs (Hoare's selection).
func quantile(xs []float64, p float64) float64 {
	k := max(0, min(len(xs)-1, int(math.Ceil(p*float64(len(xs))))-1))
	low, high := 0, len(xs)-1
	for low < high {
		pivot := xs[(low+high)/2]
		i, j := low, high
		for i <= j {
			for xs[i] < pivot {
				i++
			}
			for xs[j] > pivot {
				j--
			}
			if i <= j {
				xs[i], xs[j] = xs[j], xs[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return xs[k]
		}
	}
	return xs[k]
}
