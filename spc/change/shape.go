package change

import (
	"fmt"
	"math"

	"alike/spc/sample"
)

// A Comparison weighs one step against a drift that begins somewhere and then
// rises or falls steadily to the last value.
type Comparison struct {
	// Shape is "step" when the drift is contradicted and the step is not, "drift"
	// the other way round, "either" when neither is, "neither" when both are.
	Shape string
	// LogRatio is the natural logarithm of the likelihood of the best step over
	// that of the best drift.
	LogRatio float64
	// StepP is the probability that streams with the fitted step give a LogRatio as
	// low as this, DriftP that streams with the fitted drift give one as high.
	StepP, DriftP float64
	Step          Step
	Drift         Drift
	Warnings      []string
}

// A Drift is a level that holds up to a value and then changes by the same amount
// from each value to the next.
type Drift struct {
	Index  int     // first value off the level, from 1
	Before float64 // the level
	Slope  float64 // change per value
	After  float64 // fitted at the last value
	Sigma  float64 // standard deviation around the fit, as many parameters as the step
}

// Shape compares the best step with the best drift. A shape is contradicted when
// its p-value is at most 1 minus the confidence: streams drawn around the other
// fit, searched like the real one, decide (Cox's test of separate families, J. R.
// Statist. Soc. B 24 (1962) 406-424, from memory, by simulation). The plain ratio
// of likelihoods would favour the step, whose place has more room to fit noise.
// Read it only when Step.P shows a change at all. It asks what Find asks.
func Shape(xs []float64, o Options) (Comparison, error) {
	step, err := Find(xs, o)
	if err != nil {
		return Comparison{}, err
	}
	f, err := newFinder(xs, o)
	if err != nil {
		return Comparison{}, err
	}
	s, d := f.stepFit(), f.driftFit()
	c := Comparison{Shape: "either", Step: step, LogRatio: f.logRatio(s.rest, d.rest), Warnings: step.Warnings}
	c.Drift = f.drift(d, o)
	c.StepP = f.extreme(s, func(r float64) bool { return r <= c.LogRatio })
	c.DriftP = f.extreme(d, func(r float64) bool { return r >= c.LogRatio })
	noStep, noDrift := c.StepP <= f.alpha, c.DriftP <= f.alpha
	switch {
	case noStep && noDrift:
		c.Shape = "neither"
		c.Warnings = append(c.Warnings, "Neither one step nor one steady drift describes the values.")
	case noDrift:
		c.Shape = "step"
	case noStep:
		c.Shape = "drift"
	case step.P <= f.alpha:
		c.Warnings = append(c.Warnings, fmt.Sprintf("A step at value %d and a drift from value %d cannot be told apart here.", step.Index, c.Drift.Index))
	}
	return c, nil
}

// A fit is a course of levels and the sum of squares around it.
type fit struct {
	from         int // last value on the first level
	level, slope float64
	course       []float64
	rest         float64
}

func (f *finder) stepFit() fit {
	s := fit{from: f.best, course: make([]float64, len(f.y)), rest: f.within(f.best)}
	if !f.known {
		s.level = sample.Mean(f.y[:f.best])
	}
	after := sample.Mean(f.y[f.best:])
	for i := range s.course {
		s.course[i] = s.level
		if i >= f.best {
			s.course[i] = after
		}
	}
	return s
}

// driftFit returns the least-squares fit. The last start leaves two values on the
// slope: with one it would be a step.
func (f *finder) driftFit() fit {
	from, _ := f.bestDrift(f.y)
	n := len(f.y)
	m := float64(n - from)
	sum, sxx := m*(m+1)/2, m*(m+1)*(2*m+1)/6
	sxy := 0.0
	for i := from; i < n; i++ {
		sxy += float64(i-from+1) * f.y[i]
	}
	d := fit{from: from, course: make([]float64, n)}
	mean := 0.0
	if !f.known {
		mean = sample.Mean(f.y)
		sxy -= sum * mean
		sxx -= sum * sum / float64(n)
	}
	d.slope = sxy / sxx
	if !f.known {
		d.level = mean - d.slope*sum/float64(n)
	}
	for i, v := range f.y {
		d.course[i] = d.level + d.slope*math.Max(0, float64(i+1-from))
		d.rest += (v - d.course[i]) * (v - d.course[i])
	}
	return d
}

// bestDrift returns the last value on the level of the best drift of y and the sum
// of squares that it explains.
func (f *finder) bestDrift(y []float64) (from int, gain float64) {
	n := len(y)
	mean := 0.0
	if !f.known {
		for _, v := range y {
			mean += v / float64(n)
		}
	}
	// rest is the sum of the values after k, lever that of (i-k)·y_i.
	rest, lever := 0.0, 0.0
	gain = -1
	for k := n - 1; k >= f.first(); k-- {
		rest += y[k] - mean
		lever += rest
		if k > n-2 {
			continue
		}
		m := float64(n - k)
		sum, sxx := m*(m+1)/2, m*(m+1)*(2*m+1)/6
		if !f.known {
			sxx -= sum * sum / float64(n)
		}
		if g := lever * lever / sxx; g > gain {
			gain, from = g, k
		}
	}
	return from, gain
}

// extreme returns the share of streams drawn around the fit whose log-likelihood
// ratio passes the test, counting the real one.
func (f *finder) extreme(around fit, passes func(logRatio float64) bool) float64 {
	sigma := f.sigma
	if sigma == 0 {
		sigma = f.spread(around.rest)
	}
	y := make([]float64, len(f.y))
	hits := 1
	for _, s := range f.noise.sums {
		mean, whole := 0.0, 0.0
		for i := range y {
			y[i] = around.course[i] + sigma*(s[i+1]-s[i])
			mean += y[i] / float64(len(y))
		}
		if f.known {
			mean = 0
		}
		for i := range y {
			whole += (y[i] - mean) * (y[i] - mean)
		}
		step := 0.0
		for _, c := range contrasts(y, f.known) {
			step = math.Max(step, c*c)
		}
		_, drift := f.bestDrift(y)
		if passes(f.logRatio(whole-step, whole-drift)) {
			hits++
		}
	}
	return float64(hits) / float64(len(f.noise.sums)+1)
}

// spread returns the standard deviation that a sum of squares around a fit means.
func (f *finder) spread(rest float64) float64 { return math.Sqrt(rest / float64(f.freedom())) }

// logRatio returns the log-likelihood of the fit with sum of squares a over that
// with b.
func (f *finder) logRatio(a, b float64) float64 {
	if f.sigma > 0 {
		return (b - a) / (2 * f.sigma * f.sigma)
	}
	floor := dust * f.whole
	return float64(len(f.y)) / 2 * math.Log(math.Max(b, floor)/math.Max(a, floor))
}
