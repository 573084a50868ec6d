package dist

import "math"

// A tailFunc gives P(X ≤ x), or P(X > x) when upper is set.
type tailFunc func(x float64, upper bool) float64

// atEnd answers a quantile at probability 0 or 1 with the end of the support.
func atEnd(p float64, upper bool, least, most float64) (float64, bool) {
	checkProbability(p)
	switch {
	case p == 0 && !upper, p == 1 && upper:
		return least, true
	case p == 1, p == 0:
		return most, true
	}
	return 0, false
}

// onPositive inverts a distribution on 0 to +Inf by searching on log x.
func onPositive(tail tailFunc, guess, p float64, upper bool) float64 {
	if end, ok := atEnd(p, upper, 0, math.Inf(1)); ok {
		return end
	}
	f := func(v float64, upper bool) float64 { return tail(math.Exp(v), upper) }
	return math.Exp(invert(f, math.Log(guess), 0.5, p, upper))
}

// onLine inverts a distribution on the whole line by searching on arcsinh x:
// heavy tails reach 1e10 in a few doublings, and small x stay exact.
func onLine(tail tailFunc, guess, p float64, upper bool) float64 {
	if end, ok := atEnd(p, upper, math.Inf(-1), math.Inf(1)); ok {
		return end
	}
	f := func(v float64, upper bool) float64 { return tail(math.Sinh(v), upper) }
	return math.Sinh(invert(f, math.Asinh(guess), 0.5, p, upper))
}

// invert finds x with P(X ≤ x) = p, or P(X > x) = p when upper is set. It works
// on the logarithm of whichever tail is the smaller at the answer, so that a
// quantile at 1e-10 is as exact as the median. Guess is a first x, step the first
// stride of the bracket.
func invert(tail tailFunc, guess, step, p float64, upper bool) float64 {
	if p > 0.5 {
		p, upper = 1-p, !upper // 1-p is exact here
	}
	logp := math.Log(p)
	f := func(x float64) float64 {
		d := clampLog(safeLog(tail(x, upper)) - logp)
		if upper {
			return -d
		}
		return d
	}
	return Root(f, guess, step)
}

func safeLog(p float64) float64 {
	if p <= 0 {
		return -1e4 // below the logarithm of the smallest float64
	}
	return math.Log(p)
}

func clampLog(x float64) float64 { return math.Max(-1e4, math.Min(1e4, x)) }

// Root finds the root of an increasing function by a doubling bracket followed
// by Chandrupatla's method (Adv. Eng. Software 28 (1997) 145-149, from memory).
// When the function has no root within the range of float64 it returns the end
// that it reached.
func Root(f func(float64) float64, guess, step float64) float64 {
	a, fa := guess, f(guess)
	if fa == 0 {
		return a
	}
	sign := 1.0
	if fa > 0 {
		sign = -1
	}
	b, fb := a, fa
	for range 1100 {
		a, fa = b, fb
		b = a + sign*step
		step *= 2
		if fb = f(b); fb*sign >= 0 || math.IsInf(b, 0) {
			break
		}
	}
	if fb == 0 || math.IsInf(b, 0) {
		return b
	}
	return chandrupatla(f, a, fa, b, fb)
}

// chandrupatla narrows a bracket [a, b] with f(a)·f(b) < 0 to rounding error.
func chandrupatla(f func(float64) float64, a, fa, b, fb float64) float64 {
	c, fc := a, fa
	t := 0.5
	best := a
	for range 200 {
		x := a + t*(b-a)
		fx := f(x)
		if math.Signbit(fx) == math.Signbit(fa) {
			c, fc = a, fa
		} else {
			c, b, fc, fb = b, a, fb, fa
		}
		a, fa = x, fx
		best = a
		if math.Abs(fb) < math.Abs(fa) {
			best = b
		}
		tol := (2*0x1p-52*math.Abs(best) + 1e-300) / math.Abs(b-c)
		if fa == 0 || fb == 0 || tol > 0.5 || b == a {
			break
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		} else {
			t = 0.5
		}
		t = math.Max(tol, math.Min(1-tol, t))
	}
	return best
}
