package change

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/sample"

	"gonum.org/v1/gonum/mat"
)

// JointOptions say what is known before the rows are seen. The zero value is
// usable.
type JointOptions struct {
	Before     []float64     // level of each band before the change; nil when not known
	Covariance mat.Symmetric // of one row; nil to estimate it from the rows
	Confidence float64       // of the set; 0 for 0.95
	Draws      int           // permutations for each test; 0 for 499
	Seed       uint64
}

// A Joint is the most likely change of level in many bands at once.
type Joint struct {
	N, Bands   int
	Index      int       // first row after the change, from 1
	Before     []float64 // per band
	After      []float64
	Difference []float64 // after minus before
	// Error is the standard error of each difference, given the split.
	Error []float64
	// P is the permutation probability of a split as good as this without any
	// change; never below 1/(draws+1).
	P          float64
	Set        []int // indices that the data do not contradict, rising
	Shrinkage  float64
	Confidence float64
	Warnings   []string
}

// FindJoint returns the most likely split of rows (one per unit, in order of
// production; one column per band, all in the same unit such as dB) into two
// levels: the one with the largest squared distance between the mean rows, in
// units of the covariance of a row. That is the likelihood ratio when the
// covariance is given. When it is not, that of the rows around their common mean
// is used, its correlations shrunk (see Shrink) so that bands may outnumber rows;
// a step inflates it in its own direction, which leaves the order of the splits
// as the likelihood has it.
//
// Test and set come from permutations: without a change all rows may be
// exchanged, with a change after row k those before it among each other and those
// after it. They therefore hold for any distribution of independent rows and any
// number of bands, and need no estimate to be right. With a known level before,
// rows before the change are also mirrored at it, which asks for a symmetric
// distribution. An order that leaves the same row alone at an end is as good as
// the data's, so a change of the last row alone has a p-value of at least 2/n. It
// needs four rows, three with a level before, and takes at most MostValues rows.
func FindJoint(rows [][]float64, o JointOptions) (Joint, error) {
	f, err := newJointFinder(rows, o)
	if err != nil {
		return Joint{}, err
	}
	k := f.best
	s := Joint{N: f.n, Bands: f.d, Index: k + 1, Confidence: f.o.Confidence, Shrinkage: f.shrinkage}
	s.P = f.p()
	f.levels(&s, rows)
	for j := f.first(); j < f.n; j++ {
		if f.allows(j) {
			s.Set = append(s.Set, j+1)
		}
	}
	s.Warnings = f.warnings(s)
	return s, nil
}

// A jointFinder holds the whitened rows, in which a contrast is a vector of
// independent bands and its length the statistic.
type jointFinder struct {
	o         JointOptions
	n, d      int
	z         []float64 // n rows of d
	stat      []float64 // squared length of each split's contrast
	best      int
	sd        []float64 // of a row, per band
	shrinkage float64
	estimated bool
	rng       *rand.Rand
	order     []int     // present order of the rows
	sign      []float64 // -1 for a row mirrored at the known level
	sum       []float64
}

func newJointFinder(rows [][]float64, o JointOptions) (*jointFinder, error) {
	o.Confidence = Options{Confidence: o.Confidence}.confidence()
	if o.Draws == 0 {
		o.Draws = 499
	}
	err := errors.Join(Options{Confidence: o.Confidence, Draws: o.Draws}.check(), checkRows(rows, o))
	if err != nil {
		return nil, err
	}
	f := &jointFinder{o: o, n: len(rows), d: len(rows[0]), rng: newRand(o.Seed)}
	centred := f.centre(rows)
	if err := f.whiten(centred); err != nil {
		return nil, err
	}
	f.order, f.sign, f.sum = make([]int, f.n), make([]float64, f.n), make([]float64, f.d)
	f.restore()
	f.stat = make([]float64, f.n)
	f.eachSplit(func(j int, s float64) bool {
		f.stat[j] = s
		return true
	})
	f.best = f.first()
	for j, s := range f.stat {
		if s > f.stat[f.best] {
			f.best = j
		}
	}
	return f, nil
}

func checkRows(rows [][]float64, o JointOptions) error {
	least := 4
	if o.Before != nil {
		least = 3
	}
	switch {
	case len(rows) < least:
		return fmt.Errorf("needs at least %d rows, has %d", least, len(rows))
	case len(rows) > MostValues:
		return fmt.Errorf("%d rows are too many: give the last %d or fewer", len(rows), MostValues)
	case len(rows[0]) == 0:
		return errors.New("row 1 has no bands")
	}
	for i, r := range rows {
		if len(r) != len(rows[0]) {
			return fmt.Errorf("row %d has %d bands, row 1 has %d: give every row the same bands", i+1, len(r), len(rows[0]))
		}
		if err := sample.Check(r, 1); err != nil {
			return fmt.Errorf("row %d: %w", i+1, err)
		}
	}
	if o.Before != nil && len(o.Before) != len(rows[0]) {
		return fmt.Errorf("the level before has %d bands, the rows have %d", len(o.Before), len(rows[0]))
	}
	if o.Covariance != nil && o.Covariance.SymmetricDim() != len(rows[0]) {
		return fmt.Errorf("the covariance has %d bands, the rows have %d", o.Covariance.SymmetricDim(), len(rows[0]))
	}
	if err := sample.Check(o.Before, 0); err != nil {
		return fmt.Errorf("level before: %w", err)
	}
	return nil
}

func (f *jointFinder) first() int {
	if f.o.Before != nil {
		return 0
	}
	return 1
}

// centre subtracts the known level or the mean of each band, the mean after the
// first value, so that equal values leave exactly nothing.
func (f *jointFinder) centre(rows [][]float64) *mat.Dense {
	m := mat.NewDense(f.n, f.d, nil)
	column := make([]float64, f.n)
	for b := range f.d {
		from, mean := rows[0][b], 0.0
		if f.o.Before != nil {
			from = f.o.Before[b]
		}
		for i := range rows {
			column[i] = rows[i][b] - from
		}
		if f.o.Before == nil {
			mean = sample.Mean(column)
		}
		for i := range rows {
			m.Set(i, b, column[i]-mean)
		}
	}
	return m
}

// whiten multiplies the rows by the inverse Cholesky factor of the covariance.
func (f *jointFinder) whiten(centred *mat.Dense) error {
	cov := f.o.Covariance
	if cov == nil {
		s, lambda, err := Shrink(centred)
		if err != nil {
			return err
		}
		cov, f.shrinkage, f.estimated = s, lambda, true
	}
	f.sd = make([]float64, f.d)
	scaled := mat.NewSymDense(f.d, nil)
	for i := range f.d {
		v := cov.At(i, i)
		if !(v > 0) || v > sample.Largest*sample.Largest {
			return fmt.Errorf("the variance of band %d is %v: it must be positive", i+1, v)
		}
		f.sd[i] = math.Sqrt(v)
		for j := range i + 1 {
			r := cov.At(i, j) / f.sd[i] / f.sd[j]
			if !(math.Abs(r) <= 1+1e-9) {
				return fmt.Errorf("the correlation of bands %d and %d is %v: it must lie within -1 to 1", i+1, j+1, r)
			}
			scaled.SetSym(i, j, r)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) || chol.Cond() > 1e12 {
		return errors.New("the covariance is singular, some band follows from the others: shrink it or leave bands out")
	}
	for b := range f.d {
		for i := range f.n {
			centred.Set(i, b, centred.At(i, b)/f.sd[b])
		}
	}
	var l mat.TriDense
	chol.LTo(&l)
	var z mat.Dense
	if err := z.Solve(&l, centred.T()); err != nil {
		return fmt.Errorf("the covariance cannot be inverted (%w): shrink it or leave bands out", err)
	}
	f.z = make([]float64, f.n*f.d)
	for i := range f.n {
		for b := range f.d {
			v := z.At(b, i)
			if math.IsNaN(v) || math.Abs(v) > 1e100 {
				return fmt.Errorf("row %d is beyond reach of the covariance: check its unit", i+1)
			}
			f.z[i*f.d+b] = v
		}
	}
	return nil
}

// levels fills the means before and after and the standard error of their
// difference, from the covariance used.
func (f *jointFinder) levels(s *Joint, rows [][]float64) {
	share := 1/float64(f.best) + 1/float64(f.n-f.best)
	if f.o.Before != nil {
		share = 1 / float64(f.n-f.best)
	}
	for b := range f.d {
		column := make([]float64, f.n)
		for i := range rows {
			column[i] = rows[i][b]
		}
		before, after := 0.0, sample.Mean(column[f.best:])
		if f.o.Before != nil {
			before = f.o.Before[b]
		} else {
			before = sample.Mean(column[:f.best])
		}
		sd := f.sd[b]
		if f.estimated {
			sd = f.around(column, before, after)
		}
		s.Before, s.After = append(s.Before, before), append(s.After, after)
		s.Difference = append(s.Difference, after-before)
		s.Error = append(s.Error, sd*math.Sqrt(share))
	}
}

// around returns the standard deviation of a band around its two levels.
func (f *jointFinder) around(column []float64, before, after float64) float64 {
	ss := sample.SumSquares(column[f.best:])
	for _, v := range column[:f.best] {
		ss += (v - before) * (v - before)
	}
	return math.Sqrt(ss / float64(max(1, f.n-1-f.first())))
}

func (f *jointFinder) warnings(s Joint) []string {
	var w []string
	if s.P > 1-s.Confidence {
		w = append(w, fmt.Sprintf("No change is shown (p = %.2g): the index is only where a change would fit best.", s.P))
	}
	if s.N < 10 {
		w = append(w, fmt.Sprintf("Only %d rows: the levels and the index are poorly known.", s.N))
	}
	if before := s.Index - 1; f.o.Before == nil && before < 3 {
		w = append(w, fmt.Sprintf("The level before rests on %s.", values(before)))
	}
	if after := s.N - s.Index + 1; after < 3 {
		w = append(w, fmt.Sprintf("The level after rests on %s: one odd unit looks the same.", values(after)))
	}
	return w
}
