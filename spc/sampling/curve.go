package sampling

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/dist"
)

// AcceptLot returns the chance that a lot with the given number of defectives is
// accepted: hypergeometric, exact; 1 for a plan that passes all. Errors: a plan or lot that makes no sense, more
// defectives than units.
func (p Plan) AcceptLot(lot, defective int) (float64, error) {
	if err := p.checkLot(lot); err != nil {
		return 0, err
	}
	if defective < 0 || defective > lot {
		return 0, fmt.Errorf("%d defectives in a lot of %d: give a number from 0 to %d", defective, lot, lot)
	}
	return p.acceptLot(lot, defective), nil
}

func (p Plan) acceptLot(lot, defective int) float64 {
	return dist.Hypergeometric{Lot: lot, Marked: defective, Sample: p.Sample}.CDF(p.Accept)
}

// AcceptProcess returns the chance that a lot from a process with the given fraction
// defective is accepted: binomial, exact; 1 for a plan that passes all.
func (p Plan) AcceptProcess(fraction float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := checkFraction("fraction defective", fraction); err != nil {
		return 0, err
	}
	return p.acceptProcess(fraction), nil
}

func (p Plan) acceptProcess(fraction float64) float64 {
	return dist.Binomial{N: p.Sample, P: fraction}.CDF(p.Accept)
}

// A Point is one point of a plan's curves.
type Point struct {
	Defective int     // in the lot; 0 for the curve of a process
	Fraction  float64 // defective
	Accept    float64 // chance to accept
	// Outgoing is the average outgoing quality: the fraction defective left when
	// defectives found are replaced by good units and rejected lots are inspected
	// in full.
	Outgoing float64
	// Inspected is the average total inspection under the same rule, in units.
	Inspected float64
}

// A Curve is the operating characteristic of a plan, and what goes with it.
type Curve struct {
	Points []Point
	// Limit is the average outgoing quality limit, the largest Outgoing there is
	// (not only among the points), and LimitAt the fraction defective it occurs at.
	Limit, LimitAt float64
}

// LotCurve returns the curve of a plan for one lot: a point for every possible
// number of defectives, or about 200 evenly spread ones in larger lots. The average
// outgoing quality is exact: a given defective stays in the lot when it is not drawn
// and the others in the sample do not reject, D/N·(N-n)/N·P(X' ≤ c) with X'
// hypergeometric from the other N-1 units.
func (p Plan) LotCurve(lot int) (Curve, error) {
	if err := errors.Join(p.checkCurve(), p.checkLot(lot)); err != nil {
		return Curve{}, err
	}
	var c Curve
	step := max(1, lot/200)
	for d := 0; d <= lot; d++ {
		out := p.outgoingLot(lot, d)
		if out > c.Limit {
			c.Limit, c.LimitAt = out, float64(d)/float64(lot)
		}
		if d%step != 0 && d != lot {
			continue
		}
		accept := p.acceptLot(lot, d)
		c.Points = append(c.Points, Point{d, float64(d) / float64(lot), accept, out, p.inspected(lot, accept)})
	}
	return c, nil
}

func (p Plan) outgoingLot(lot, d int) float64 {
	if d == 0 || p.Sample == lot {
		return 0
	}
	n := float64(lot)
	others := dist.Hypergeometric{Lot: lot - 1, Marked: d - 1, Sample: p.Sample}
	return float64(d) / n * (n - float64(p.Sample)) / n * others.CDF(p.Accept)
}

func (p Plan) inspected(lot int, accept float64) float64 {
	return float64(p.Sample) + (1-accept)*float64(lot-p.Sample)
}

// ProcessCurve returns the curve of a plan for lots of the given size from a process
// with each of the given fractions defective: Outgoing = p·Pa·(N-n)/N, Inspected =
// n + (1-Pa)(N-n) (e-Handbook 6.2.3). With lot 0 the lots are taken as very large:
// Outgoing is p·Pa and Inspected is left 0.
func (p Plan) ProcessCurve(lot int, fractions []float64) (Curve, error) {
	if err := p.checkCurve(); err != nil {
		return Curve{}, err
	}
	left := 1.0
	if lot != 0 {
		if err := p.checkLot(lot); err != nil {
			return Curve{}, err
		}
		left = float64(lot-p.Sample) / float64(lot)
	}
	var c Curve
	for i, f := range fractions {
		if err := checkFraction(fmt.Sprintf("fraction %d,", i+1), f); err != nil {
			return Curve{}, err
		}
		pt := Point{Fraction: f, Accept: p.acceptProcess(f)}
		pt.Outgoing = f * pt.Accept * left
		if lot != 0 {
			pt.Inspected = p.inspected(lot, pt.Accept)
		}
		c.Points = append(c.Points, pt)
	}
	c.LimitAt = p.worstFraction()
	c.Limit = c.LimitAt * p.acceptProcess(c.LimitAt) * left
	return c, nil
}

// worstFraction maximises p·Pa(p): where Pa + p·Pa' = 0. With Pa' = -(n-c)·C(n,c)·
// p^c·(1-p)^(n-c-1), p·Pa'/Pa falls from 0 without end, so there is one maximum,
// between 0 and 1, found by golden section on the logarithm of a concave curve.
func (p Plan) worstFraction() float64 {
	f := func(x float64) float64 { return math.Log(x) + math.Log(p.acceptProcess(x)) }
	low, high := 0.0, 1.0
	const g = 0.6180339887498949
	a, b := high-g*(high-low), low+g*(high-low)
	fa, fb := f(a), f(b)
	for high-low > 1e-10 {
		if fa > fb {
			high, b, fb = b, a, fa
			a = high - g*(high-low)
			fa = f(a)
		} else {
			low, a, fa = a, b, fb
			b = low + g*(high-low)
			fb = f(b)
		}
	}
	return (low + high) / 2
}
