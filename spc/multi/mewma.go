package multi

import (
	"fmt"

	"alike/spc/chart"
	"alike/spc/runlength"
)

// DefaultARL is the average run length in control for which MEWMA sets its limit,
// that of the printed tables.
const DefaultARL = 200

// MEWMAOptions steer a multivariate EWMA chart.
type MEWMAOptions struct {
	Lambda   float64 // weight of the newest row, above 0 and at most 1; no default
	Limit    float64 // 0: computed for ARL
	ARL      float64 // average run length in control; 0 for DefaultARL
	Steady   bool    // covariance of a long run from the first point on
	Baseline int     // first so many rows set centre and covariance; 0 for all
	Kind     Kind    // of the covariance; "" for Sample
	Model    *Model  // a frozen model; Baseline and Kind are not used
}

// MEWMA returns the chart of Tᵢ² = qᵢ'Vᵢ⁻¹qᵢ with qᵢ = λ(xᵢ-c) + (1-λ)qᵢ₋₁ and
// Vᵢ = λ/(2-λ)·(1-(1-λ)²ⁱ)·Σ, without the last factor when Steady (Lowry, Woodall,
// Champ and Rigdon, Technometrics 34 (1992) 46-53). It signals above the limit.
//
// The limit is that of runlength.MEWMALimit, for known mean and covariance. With an
// estimated model the chart signals more often, and far more often when rows are
// few for the columns; a warning says so. With a Shrunk covariance that limit has
// no meaning, so Limit must be given. Each point's Center is zero: the median
// changes from point to point.
func MEWMA(rows [][]float64, o MEWMAOptions) (Chart, error) {
	if !(o.Lambda > 0 && o.Lambda <= 1) {
		return Chart{}, fmt.Errorf("lambda %v is not above 0 and at most 1", o.Lambda)
	}
	p, err := checkRows(rows, 1)
	if err != nil {
		return Chart{}, err
	}
	m, _, err := Options{Baseline: o.Baseline, Kind: o.Kind, Model: o.Model}.model(rows, p)
	if err != nil {
		return Chart{}, err
	}
	upper, arl, err := o.limit(m)
	if err != nil {
		return Chart{}, err
	}
	c := start("mewma", m, len(rows))
	c.ARL = arl
	if m.Kind != Known && m.N < 20*p+100 {
		c.Warnings = append(c.Warnings[:len(c.Warnings):len(c.Warnings)], fmt.Sprintf("The limit holds for a known covariance; with %d rows for %d columns the chart signals more often than stated.", m.N, p))
	}
	q, z := make([]float64, p), make([]float64, p)
	for i, r := range rows {
		f := chart.EWMAFactor(o.Lambda, i+1, o.Steady)
		for j, x := range r {
			q[j] += o.Lambda * ((x-m.Center[j])/m.scale[j] - q[j])
			z[j] = q[j] / f
		}
		c.put(i, m.length(z), limit{upper: upper})
	}
	return c, nil
}

// limit returns the limit and the run length it was set for, 0 when it was given.
func (o MEWMAOptions) limit(m *Model) (upper, arl float64, err error) {
	switch {
	case o.Limit != 0:
		if !(o.Limit > 0 && o.Limit <= 1e6) {
			return 0, 0, fmt.Errorf("limit %v is not above 0 and at most 1e6", o.Limit)
		}
		return o.Limit, 0, nil
	case m.Kind == Shrunk:
		return 0, 0, fmt.Errorf("the limit for a known covariance does not fit a shrunk one: give a limit")
	}
	if arl = o.ARL; arl == 0 {
		arl = DefaultARL
	}
	upper, err = runlength.MEWMALimit(len(m.Center), o.Lambda, arl, o.Steady)
	return upper, arl, err
}
