package dist

import "math"

// A NoncentralT is the distribution of (Z+Delta)/S, Z standard normal and S² an
// independent chi-squared over its degrees of freedom Nu.
//
// It is integrated as P(T > t) = E[Φ(Delta - t·S)] and P(T ≤ t) = E[Φ(t·S - Delta)]
// over log S, two integrals of positive functions with one peak, so neither tail
// loses digits however large Delta is. The usual series in incomplete beta
// functions (Lenth, Appl. Statist. 38 (1989) 185-189) underflows for
// Delta > 38 and has terms of both signs in one tail.
type NoncentralT struct {
	Nu    float64 // degrees of freedom, > 0 (proven for 1 and up); +Inf gives a shifted normal
	Delta float64 // noncentrality, any finite value (proven to 100)
}

func (d NoncentralT) check() {
	need(d.Nu > 0, "noncentral t needs Nu > 0, has %v", d.Nu)
	need(!math.IsNaN(d.Delta) && !math.IsInf(d.Delta, 0), "noncentral t needs a finite Delta, has %v", d.Delta)
}

// logTail returns log E[Φ(sign·(t·S - Delta))].
func (d NoncentralT) logTail(t, sign float64) float64 {
	if math.IsInf(d.Nu, 1) {
		return NormLogCDF(sign * (t - d.Delta))
	}
	logf := func(u float64) float64 {
		return logRootChi(d.Nu, u) + NormLogCDF(sign*(t*math.Exp(u)-d.Delta))
	}
	return math.Min(0, integratePeak(logf, 0, 1/math.Sqrt(2*d.Nu), 1e-13))
}

func (d NoncentralT) tail(t float64, upper bool) float64 {
	d.check()
	if p, ok := edge(t, math.Inf(-1), math.Inf(1), upper); ok {
		return p
	}
	if upper {
		return math.Exp(d.logTail(t, -1))
	}
	return math.Exp(d.logTail(t, 1))
}

// CDF returns P(T ≤ t).
func (d NoncentralT) CDF(t float64) float64 { return d.tail(t, false) }

// Survival returns P(T > t).
func (d NoncentralT) Survival(t float64) float64 { return d.tail(t, true) }

// Quantile returns the t with CDF(t) = p.
func (d NoncentralT) Quantile(p float64) float64 { return d.quantile(p, false) }

// QuantileUpper returns the t with Survival(t) = q.
func (d NoncentralT) QuantileUpper(q float64) float64 { return d.quantile(q, true) }

func (d NoncentralT) quantile(p float64, upper bool) float64 {
	d.check()
	return onLine(d.tail, d.Delta, p, upper)
}
