package runlength

import (
	"fmt"
	"math"
	"math/rand/v2"

	"alike/spc/dist"
)

// CUSUMOneSided returns the average run length of the upper sum alone,
// S = max(0, S + z - k) from a head start, which signals when S > h; k, h and head
// start in sigmas. The lower sum's at shift δ is the upper one's at -δ. Integral
// equation with an atom at zero (Page, Biometrika 41 (1954) 100-115; Goel and Wu,
// Technometrics 13 (1971) 221-230), on Gauss-Legendre nodes.
func CUSUMOneSided(shift, k, h, headStart float64) (Result, error) {
	if err := checkCUSUM(shift, k, h, headStart); err != nil {
		return Result{}, err
	}
	a := sums(shift, k, h, 0, headStart)
	return computed(a[1]), nil
}

// CUSUM returns the average run length of the two-sided chart of chart.CUSUM, both
// sums from the same head start u (0 for none).
//
// With A, B the one-sided averages it is
// (A(u)B(0) + A(0)B(u) - A(0)B(0)) / (A(0) + B(0)) (Lucas and Crosier, Technometrics
// 24 (1982) 199-205). That is exact as long as one sum is back at zero when the
// other signals. Without a head start it always is: while both are above zero they
// lose 2k together at each point. With one they start at 2u together, so u ≤ h/2 + k
// is enough. A higher head start is simulated.
func CUSUM(shift, k, h, headStart float64, s Simulation) (Result, error) {
	if err := checkCUSUM(shift, k, h, headStart); err != nil {
		return Result{}, err
	}
	if headStart > h/2+k {
		return simulateCUSUM(shift, k, h, headStart, s)
	}
	a := sums(shift, k, h, 0, headStart)
	b := sums(-shift, k, h, 0, headStart)
	return computed((share(a) + share(b) - 1) / (1/a[0] + 1/b[0])), nil
}

// share is A(u)/A(0), which stays a number where A is too large to multiply: a side
// that never signals from zero does not from a head start either.
func share(a []float64) float64 {
	if math.IsInf(a[0], 1) {
		return 1
	}
	return a[1] / a[0]
}

// summing is the walk of an upper sum.
func summing(shift, k float64) walk {
	return walk{
		density: func(u, y float64) float64 { return dist.NormPDF(y - u + k - shift) },
		leave:   func(u, limit float64) float64 { return dist.NormSurvival(limit - u + k - shift) },
		low:     func(float64) float64 { return 0 },
		atom:    func(u float64) float64 { return dist.NormCDF(k - u - shift) },
		sd:      1,
	}
}

// sums returns the one-sided averages from several starts.
func sums(shift, k, h float64, starts ...float64) []float64 {
	w := summing(shift, k)
	places := w.places(h)
	average := w.average(places, h)
	out := make([]float64, len(starts))
	for i, u := range starts {
		out[i] = w.from(u, places, average)
	}
	return out
}

func simulateCUSUM(shift, k, h, headStart float64, s Simulation) (Result, error) {
	return s.average(func(rng *rand.Rand) func() bool {
		up, down := headStart, headStart
		return func() bool {
			z := rng.NormFloat64() + shift
			up, down = math.Max(0, up+z-k), math.Max(0, down-z-k)
			return up > h || down > h
		}
	})
}

// largestH keeps the integral equation within a second.
const largestH = 200

func checkCUSUM(shift, k, h, headStart float64) error {
	if err := checkShift(shift); err != nil {
		return err
	}
	switch {
	case !(k >= 0 && k <= 100):
		return fmt.Errorf("k %v is not between 0 and 100 sigmas", k)
	case !(h > 0 && h <= largestH):
		return fmt.Errorf("h %v is not above 0 and at most %d sigmas", h, largestH)
	case !(headStart >= 0 && headStart <= h):
		return fmt.Errorf("head start %v is not between 0 and h = %v sigmas", headStart, h)
	}
	return nil
}
