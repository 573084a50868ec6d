package tolerance

import (
	"fmt"

	"alike/spc/dist"
)

// Ranks returns the tightest distribution-free interval: which of n ranked values
// to take so that with the stated confidence at least the coverage of all units
// lies within (Wilks, Ann. Math. Statist. 12 (1941) 91-96). With n = 0 it answers
// for the smallest n that reaches the confidence.
//
// Cutting off m values in all (m/2 at each end for two sides, the odd one below)
// gives confidence P(at least m of n beyond the coverage) = P(Bin(n, 1-p) ≥ m),
// whatever the distribution, as long as it is continuous; ties make it larger. When
// even the extremes fall short, they are returned with the confidence they have and
// a warning. The confidence of the extremes is told in any case.
func Ranks(n int, coverage, confidence float64, sides int) (Result, error) {
	if n < 0 {
		return Result{}, fmt.Errorf("number of units %d is negative: give 0 for the smallest number that suffices", n)
	}
	if err := check(max(n, sides), sides, coverage, confidence, sides); err != nil {
		return Result{}, err
	}
	needed, err := smallest(coverage, confidence, sides)
	if err != nil {
		return Result{}, err
	}
	if n == 0 {
		n = needed
	}
	if err := check(n, sides, coverage, confidence, sides); err != nil {
		return Result{}, err
	}
	m := sides
	for m < n && beyond(n, m+1, coverage) >= confidence {
		m++
	}
	r := Result{Method: Order, N: n, Needed: needed, ConfidenceAchieved: beyond(n, m, coverage), Extremes: beyond(n, sides, coverage)}
	if sides == 1 {
		r.FromBelow, r.FromAbove = m, m
	} else {
		r.FromBelow, r.FromAbove = (m+1)/2, m/2
	}
	if n < needed {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The confidence achieved is %.4g, below the %.4g asked for: %d units are needed without an assumed distribution, there are %d.",
			r.ConfidenceAchieved, confidence, needed, n))
	}
	return r, nil
}

// beyond returns the chance that at least m of n units lie beyond the coverage.
func beyond(n, m int, coverage float64) float64 {
	return dist.Binomial{N: n, P: 1 - coverage}.Survival(m - 1)
}

// mostUnits bounds the search: nobody measures a billion units.
const mostUnits = 1 << 30

// smallest returns the least n whose extremes reach the confidence.
func smallest(coverage, confidence float64, sides int) (int, error) {
	high := sides
	for beyond(high, sides, coverage) < confidence {
		if high *= 2; high > mostUnits {
			return 0, fmt.Errorf("coverage %v with confidence %v needs more than a billion units: ask for less", coverage, confidence)
		}
	}
	low := max(sides-1, high/2)
	for high-low > 1 {
		mid := (low + high) / 2
		if beyond(mid, sides, coverage) >= confidence {
			high = mid
		} else {
			low = mid
		}
	}
	return high, nil
}
