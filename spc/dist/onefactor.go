package dist

import (
	"math"
	"slices"
)

// OneFactorBox returns the probability that X_i = λ_i·Z + √(1-λ_i²)·E_i, with Z and
// all E_i independent standard normals, lies within low_i ≤ X_i ≤ high_i for all i:
// one integral over Z of a product (Dunnett and Sobel 1955), to 1e-10 of Inside and
// of Outside alike. Equal correlation r ≥ 0 is λ_i = √r; independence is λ_i = 0.
// It panics when the lengths differ or |λ_i| > 1; a NaN or reversed limit is the
// caller's to refuse.
func OneFactorBox(loads, low, high []float64) BoxProbability {
	need(len(loads) == len(low) && len(low) == len(high), "loadings and limits have lengths %d, %d, %d", len(loads), len(low), len(high))
	b := factorBox{rest: make([]float64, len(loads)), loads: loads, low: low, high: high, from: math.Inf(-1), to: math.Inf(1)}
	alone := true
	for i, l := range loads {
		need(math.Abs(l) <= 1, "loading %v is beyond ±1", l)
		b.rest[i] = math.Sqrt((1 - l) * (1 + l))
		alone = alone && l == 0
		if b.rest[i] == 0 { // X_i is ±Z itself: it bounds the integral
			lo, hi := low[i]/l, high[i]/l
			b.from, b.to = math.Max(b.from, math.Min(lo, hi)), math.Min(b.to, math.Max(lo, hi))
		}
	}
	if alone {
		out := -math.Expm1(b.logInside(0))
		return BoxProbability{Inside: math.Exp(b.logInside(0)), Outside: out, Error: 1e-10, Method: "independent"}
	}
	if b.from >= b.to {
		return BoxProbability{Outside: 1, Error: 1e-10, Method: "one-factor"}
	}
	return b.integrate()
}

type factorBox struct {
	loads, rest, low, high []float64
	from, to               float64
}

// logInside returns the log probability of the box given Z = z.
func (b factorBox) logInside(z float64) float64 {
	sum := 0.0
	for i, l := range b.loads {
		r := b.rest[i]
		if r == 0 {
			continue
		}
		lo, hi := (b.low[i]-l*z)/r, (b.high[i]-l*z)/r
		if out := NormOutside(lo, hi); out < 0.5 {
			sum += math.Log1p(-out)
		} else {
			sum += math.Log(NormBetween(lo, hi))
		}
	}
	return sum
}

func (b factorBox) integrate() BoxProbability {
	breaks := b.breaks()
	in := Integrate(func(z float64) float64 { return NormPDF(z) * math.Exp(b.logInside(z)) }, breaks, 1e-12)
	out := Integrate(func(z float64) float64 { return NormPDF(z) * -math.Expm1(b.logInside(z)) }, breaks, 1e-12)
	out += NormOutside(b.from, b.to)
	// Far outside limits the panels do not reach: keep the pair adding to one.
	if in < 0.5 {
		out = 1 - in
	} else {
		in = 1 - out
	}
	return BoxProbability{Inside: in, Outside: out, Error: 1e-10, Method: "one-factor"}
}

// breaks splits the line where a strongly loaded variable crosses its limits,
// which is where the integrand is steep.
func (b factorBox) breaks() []float64 {
	const reach = 38.0 // φ underflows beyond
	from, to := math.Max(-reach, b.from), math.Min(reach, b.to)
	if to <= from {
		return []float64{from}
	}
	marks := []float64{from, to}
	for _, m := range []float64{-20, -12, -9, -7, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 7, 9, 12, 20} {
		marks = append(marks, m)
	}
	for i, l := range b.loads {
		if math.Abs(l) < 0.7 {
			continue
		}
		for _, e := range [2]float64{b.low[i] / l, b.high[i] / l} {
			w := b.rest[i] / math.Abs(l)
			marks = append(marks, e-6*w, e-2*w, e, e+2*w, e+6*w)
		}
	}
	slices.Sort(marks)
	out := []float64{from}
	for _, m := range marks {
		if m > from && m <= to && (m-out[len(out)-1] > 0.02 || m == to) {
			out = append(out, m)
		}
	}
	return out
}
