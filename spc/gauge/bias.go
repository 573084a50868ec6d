package gauge

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Bias is how far the gauge reads from the accepted value of a reference unit,
// in the unit of the readings.
type Bias struct {
	N                int
	Mean             float64
	SD               float64
	Bias             float64  // mean minus reference
	Interval         Interval // of the bias
	T                float64  // bias over its standard error
	P                float64  // two-sided, of no bias
	PercentTolerance float64  // 100·|bias|/tolerance; zero without a tolerance
	Warnings         []string
}

// BiasOf compares repeated readings of one reference unit with its accepted value
// by Student's t (independent, normal readings). It needs two readings that
// differ. Readings of one session share that session's error: for the bias of the
// gauge over time use StabilityOf.
func BiasOf(values []float64, reference float64, o Options) (Bias, error) {
	if err := errors.Join(o.check(), sample.Check(values, 2), checkReference(reference)); err != nil {
		return Bias{}, err
	}
	shifted, scale := rescale(values)
	if scale == 0 {
		return Bias{}, ErrNoSpread
	}
	n := float64(len(values))
	b := Bias{N: len(values), SD: scale * sample.SD(shifted)}
	// The reference is taken from the first value before the small mean is added,
	// so that a large common level costs no digits.
	b.Bias = (values[0] - reference) + scale*sample.Mean(shifted)
	b.Mean = values[0] + scale*sample.Mean(shifted)
	se := scale * sample.SD(shifted) / math.Sqrt(n)
	if se == 0 {
		return Bias{}, ErrNoSpread
	}
	t := dist.StudentT{Nu: n - 1}
	half := t.QuantileUpper((1-o.confidence())/2) * se
	b.Interval = Interval{b.Bias - half, b.Bias + half}
	b.T = math.Max(-math.MaxFloat64, math.Min(math.MaxFloat64, b.Bias/se))
	b.P = 2 * t.Survival(math.Abs(b.T))
	if o.Tolerance > 0 {
		b.PercentTolerance = 100 * math.Min(math.Abs(b.Bias)/o.Tolerance, 1e300)
	}
	if len(values) < 10 {
		b.Warnings = append(b.Warnings, fmt.Sprintf("Only %d readings of the reference unit; ten are common.", len(values)))
	}
	return b, nil
}

// A Check is the readings of the reference unit at one visit, at a time in any
// unit (days, or the number of the unit made last).
type Check struct {
	Time   float64
	Values []float64
}

// A Stability is how the reading of a reference unit behaves over time.
type Stability struct {
	Checks, Readings int
	// Bias is that of the mean of the checks, its interval from their spread.
	Bias Bias
	// Slope is the drift per unit of time by least squares over the means of the
	// checks, with interval and p-value of no drift. Not fitted below three checks
	// or when all are at one time.
	Fitted        bool
	Slope         float64
	SlopeInterval Interval
	SlopeP        float64
	// Between is the standard deviation from check to check beyond what the
	// readings within a check explain, zero when negative; F and P test it. Only
	// when some check has two readings that differ.
	Tested   bool
	Within   float64
	Between  float64
	F, P     float64
	Warnings []string
}

// StabilityOf analyses checks of one reference unit over time. It needs two
// checks with different means. The means of the checks are taken as independent
// and equally sure.
func StabilityOf(checks []Check, reference float64, o Options) (Stability, error) {
	means, all, err := gather(checks)
	if err != nil {
		return Stability{}, err
	}
	s := Stability{Checks: len(checks), Readings: len(all)}
	if s.Bias, err = BiasOf(means, reference, o); err != nil {
		return Stability{}, fmt.Errorf("means of the checks: %w", err)
	}
	s.fitSlope(checks, means, o)
	s.between(checks, all)
	s.Warnings = append(s.Warnings, s.Bias.Warnings...)
	s.Bias.Warnings = nil
	if !s.Tested {
		s.Warnings = append(s.Warnings, "No check has two readings that differ: whether the checks differ by more than repeatability was not checked.")
	}
	return s, nil
}

// gather returns the mean of each check and all readings in one list.
func gather(checks []Check) (means, all []float64, err error) {
	if len(checks) < 2 {
		return nil, nil, fmt.Errorf("stability needs at least 2 checks, has %d", len(checks))
	}
	for i, c := range checks {
		if math.IsNaN(c.Time) || math.Abs(c.Time) > sample.Largest {
			return nil, nil, fmt.Errorf("check %d has the time %v: give a finite number", i+1, c.Time)
		}
		if err := sample.Check(c.Values, 1); err != nil {
			return nil, nil, fmt.Errorf("check %d: %w", i+1, err)
		}
		means = append(means, sample.Mean(c.Values))
		all = append(all, c.Values...)
	}
	return means, all, nil
}

func (s *Stability) fitSlope(checks []Check, means []float64, o Options) {
	times := make([]float64, len(checks))
	for i, c := range checks {
		times[i] = c.Time
	}
	x, unit := rescale(times)
	y, scale := rescale(means)
	if len(means) < 3 || unit == 0 || scale == 0 {
		s.Warnings = append(s.Warnings, "Fewer than three checks at different times: drift was not checked.")
		return
	}
	mx, my := sample.Mean(x), sample.Mean(y)
	sxx, sxy := sample.SumSquares(x), 0.0
	for i := range x {
		sxy += (x[i] - mx) * (y[i] - my)
	}
	slope := sxy / sxx
	rest := 0.0
	for i := range x {
		rest += square(y[i] - my - slope*(x[i]-mx))
	}
	df := float64(len(x) - 2)
	se := math.Sqrt(rest / df / sxx)
	t := dist.StudentT{Nu: df}
	half := t.QuantileUpper((1-o.confidence())/2) * se
	per := func(v float64) float64 {
		return math.Max(-math.MaxFloat64, math.Min(math.MaxFloat64, v*scale/unit))
	}
	s.Fitted, s.Slope = true, per(slope)
	s.SlopeInterval = Interval{per(slope - half), per(slope + half)}
	if se > 0 {
		s.SlopeP = 2 * t.Survival(math.Abs(slope/se))
	}
}

// between separates the spread from check to check from that within checks, by
// the one-way analysis of variance; with unequal numbers of readings the mean
// size is (N - Σn²/N)/(k-1) (e.g. Searle, Linear Models, 1971, from memory).
func (s *Stability) between(checks []Check, all []float64) {
	y, scale := rescale(all)
	grand := sample.Mean(y)
	ssb, ssw, sizes, at := 0.0, 0.0, 0.0, 0
	for _, c := range checks {
		part := y[at : at+len(c.Values)]
		at += len(c.Values)
		n := float64(len(part))
		ssb += n * square(sample.Mean(part)-grand)
		ssw += sample.SumSquares(part)
		sizes += n * n
	}
	n, k := float64(len(all)), float64(len(checks))
	if n == k || ssw < dust*n {
		return
	}
	msb, msw := ssb/(k-1), ssw/(n-k)
	s.Tested = true
	s.F = msb / msw
	s.P = dist.F{D1: k - 1, D2: n - k}.Survival(s.F)
	s.Within = scale * math.Sqrt(msw)
	s.Between = scale * math.Sqrt(math.Max(0, msb-msw)/((n-sizes/n)/(k-1)))
}

func checkReference(r float64) error {
	if math.IsNaN(r) || math.Abs(r) > sample.Largest {
		return fmt.Errorf("reference value %v is not a finite number", r)
	}
	return nil
}
