package runlength

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/chart"
	"alike/spc/dist"
)

// MaxVariables bounds the number of variables of a chart over several.
const MaxVariables = 500

// T2 returns the average run length of a T² chart of p variables with known mean
// and covariance that signals above limit: 1/P(χ²_p(distance²) > limit). Distance
// is the length of the shift in standard deviations, √(δ'Σ⁻¹δ), times √n for means
// of n.
func T2(p int, limit, distance float64) (Result, error) {
	if err := checkSeveral(p, limit, distance); err != nil {
		return Result{}, err
	}
	return inverse(survivalFar(limit, p, distance*distance)), nil
}

// MEWMA returns the average run length of a multivariate EWMA chart (Lowry,
// Woodall, Champ and Rigdon, Technometrics 34 (1992) 46-53) of p variables with
// known mean and covariance: qᵢ = λxᵢ + (1-λ)qᵢ₋₁ from the centre, a signal when
// qᵢ'Σ⁻¹qᵢ exceeds limit times the variance factor λ/(2-λ)·(1-(1-λ)²ⁱ), without
// the last factor when steady. Distance as in T2.
//
// Without a shift the length of qᵢ is a Markov process by itself, and its integral
// equation (Rigdon, J. Statist. Comput. Simul. 52 (1995) 351-365) is solved like
// that of EWMA. With a shift the chart is simulated; for one variable, or lambda 1,
// it is an EWMA or T² chart and is computed.
func MEWMA(p int, lambda, limit, distance float64, steady bool, s Simulation) (Result, error) {
	if err := errors.Join(checkSeveral(p, limit, distance), checkLambda(lambda)); err != nil {
		return Result{}, err
	}
	if lambda == 1 {
		return T2(p, limit, distance)
	}
	if p == 1 && limit <= 400 {
		return EWMA(distance, lambda, math.Sqrt(limit), steady, s)
	}
	radius := math.Sqrt(limit) * chart.EWMAFactor(lambda, 1, true)
	limits := widening(radius, lambda, steady)
	if distance == 0 && !tooLong(radius, radialSD*lambda, len(limits)) {
		return computed(radial(p, lambda, radius).rising(0, limits)), nil
	}
	return simulateMEWMA(p, lambda, distance, limits, s)
}

// radialSD is the spread of one step of the length over λ: 1/√2 from the centre in
// many dimensions, up to 1 far out.
const radialSD = 0.7

// radial is the walk of the length r of q without a shift: the next one, over λ, is
// the length of a normal vector whose mean has length (1-λ)r/λ.
func radial(p int, lambda, radius float64) walk {
	law := newLengths(p, radius*radius*(1-lambda)/(lambda*lambda))
	back := (1 - lambda) / lambda
	return walk{
		density: func(r, y float64) float64 { return law.density(y/lambda, back*r) / lambda },
		leave: func(r, limit float64) float64 {
			return survivalFar(limit*limit/(lambda*lambda), p, back*r*back*r)
		},
		low: func(float64) float64 { return 0 },
		sd:  radialSD * lambda,
	}
}

func simulateMEWMA(p int, lambda, distance float64, limits []float64, s Simulation) (Result, error) {
	filled, err := s.fill()
	if err != nil {
		return Result{}, err
	}
	if s.Points == 0 { // a point costs p numbers
		filled.Points = max(1000, filled.Points/p)
	}
	q := make([]float64, p)
	return filled.average(func(rng *rand.Rand) func() bool {
		clear(q)
		i := 0
		return func() bool {
			sum := 0.0
			for j := range q {
				x := rng.NormFloat64()
				if j == 0 {
					x += distance
				}
				q[j] += lambda * (x - q[j])
				sum += q[j] * q[j]
			}
			limit := limits[min(i, len(limits)-1)]
			i++
			return sum > limit*limit
		}
	})
}

// MEWMALimit returns the limit at which MEWMA has the given average run length
// without a shift, for p variables, from the integral equation.
func MEWMALimit(p int, lambda, arl float64, steady bool) (float64, error) {
	if err := errors.Join(checkSeveral(p, 1, 0), checkLambda(lambda)); err != nil {
		return 0, err
	}
	if !(arl >= 2 && arl <= 1e9) {
		return 0, fmt.Errorf("average run length %v is not between 2 and 1e9", arl)
	}
	hi := dist.ChiSquared{Nu: float64(p)}.QuantileUpper(1 / arl) // of T², lambda 1
	if lambda == 1 {
		return hi, nil
	}
	var err error
	off := func(limit float64) float64 {
		r, failed := MEWMA(p, lambda, limit, 0, steady, Simulation{Runs: 2, Points: 2000})
		if failed != nil || r.Method == Simulated {
			err = fmt.Errorf("lambda %v is too small for a computed limit: use a larger one, or steady limits", lambda)
		}
		return math.Log(r.ARL / arl)
	}
	lo := hi / 2
	for off(lo) > 0 && err == nil {
		lo /= 2
	}
	for off(hi) < 0 && err == nil { // neighbouring averages are alike, so it should not
		hi *= 1.2
	}
	if err != nil {
		return 0, err
	}
	return root(off, lo, hi), err
}

// root finds the zero of a rising function between lo and hi to 1e-8 of it, by
// false position, halving the weight of an end that stays (Illinois).
func root(f func(float64) float64, lo, hi float64) float64 {
	a, b := f(lo), f(hi)
	kept := 0
	for range 60 {
		x := (lo*b - hi*a) / (b - a)
		y := f(x)
		if y == 0 || hi-lo < 1e-8*hi || math.Abs(y) < 1e-9 {
			return x
		}
		if y < 0 {
			lo, a = x, y
			if kept == 1 {
				b /= 2
			}
			kept = 1
		} else {
			hi, b = x, y
			if kept == -1 {
				a /= 2
			}
			kept = -1
		}
	}
	return (lo + hi) / 2
}

func checkSeveral(p int, limit, distance float64) error {
	switch {
	case p < 1 || p > MaxVariables:
		return fmt.Errorf("%d variables: give 1 to %d", p, MaxVariables)
	case !(limit > 0 && limit <= 1e6):
		return fmt.Errorf("limit %v is not above 0 and at most 1e6", limit)
	case !(distance >= 0 && distance <= 1000):
		return fmt.Errorf("distance %v is not between 0 and 1000 sigmas", distance)
	}
	return nil
}

func checkLambda(lambda float64) error {
	if !(lambda > 0 && lambda <= 1) {
		return fmt.Errorf("lambda %v is not above 0 and at most 1", lambda)
	}
	return nil
}
