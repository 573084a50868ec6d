package sampling

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A MeanSpread plan accepts a batch when its mean is shown to lie within Tolerance of
// a target and its standard deviation to be at most MostSD: both ends of the
// interval of the mean with confidence 1-2·Risk, and the upper bound of the standard
// deviation with confidence 1-Risk. A batch whose mean lies on the tolerance, or
// whose standard deviation is MostSD, is accepted with a chance of at most Risk.
type MeanSpread struct {
	Sample    int     // ≥ 2
	Tolerance float64 // of the mean around the target, unit of the values
	MostSD    float64 // +Inf when the spread does not matter
	Risk      float64 // the consumer's
}

func (m MeanSpread) check() error {
	switch {
	case m.Sample < 2 || m.Sample > mostSample:
		return fmt.Errorf("sample of %d units: give a number from 2 to %d", m.Sample, mostSample)
	case !(m.Tolerance > 0) || math.IsInf(m.Tolerance, 1):
		return fmt.Errorf("tolerance %v of the mean is not a positive number", m.Tolerance)
	case !(m.MostSD > 0):
		return fmt.Errorf("largest standard deviation %v is not a positive number", m.MostSD)
	case !(m.Risk > 0 && m.Risk < 0.5):
		return fmt.Errorf("consumer's risk %v is not between 0 and 0.5", m.Risk)
	}
	return nil
}

// A Standing is what a sample says about a batch's mean and spread.
type Standing struct {
	MeanLow, MeanHigh float64 // interval of the mean, confidence 1-2·Risk
	SDLow, SDHigh     float64 // bounds of the standard deviation, confidence 1-Risk each
	MeanWithin        bool    // shown to be within the tolerance
	MeanBeyond        bool    // shown to be beyond it
	SpreadWithin      bool
	SpreadBeyond      bool
}

// Accept reports whether mean and spread are both shown to be within.
func (s Standing) Accept() bool { return s.MeanWithin && s.SpreadWithin }

// Refuse reports whether one of them is shown to be beyond. Neither Accept nor
// Refuse means that the sample is too small to tell.
func (s Standing) Refuse() bool { return s.MeanBeyond || s.SpreadBeyond }

// Judge applies the plan to a sample's mean and standard deviation.
func (m MeanSpread) Judge(mean, sd, target float64) (Standing, error) {
	if err := m.check(); err != nil {
		return Standing{}, err
	}
	if !(sd >= 0) || math.IsNaN(mean-target) {
		return Standing{}, fmt.Errorf("mean %v and standard deviation %v are no finite numbers", mean, sd)
	}
	nu := float64(m.Sample - 1)
	half := dist.StudentT{Nu: nu}.QuantileUpper(m.Risk) * sd / math.Sqrt(float64(m.Sample))
	chi := dist.ChiSquared{Nu: nu}
	s := Standing{MeanLow: mean - half, MeanHigh: mean + half}
	s.SDLow, s.SDHigh = sd*math.Sqrt(nu/chi.QuantileUpper(m.Risk)), sd*math.Sqrt(nu/chi.Quantile(m.Risk))
	s.MeanWithin = s.MeanLow >= target-m.Tolerance && s.MeanHigh <= target+m.Tolerance
	s.MeanBeyond = s.MeanLow > target+m.Tolerance || s.MeanHigh < target-m.Tolerance
	s.SpreadWithin, s.SpreadBeyond = s.SDHigh <= m.MostSD, s.SDLow > m.MostSD
	return s, nil
}

// AcceptNormal returns the chance that a normal batch whose mean lies offset from the
// target, with the standard deviation sd, is accepted. Mean and variance of a sample
// are independent, so it is one integral over the sample's standard deviation.
func (m MeanSpread) AcceptNormal(offset, sd float64) (float64, error) {
	if err := m.check(); err != nil {
		return 0, err
	}
	if !(sd > 0) || math.IsInf(sd, 1) || math.IsNaN(offset) || math.IsInf(offset, 0) {
		return 0, fmt.Errorf("offset %v and standard deviation %v: give finite numbers, the second above 0", offset, sd)
	}
	return m.accept(offset, sd), nil
}

func (m MeanSpread) accept(offset, sd float64) float64 {
	nu, root := float64(m.Sample-1), math.Sqrt(float64(m.Sample))
	t, chi := dist.StudentT{Nu: nu}.QuantileUpper(m.Risk), dist.ChiSquared{Nu: nu}
	// Beyond either bound of the sample's standard deviation nothing is accepted.
	most := math.Min(m.MostSD*math.Sqrt(chi.Quantile(m.Risk)/nu), m.Tolerance*root/t)
	last := chi.CDF(nu * most / sd * most / sd)
	// Over u = P(S ≤ s) the integrand runs from 0 to last; Simpson's rule on
	// u = last·v³(10-15v+6v²) evens out the steep ends.
	const steps = 400
	sum := 0.0
	for i := 1; i < steps; i++ { // the weight is zero at both ends
		v := float64(i) / steps
		u, du := last*v*v*v*(10-15*v+6*v*v), last*30*v*v*(1-v)*(1-v)
		s := sd * math.Sqrt(chi.Quantile(u)/nu)
		room := m.Tolerance - t*s/root
		if room <= 0 {
			continue
		}
		w := 2.0
		if i%2 == 1 {
			w = 4
		}
		sum += w * du * dist.NormBetween((-room-offset)*root/sd, (room-offset)*root/sd)
	}
	return sum / (3 * steps)
}

// FindMeanSpread returns the smallest plan that accepts a batch of the given offset
// and standard deviation with a chance of at least 1-producerRisk. It fails when
// that needs more than 10 000 units: the batch to accept then lies too close to the
// limits.
func FindMeanSpread(tolerance, mostSD, consumerRisk, offset, sd, producerRisk float64) (MeanSpread, error) {
	const most = 10_000
	m := MeanSpread{Sample: most, Tolerance: tolerance, MostSD: mostSD, Risk: consumerRisk}
	if !(producerRisk > 0 && producerRisk < 1) {
		return m, fmt.Errorf("producer's risk %v is not between 0 and 1", producerRisk)
	}
	p, err := m.AcceptNormal(offset, sd)
	if err != nil {
		return m, err
	}
	if p < 1-producerRisk {
		return m, fmt.Errorf("a batch that lies %.3g off with a standard deviation of %.3g is not accepted surely enough even with %d units: widen the tolerance or allow more risk", offset, sd, most)
	}
	m.Sample = leastSample(2, most, func(n int) bool {
		k := m
		k.Sample = n
		return k.accept(offset, sd) >= 1-producerRisk
	})
	return m, nil
}
