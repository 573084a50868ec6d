package conformance

import (
	"math"
	"slices"

	"alike/spc/dist"
)

// Risks are the global risks of an inspection: shares of all units made.
type Risks struct {
	Consumer float64 // outside the tolerance and accepted
	Producer float64 // within the tolerance and rejected
	// Conforming and Accepted are the shares within the tolerance and accepted;
	// Accepted = Conforming - Producer + Consumer.
	Conforming, Accepted float64
	// BadAmongAccepted is Consumer/Accepted, what the customer sees; 0 when nothing
	// is accepted.
	BadAmongAccepted float64
}

// Global returns the global consumer's and producer's risk (JCGM 106:2012, 9.5) of
// accepting units whose reading lies within accept, for units from process p read
// with standard uncertainty u:
//
//	R_C = ∫ outside tolerance  P(accept|y)·f(y) dy
//	R_P = ∫ within tolerance   P(reject|y)·f(y) dy
//
// by adaptive quadrature with break points where the integrands are steep; relative
// error below 1e-9 for u/SD from 1e-6 to 10 (testdata/risk.csv). Limits more than 38
// standard deviations away count as infinitely far.
func Global(p Process, u float64, tolerance, accept Limits) (Risks, error) {
	if err := p.check(); err != nil {
		return Risks{}, err
	}
	if err := checkU(u); err != nil {
		return Risks{}, err
	}
	if err := tolerance.check("tolerance"); err != nil {
		return Risks{}, err
	}
	if err := accept.check("acceptance"); err != nil {
		return Risks{}, err
	}
	return p.global(u, tolerance, accept), nil
}

func (p Process) standard(l Limits) Limits {
	return Limits{(l.Lower - p.Mean) / p.SD, (l.Upper - p.Mean) / p.SD}
}

func (p Process) global(u float64, tolerance, accept Limits) Risks {
	t, a, r := p.standard(tolerance), p.standard(accept), u/p.SD
	passed := func(y float64) float64 {
		return dist.NormPDF(y) * dist.NormBetween((a.Lower-y)/r, (a.Upper-y)/r)
	}
	failed := func(y float64) float64 {
		return dist.NormPDF(y) * dist.NormOutside((a.Lower-y)/r, (a.Upper-y)/r)
	}
	marks := breaks(t, a, r)
	risks := Risks{
		Consumer:   over(passed, marks, -reach, t.Lower) + over(passed, marks, t.Upper, reach),
		Producer:   over(failed, marks, t.Lower, t.Upper),
		Conforming: dist.NormBetween(t.Lower, t.Upper),
	}
	// The reading itself is normal with variance s²+u².
	all := math.Hypot(1, r)
	risks.Accepted = dist.NormBetween(a.Lower/all, a.Upper/all)
	if risks.Accepted > 0 {
		risks.BadAmongAccepted = math.Min(1, risks.Consumer/risks.Accepted)
	}
	return risks
}

// reach is where the standard normal density underflows.
const reach = 38.0

// breaks are the places where an integrand changes on a scale of its own: the body
// of the process, the limits of the tolerance, and the acceptance limits, across
// which acceptance goes from 1 to 0 within a few measurement errors.
func breaks(t, a Limits, r float64) []float64 {
	marks := []float64{-12, -9, -6, -4, -2.5, -1, 0, 1, 2.5, 4, 6, 9, 12}
	for _, x := range [4]float64{t.Lower, t.Upper, a.Lower, a.Upper} {
		if math.IsInf(x, 0) {
			continue
		}
		marks = append(marks, x)
		for _, s := range [6]float64{0.7, 1.5, 3, 5, 8, 12} {
			marks = append(marks, x-s*r, x+s*r)
			// the density alone falls off within 1/|x| out there
			marks = append(marks, x-s/(1+math.Abs(x)), x+s/(1+math.Abs(x)))
		}
	}
	slices.Sort(marks)
	return slices.Compact(marks)
}

// over integrates f from a to b, within reach, with the marks between as breaks.
func over(f func(float64) float64, marks []float64, a, b float64) float64 {
	a, b = math.Max(a, -reach), math.Min(b, reach)
	if a >= b {
		return 0
	}
	pts := []float64{a}
	for _, m := range marks {
		if m > a && m < b {
			pts = append(pts, m)
		}
	}
	return dist.Integrate(f, append(pts, b), 1e-11)
}
