package conformance

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Guard is a pair of acceptance limits inside the tolerance.
type Guard struct {
	Accept Limits
	// Lower and Upper are the guard bands in units of u, ≥ 0; 0 on a side without
	// limit.
	Lower, Upper float64
	// Risks are the global risks with these limits; zero when no process is given.
	Risks Risks
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

// GlobalGuard returns the narrowest guard band, the same on both sides, that keeps
// the global consumer's risk (share of all units made that are bad and accepted) at
// or below wanted. It is never negative: when the tolerance limits themselves keep
// the risk, they are returned with a warning.
func GlobalGuard(p Process, u float64, tolerance Limits, wanted float64) (Guard, error) {
	if err := checkWanted(wanted, 1); err != nil {
		return Guard{}, err
	}
	risks, err := Global(p, u, tolerance, tolerance)
	if err != nil {
		return Guard{}, err
	}
	if risks.Consumer <= wanted {
		g := guard(tolerance, u, tolerance)
		g.Risks = risks
		g.Warnings = []string{fmt.Sprintf("No guard band is needed: the tolerance limits themselves keep the consumer's risk at %.2g.", risks.Consumer)}
		return g, nil
	}
	g := guard(tolerance, u, tighten(tolerance, p.globalBand(u, tolerance, wanted)))
	g.Risks = p.global(u, tolerance, g.Accept)
	g.Warnings = g.caution(nil)
	return g, nil
}

// globalBand solves for the width of the guard band. With two limits the search is
// on the logarithm of what is left of the half tolerance, so that the limits can
// come as near to each other as it takes.
func (p Process) globalBand(u float64, t Limits, wanted float64) float64 {
	excess := func(width float64) float64 {
		c := p.global(u, t, tighten(t, width)).Consumer
		return math.Log(math.Max(c, 1e-320)) - math.Log(wanted)
	}
	half := (t.Upper - t.Lower) / 2
	if math.IsInf(half, 0) {
		return dist.Root(func(w float64) float64 { return -excess(w) }, u, u/2)
	}
	f := func(v float64) float64 { // v = log(left/half), at most 0
		if v >= 0 {
			return excess(0)
		}
		return excess(half * -math.Expm1(v))
	}
	return half * -math.Expm1(math.Min(0, dist.Root(f, -0.1, 0.1)))
}

// tighten moves both limits inwards.
func tighten(t Limits, width float64) Limits {
	a := Limits{t.Lower + width, t.Upper - width}
	if a.Lower >= a.Upper { // rounding at the middle
		m := (t.Lower + t.Upper) / 2
		a = Limits{m, math.Nextafter(m, math.Inf(1))}
	}
	return a
}

// SpecificGuard returns the acceptance limits at which a unit accepted right there
// has just the wanted risk to be outside the tolerance, with nothing else known of
// it. For one limit the guard band is z_{1-wanted}·u (1.645·u for 5 %). It fails
// when even a reading in the middle of the tolerance carries more risk.
func SpecificGuard(u float64, tolerance Limits, wanted float64) (Guard, error) {
	if err := checkWanted(wanted, 0.5); err != nil {
		return Guard{}, err
	}
	if err := checkReading(0, u, tolerance); err != nil {
		return Guard{}, err
	}
	risk := func(y float64) float64 { return chance(y, u, tolerance).Outside }
	return specific(risk, middle(tolerance), u, u, tolerance, wanted)
}

// SpecificGuardFrom is SpecificGuard for units from a known process. The bands on
// the two sides differ when the process is off centre, and are never negative: where
// the process is so good that a reading beyond the tolerance would still be safe,
// the tolerance limit itself is returned with a warning.
func SpecificGuardFrom(p Process, u float64, tolerance Limits, wanted float64) (Guard, error) {
	if err := checkWanted(wanted, 0.5); err != nil {
		return Guard{}, err
	}
	if err := p.check(); err != nil {
		return Guard{}, err
	}
	if err := checkReading(0, u, tolerance); err != nil {
		return Guard{}, err
	}
	risk := func(y float64) float64 {
		mean, sd := p.posterior(y, u)
		return chance(mean, sd, tolerance).Outside
	}
	// the reading whose posterior mean is in the middle of the tolerance
	r := u / p.SD
	m := middle(tolerance)
	best := m + (m-p.Mean)*r*r
	g, err := specific(risk, best, u, math.Hypot(u, p.SD)*math.Hypot(1, r), tolerance, wanted)
	if err == nil {
		g.Risks = p.global(u, tolerance, g.Accept)
		g.Warnings = g.caution(g.Warnings)
	}
	return g, err
}

// middle is the safest true value; with one limit any far one is.
func middle(t Limits) float64 {
	switch {
	case math.IsInf(t.Lower, -1):
		return math.Inf(-1)
	case math.IsInf(t.Upper, 1):
		return math.Inf(1)
	}
	return t.Lower + (t.Upper-t.Lower)/2
}

// specific finds where risk, which falls from the lower limit to best and rises to
// the upper one, crosses wanted.
func specific(risk func(float64) float64, best, u, step float64, t Limits, wanted float64) (Guard, error) {
	if !math.IsInf(best, 0) && risk(best) > wanted {
		return Guard{}, fmt.Errorf("even the safest reading has risk %.3g, above the %.3g wanted: lower the uncertainty (more seatings), widen the tolerance or allow more risk", risk(best), wanted)
	}
	excess := func(y float64) float64 { return math.Log(math.Max(risk(y), 1e-320)) - math.Log(wanted) }
	a := t
	var warn []string
	edge := func(limit float64, inwards float64) float64 {
		// A search beyond best would cross the other limit; there the risk is known to
		// be low enough, so the search sees it as low.
		f := func(d float64) float64 {
			y := limit + inwards*d
			if !math.IsInf(best, 0) && (best-y)*inwards < 0 {
				return 1
			}
			return -excess(y)
		}
		if f(0) >= 0 {
			if f(-1e-9*step) > 0 {
				warn = append(warn, fmt.Sprintf("At the tolerance limit %v the process itself keeps the risk: no guard band is needed there.", limit))
			}
			return limit
		}
		return limit + inwards*dist.Root(f, 0, step/4)
	}
	if !math.IsInf(t.Lower, -1) {
		a.Lower = edge(t.Lower, 1)
	}
	if !math.IsInf(t.Upper, 1) {
		a.Upper = edge(t.Upper, -1)
	}
	if a.Lower >= a.Upper {
		return Guard{}, fmt.Errorf("no reading within the tolerance keeps the risk of %.3g wanted: the process mean is too far off; centre it or lower the uncertainty", wanted)
	}
	g := guard(t, u, a)
	g.Warnings = warn
	return g, nil
}

func guard(t Limits, u float64, a Limits) Guard {
	g := Guard{Accept: a}
	if !math.IsInf(t.Lower, -1) {
		g.Lower = (a.Lower - t.Lower) / u
	}
	if !math.IsInf(t.Upper, 1) {
		g.Upper = (t.Upper - a.Upper) / u
	}
	return g
}

func (g Guard) caution(warnings []string) []string {
	if g.Risks.Producer > 0.2*g.Risks.Conforming {
		warnings = append(warnings, fmt.Sprintf("The guard band rejects %.0f %% of the good units: a lower uncertainty (more seatings) would save most of them.", 100*g.Risks.Producer/g.Risks.Conforming))
	}
	return warnings
}

func checkWanted(wanted, most float64) error {
	if !(wanted > 0 && wanted < most) {
		return fmt.Errorf("wanted risk %v is not between 0 and %v: give a fraction such as 0.05", wanted, most)
	}
	return nil
}
