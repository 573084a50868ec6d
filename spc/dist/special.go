package dist

import "math"

// stirlingRest returns log Γ(a+1) - [(a+½) log a - a + log √(2π)], the part of the
// log gamma function that Stirling's formula leaves out. Differences of log gamma
// functions of large arguments lose digits; differences of this do not (Loader,
// Fast and accurate computation of binomial probabilities, 2000, from memory).
func stirlingRest(a float64) float64 {
	if a < 16 {
		g, _ := math.Lgamma(a + 1)
		return g - (a+0.5)*math.Log(a) + a - logSqrt2Pi
	}
	r := 1 / (a * a)
	return (1.0/12 - r*(1.0/360-r*(1.0/1260-r*(1.0/1680-r*(1.0/1188-r*691.0/360360))))) / a
}

// deviance returns x·log(x/m) + m - x for x ≥ 0, m > 0, without loss when x is
// near m (Loader 2000).
func deviance(x, m float64) float64 {
	if x == 0 {
		return m
	}
	if d := x - m; math.Abs(d) < 0.1*(x+m) {
		v := d / (x + m)
		s := d * v
		t := 2 * x * v
		for k := 3.0; ; k += 2 {
			t *= v * v
			next := s + t/k
			if next == s {
				return s
			}
			s = next
		}
	}
	return x*math.Log(x/m) + m - x
}

// logBinomialPMF returns the logarithm of the binomial probability of x in n with
// chance p, q = 1-p.
func logBinomialPMF(x, n, p, q float64) float64 {
	switch {
	case x < 0 || x > n:
		return math.Inf(-1)
	case p == 0 || q == 0:
		if (p == 0 && x == 0) || (q == 0 && x == n) {
			return 0
		}
		return math.Inf(-1)
	case x == 0:
		return n * math.Log1p(-p)
	case x == n:
		return n * math.Log1p(-q)
	}
	c := stirlingRest(n) - stirlingRest(x) - stirlingRest(n-x) - deviance(x, n*p) - deviance(n-x, n*q)
	return c - logSqrt2Pi - 0.5*math.Log(x/n*(n-x))
}

// logRootChi returns the log density of u = log S, where ν·S² is chi-squared with
// ν degrees of freedom.
func logRootChi(nu, u float64) float64 {
	a := nu / 2
	w := 2 * u
	// a(e^w-1-w), the large terms of the density taken together
	var e float64
	if math.Abs(w) < 0.05 {
		e = w * w / 2 * (1 + w/3*(1+w/4*(1+w/5*(1+w/6*(1+w/7)))))
	} else {
		e = math.Expm1(w) - w
	}
	// Γ(a) = Γ(a+1)/a
	return math.Ln2 + 0.5*math.Log(a) - logSqrt2Pi - stirlingRest(a) - a*e
}
