package change

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// Options say what is known before the data are seen. The zero value is usable.
type Options struct {
	Before     *float64 // level before the change; nil when not known
	Sigma      *float64 // standard deviation of one value; nil when not known
	Confidence float64  // of the set; 0 for 0.95
	Draws      int      // data sets drawn for each test; 0 for 999
	Seed       uint64
}

// MostValues is how many values Find reads: the work grows with their square.
const MostValues = 2000

// A Step is the most likely change of level in a stream.
type Step struct {
	N      int
	Index  int     // first value after the change, from 1
	Before float64 // level before: known, or the mean of the values before Index
	After  float64 // mean of the values from Index on
	Sigma  float64 // known, or the standard deviation around the two levels
	// P is the probability that a stream without any change has a split as good as
	// this. From draws; below 0.02 or so from a sum over all splits that it cannot
	// exceed.
	P          float64
	Set        []int // indices that the data do not contradict, rising
	Confidence float64
	Warnings   []string
}

// ErrNoSpread means that the values do not vary and no sigma was given.
var ErrNoSpread = errors.New("the values do not vary: there is no change to look for (is the resolution of the reading too coarse?)")

// Find returns the most likely split of a stream into two levels: the one that
// leaves the least sum of squares. With a known level before, this is the
// estimator of Samuel, Pignatiello and Calvin (Quality Engineering 10 (1998)
// 521-527, from memory), and the change may lie before the first value. It needs
// four values (three with sigma or the level before known) and takes at most
// MostValues.
func Find(xs []float64, o Options) (Step, error) {
	f, err := newFinder(xs, o)
	if err != nil {
		return Step{}, err
	}
	k := f.best
	s := Step{N: len(xs), Index: k + 1, Confidence: o.confidence(), P: f.p()}
	s.Before, s.After = f.origin, f.origin+f.scale*sample.Mean(f.y[k:])
	if !f.known {
		s.Before = f.origin + f.scale*sample.Mean(f.y[:k])
	}
	s.Sigma = f.scale * f.spread(f.within(k))
	if f.sigma > 0 {
		s.Sigma = *o.Sigma
	}
	for j := f.first(); j < len(xs); j++ {
		if f.allows(j) {
			s.Set = append(s.Set, j+1)
		}
	}
	s.Warnings = f.warnings(s)
	return s, nil
}

func (o Options) confidence() float64 {
	if o.Confidence == 0 {
		return 0.95
	}
	return o.Confidence
}

func (o Options) draws() int {
	if o.Draws == 0 {
		return 999
	}
	return o.Draws
}

func (o Options) check() error {
	if c := o.confidence(); !(c > 0 && c < 1) {
		return fmt.Errorf("confidence %v is not between 0 and 1", c)
	}
	if d := o.draws(); d < 19 || d > 100000 || float64(d+1)*(1-o.confidence()) < 1-1e-9 {
		return fmt.Errorf("%d draws cannot show a confidence of %v: take %d or more", d, o.confidence(), int(math.Ceil(1/(1-o.confidence()))))
	}
	if o.Sigma != nil && !(*o.Sigma > 0 && *o.Sigma <= sample.Largest) {
		return fmt.Errorf("sigma %v is not a positive number", *o.Sigma)
	}
	if o.Before != nil && !(math.Abs(*o.Before) <= sample.Largest) {
		return fmt.Errorf("level before %v is not a finite number", *o.Before)
	}
	return nil
}

// least is how many values leave at least one degree of freedom around the levels
// and one more to compare splits by.
func (o Options) least() int {
	if o.Sigma != nil || o.Before != nil {
		return 3
	}
	return 4
}

func (f *finder) warnings(s Step) []string {
	var w []string
	if s.P > 1-s.Confidence {
		w = append(w, fmt.Sprintf("No change is shown (p = %.2g): the index is only where a change would fit best.", s.P))
	}
	if s.N < 10 {
		w = append(w, fmt.Sprintf("Only %d values: the levels and the index are poorly known.", s.N))
	}
	if before := s.Index - 1; !f.known && before < 3 {
		w = append(w, fmt.Sprintf("The level before rests on %s.", values(before)))
	}
	if after := s.N - s.Index + 1; after < 3 {
		w = append(w, fmt.Sprintf("The level after rests on %s: one odd value looks the same.", values(after)))
	}
	if f.sigma == 0 && f.within(f.best) < dust*f.whole {
		w = append(w, "The values around each level do not vary: the test rests on the spread of the values and cannot be trusted here.")
	}
	if r := f.lag1(); s.N >= 20 && r > 2/math.Sqrt(float64(s.N)) {
		w = append(w, fmt.Sprintf("Neighbouring values hang together (correlation %.2f after the step is removed): p and set are too sure, or it is a drift.", r))
	}
	return w
}

func values(n int) string {
	if n == 1 {
		return "1 value"
	}
	return fmt.Sprintf("%d values", n)
}
