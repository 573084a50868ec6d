package multi

import (
	"fmt"

	"alike/spc/dist"
)

// DefaultAlpha is the chance of a false alarm per point, that of three sigmas on
// one normal variable.
const DefaultAlpha = 0.0027

// PhaseI returns the T² that a row of a baseline of m rows exceeds with chance
// alpha when it is measured by that baseline's own mean and Sample covariance:
// (m-1)²/m · Beta(p/2, (m-p-1)/2) (Tracy, Young and Mason, J. Quality Technology 24
// (1992) 88-95; e-Handbook 6.5.4.3). It needs m ≥ p+2.
func PhaseI(m, p int, alpha float64) (float64, error) {
	if err := checkLimit(m, p, p+2, alpha); err != nil {
		return 0, err
	}
	return phaseI(float64(m), float64(p), alpha), nil
}

func phaseI(m, p, alpha float64) float64 {
	return (m - 1) * (m - 1) / m * dist.Beta{A: p / 2, B: (m - p - 1) / 2}.QuantileUpper(alpha)
}

// PhaseII returns the T² that a new row exceeds with chance alpha when it is
// measured by a baseline of m rows: p(m+1)(m-1)/(m(m-p)) · F(p, m-p) (sources as
// PhaseI). It needs m ≥ p+1.
func PhaseII(m, p int, alpha float64) (float64, error) {
	if err := checkLimit(m, p, p+1, alpha); err != nil {
		return 0, err
	}
	return ahead(1, float64(m), float64(m-1), float64(p), alpha), nil
}

// ahead is the limit of n·(x̄-c)'S⁻¹(x̄-c) for the mean of n new rows, a centre of N
// earlier rows and S of ν degrees of freedom independent of both: the difference
// has the covariance Σ(1/n+1/N), so the limit is n(1/n+1/N)·pν/(ν-p+1)·F(p, ν-p+1).
func ahead(n, rows, nu, p, alpha float64) float64 {
	return (1 + n/rows) * hotelling(nu, p, alpha)
}

// within is the same for a subgroup that is part of the N rows: Σ(1/n-1/N).
func within(n, rows, nu, p, alpha float64) float64 {
	return (1 - n/rows) * hotelling(nu, p, alpha)
}

func hotelling(nu, p, alpha float64) float64 {
	return p * nu / (nu - p + 1) * dist.F{D1: p, D2: nu - p + 1}.QuantileUpper(alpha)
}

func checkLimit(m, p, least int, alpha float64) error {
	if p < 1 || p > MaxColumns {
		return fmt.Errorf("%d columns: give 1 to %d", p, MaxColumns)
	}
	if m < least {
		return fmt.Errorf("%d rows for %d columns: a limit needs at least %d", m, p, least)
	}
	return checkAlpha(alpha)
}

func checkAlpha(alpha float64) error {
	if !(alpha >= 1e-9 && alpha <= 0.5) {
		return fmt.Errorf("alpha %v is not between 1e-9 and 0.5", alpha)
	}
	return nil
}
