package dist

import "math"

// A Binomial is the number of successes in N ≥ 0 independent trials of chance P
// within 0 to 1.
type Binomial struct {
	N int
	P float64
}

func (d Binomial) tail(c int, upper bool) float64 {
	need(d.N >= 0, "binomial needs N ≥ 0, has %d", d.N)
	checkProbability(d.P)
	switch {
	case c < 0:
		return indicator(upper)
	case c >= d.N:
		return indicator(!upper)
	case d.P == 0 || d.P == 1:
		return indicator((d.P == 0) != upper)
	}
	return betaTail(float64(c+1), float64(d.N-c), d.P, 1-d.P, !upper)
}

// CDF returns P(X ≤ c).
func (d Binomial) CDF(c int) float64 { return d.tail(c, false) }

// Survival returns P(X > c).
func (d Binomial) Survival(c int) float64 { return d.tail(c, true) }

// A Poisson is the Poisson distribution with Mean ≥ 0.
type Poisson struct{ Mean float64 }

func (d Poisson) tail(c int, upper bool) float64 {
	need(d.Mean >= 0 && !math.IsInf(d.Mean, 1), "Poisson needs a finite Mean ≥ 0, has %v", d.Mean)
	switch {
	case c < 0:
		return indicator(upper)
	case d.Mean == 0:
		return indicator(!upper)
	}
	return gammaTail(float64(c+1), d.Mean, !upper)
}

// CDF returns P(X ≤ c).
func (d Poisson) CDF(c int) float64 { return d.tail(c, false) }

// Survival returns P(X > c).
func (d Poisson) Survival(c int) float64 { return d.tail(c, true) }

// A Hypergeometric is the number of marked items in a Sample drawn without
// replacement from a Lot that holds Marked of them. It needs 0 ≤ Marked ≤ Lot,
// 0 ≤ Sample ≤ Lot, and is proven for lots up to a million.
//
// A tail is a sum of probabilities from its near end outwards, each from the one
// before by an exact ratio, the first by Loader's saddle-point form, so that even
// a tail of 1e-200 keeps its digits.
type Hypergeometric struct{ Lot, Marked, Sample int }

func (d Hypergeometric) check() {
	need(d.Lot >= 0 && d.Marked >= 0 && d.Marked <= d.Lot && d.Sample >= 0 && d.Sample <= d.Lot,
		"hypergeometric needs 0 ≤ marked, sample ≤ lot, has %d, %d, %d", d.Marked, d.Sample, d.Lot)
}

// least and most are the ends of the support.
func (d Hypergeometric) least() int { return max(0, d.Sample-(d.Lot-d.Marked)) }
func (d Hypergeometric) most() int  { return min(d.Sample, d.Marked) }

// Prob returns P(X = x).
func (d Hypergeometric) Prob(x int) float64 {
	d.check()
	if x < d.least() || x > d.most() {
		return 0
	}
	if d.Sample == 0 || d.Sample == d.Lot {
		return 1
	}
	n, k, s, v := float64(d.Lot), float64(d.Marked), float64(d.Sample), float64(x)
	p, q := s/n, (n-s)/n
	return math.Exp(logBinomialPMF(v, k, p, q) + logBinomialPMF(s-v, n-k, p, q) - logBinomialPMF(s, n, p, q))
}

// CDF returns P(X ≤ c).
func (d Hypergeometric) CDF(c int) float64 { l, _ := d.Tails(c); return l }

// Survival returns P(X > c).
func (d Hypergeometric) Survival(c int) float64 { _, u := d.Tails(c); return u }

// Tails returns P(X ≤ c) and P(X > c).
func (d Hypergeometric) Tails(c int) (lower, upper float64) {
	d.check()
	switch {
	case c < d.least():
		return 0, 1
	case c >= d.most():
		return 1, 0
	}
	if float64(c) < float64(d.Sample)*float64(d.Marked)/float64(d.Lot) {
		lower = math.Min(1, d.sumDown(c))
		return lower, 1 - lower
	}
	upper = math.Min(1, d.sumUp(c+1))
	return 1 - upper, upper
}

func (d Hypergeometric) sumDown(x int) float64 {
	term := d.Prob(x)
	sum := term
	for ; x > d.least() && term > sum*1e-18; x-- {
		term *= float64(x) * float64(d.Lot-d.Marked-d.Sample+x) / (float64(d.Marked-x+1) * float64(d.Sample-x+1))
		sum += term
	}
	return sum
}

func (d Hypergeometric) sumUp(x int) float64 {
	term := d.Prob(x)
	sum := term
	for ; x < d.most() && term > sum*1e-18; x++ {
		term *= float64(d.Marked-x) * float64(d.Sample-x) / (float64(x+1) * float64(d.Lot-d.Marked-d.Sample+x+1))
		sum += term
	}
	return sum
}

// ProportionInterval returns the exact two-sided interval of Clopper and Pearson
// (Biometrika 26 (1934) 404-413) for the chance behind x successes in n trials,
// with at least the stated confidence. It panics unless 0 ≤ x ≤ n, n ≥ 1 and
// 0 < confidence < 1.
func ProportionInterval(x, n int, confidence float64) (low, high float64) {
	need(n >= 1 && x >= 0 && x <= n, "proportion needs 0 ≤ x ≤ n, n ≥ 1, has %d of %d", x, n)
	need(confidence > 0 && confidence < 1, "confidence %v is not between 0 and 1", confidence)
	half := (1 - confidence) / 2
	high = 1
	if x > 0 {
		low = Beta{float64(x), float64(n - x + 1)}.Quantile(half)
	}
	if x < n {
		high = Beta{float64(x + 1), float64(n - x)}.QuantileUpper(half)
	}
	return low, high
}
