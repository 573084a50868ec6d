package band

import "math"

// coverage is the relative slack at a curve's ends when it is asked whether a
// band lies inside: only rounding is forgiven, nothing is extrapolated.
const coverage = 1e-9

// A Level is the level of one band.
type Level struct {
	DB      float64 // mean power over log-frequency, in dB; NaN when not covered
	Covered bool    // the curve reaches from edge to edge
	// Sparse marks a band in which the curve's points lie further apart than the
	// band is wide: the level is right for the straight line between them, but
	// detail inside the band was never measured.
	Sparse bool
}

// Levels returns the level of each band. The curve must pass Check.
func Levels(c Curve, bands []Band) []Level {
	x := make([]float64, len(c.Hz))
	for i, f := range c.Hz {
		x[i] = math.Log(f)
	}
	out := make([]Level, len(bands))
	for i, b := range bands {
		out[i] = level(c, x, b)
	}
	return out
}

// level integrates the curve, whose log-frequencies are x, over one band.
func level(c Curve, x []float64, b Band) Level {
	n := len(x)
	lo, hi := b.Lower(), b.Upper()
	if n < 2 || lo < c.Hz[0]*(1-coverage) || hi > c.Hz[n-1]*(1+coverage) {
		return Level{DB: math.NaN()}
	}
	a, z := math.Log(lo), math.Log(hi)
	// Anchoring the powers at one level keeps 10^(L/10) in range for any level.
	i := c.segment(lo)
	ref := c.DB[i]
	power, widest := 0.0, 0.0
	for ; i < n && x[i-1] < z; i++ {
		from, to := math.Max(a, x[i-1]), math.Min(z, x[i])
		if gap := x[i] - x[i-1]; gap > widest {
			widest = gap
		}
		if to <= from {
			continue
		}
		power += (to - from) * meanPower(on(c, x, i, from)-ref, on(c, x, i, to)-ref)
	}
	return Level{
		DB:      ref + 10*math.Log10(power/(z-a)),
		Covered: true,
		Sparse:  widest > (z-a)*(1+coverage),
	}
}

// on returns the level at log-frequency v on the segment that ends at point i.
func on(c Curve, x []float64, i int, v float64) float64 {
	return c.DB[i-1] + (c.DB[i]-c.DB[i-1])*(v-x[i-1])/(x[i]-x[i-1])
}

// meanPower returns the mean of 10^(L/10) while L runs straight from l1 to l2 dB:
// 10^(l1/10)·(e^d-1)/d with d the rise in nepers of power.
func meanPower(l1, l2 float64) float64 {
	d := (l2 - l1) * math.Ln10 / 10
	p := math.Pow(10, l1/10)
	if math.Abs(d) < 1e-6 {
		return p * (1 + d/2 + d*d/6)
	}
	return p * math.Expm1(d) / d
}
