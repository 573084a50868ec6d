package chart

import (
	"errors"
	"math"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A SelfStart judges each value by all before it, while mean and sigma are still
// unknown. The score of the i-th value is
//
//	Qᵢ = Φ⁻¹( T_{i-2}( √((i-1)/i)·(xᵢ-x̄ᵢ₋₁)/sᵢ₋₁ ) )
//
// with T_ν Student's distribution function (Quesenberry, J. Quality Technology 23
// (1991) 213-224, case of unknown mean and variance; Hawkins, The Statistician 36
// (1987) 299-315). While the process stands still the scores from the third value
// on are independent standard normal, exactly, whatever mean and sigma are. After
// a shift they drift back to zero as the new level is learnt: a shift among the
// first values is seen at once or not at all. The zero value is ready for use.
type SelfStart struct {
	n          int
	mean, rest float64 // running mean and sum of squared deviations
}

// Score returns the score of a value without learning it, and whether there is
// one: not before two values are learnt, nor while those learnt are all equal. The
// value must be within sample.Largest.
func (s *SelfStart) Score(x float64) (q float64, ok bool) {
	e, ok := s.Freeze()
	if !ok {
		return 0, false
	}
	return e.Score(x), true
}

// Learn adds a value to mean and sigma (Welford's update). A caller may leave out
// values that a finding explains.
func (s *SelfStart) Learn(x float64) {
	s.n++
	d := x - s.mean
	s.mean += d / float64(s.n)
	s.rest += d * (x - s.mean)
}

// Freeze returns what was learnt as an estimate, whose Sigma is the standard
// deviation over c4. Its Score of the next value is the self-starting score, so
// that handing over to frozen limits makes no jump, whatever the size of the
// baseline. Not ok when there is no score yet.
func (s *SelfStart) Freeze() (e Estimate, ok bool) {
	if s.n < 2 {
		return Estimate{}, false
	}
	sd := math.Sqrt(s.rest / float64(s.n-1))
	e = Estimate{N: s.n, Center: s.mean, Sigma: sd / C4(s.n), SD: sd, Freedom: float64(s.n - 1)}
	if s.n < 20 {
		e.Warnings = []string{fewUnits(s.n)}
	}
	return e, sd > 1e-13*math.Abs(s.mean) && sd > 1/sample.Largest
}

// Score returns x standardised by the estimate's predictive distribution,
//
//	Φ⁻¹( T_ν( √(N/(N+1))·(x-Center)/(c·Sigma) ) ),  ν = Freedom
//
// which is standard normal for a new value of the same process: exactly when Sigma
// comes from a standard deviation, nearly when it comes from moving ranges. The
// mean c = √(2/ν)·Γ((ν+1)/2)/Γ(ν/2) of a standard deviation takes back that Sigma
// is free of bias. The score tends to (x-Center)/Sigma as the baseline grows.
// Scores by one frozen estimate share its error and are not independent.
func (e Estimate) Score(x float64) float64 {
	n, nu := float64(e.N), e.Freedom
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	c := math.Sqrt(2/nu) * math.Exp(a-b)
	t := math.Sqrt(n/(n+1)) * (x - e.Center) / (c * e.Sigma)
	far := dist.StudentT{Nu: nu}.Survival(math.Abs(t))
	// Beyond 1e-300 the normal scale has no number left to tell values apart.
	return math.Copysign(dist.NormQuantileUpper(math.Max(far, 1e-300)), t)
}

// scores returns the self-starting scores of a stream and the index from 0 of the
// value each belongs to.
func scores(xs []float64) (q []float64, at []int, err error) {
	if err := sample.Check(xs, 3); err != nil {
		return nil, nil, err
	}
	s := SelfStart{}
	for i, x := range xs {
		if v, ok := s.Score(x); ok {
			q, at = append(q, v), append(at, i)
		}
		s.Learn(x)
	}
	if q == nil {
		return nil, nil, ErrNoSpread
	}
	return q, at, nil
}

// SelfStarting returns the chart of the scores of SelfStart, which needs no
// baseline: centre 0, sigma 1, from the third value on (later while values do not
// vary, with a warning). Center, Sigma and Baseline of the options must be unset.
// All values are learnt, also those that fire.
func SelfStarting(xs []float64, o Options) (Chart, error) {
	if err := errors.Join(o.check(), unset(o.Center, o.Sigma, o.Baseline)); err != nil {
		return Chart{}, err
	}
	q, at, err := scores(xs)
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: "self-starting", Sigma: 1, Points: make([]Point, len(q)), Warnings: late(at)}
	for i, v := range q {
		c.Points[i] = Point{Index: at[i] + 1, Value: v, Sigma: 1}
	}
	mark(c.Points, o)
	return c, nil
}

// SelfStartingCUSUM returns the CUSUM of the scores of SelfStart (Hawkins 1987),
// centre 0 and sigma 1; run lengths in control are those of a CUSUM with known
// parameters, exactly. Center, Sigma and Baseline must be unset. A sum climbs while
// a shift is new; a signal not acted upon dies away as the new level is learnt.
func SelfStartingCUSUM(xs []float64, o CUSUMOptions) (Chart, error) {
	if err := unset(o.Center, o.Sigma, o.Baseline); err != nil {
		return Chart{}, err
	}
	q, at, err := scores(xs)
	if err != nil {
		return Chart{}, err
	}
	zero, one := 0.0, 1.0
	o.Center, o.Sigma = &zero, &one
	c, err := CUSUM(q, o)
	if err != nil {
		return Chart{}, err
	}
	c.Kind, c.Warnings = "self-starting-cusum", late(at)
	for i := range c.Points {
		c.Points[i].Index = at[i] + 1
	}
	return c, nil
}

func unset(center, sigma *float64, baseline int) error {
	if center != nil || sigma != nil || baseline != 0 {
		return errors.New("a self-starting chart learns centre and sigma as it goes: leave centre, sigma and baseline unset")
	}
	return nil
}

// late warns when the first values gave no score because they did not vary.
func late(at []int) []string {
	if at[0] > 2 {
		return []string{"The first values do not vary: scores begin late, and the first few are coarse."}
	}
	return nil
}
