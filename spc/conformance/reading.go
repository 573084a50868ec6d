package conformance

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Chance is what one reading says about its unit.
type Chance struct {
	Conforming float64 // probability that the true value is within the tolerance
	// Outside is 1-Conforming with its own digits: the specific consumer's risk if
	// the unit is accepted. If it is rejected, Conforming is the specific
	// producer's risk.
	Outside float64
}

// Reading returns the conformance probability of one reading with nothing else
// known of the unit: Y ~ N(reading, u²) (JCGM 106:2012, 7.2 to 7.4).
func Reading(reading, u float64, tolerance Limits) (Chance, error) {
	if err := checkReading(reading, u, tolerance); err != nil {
		return Chance{}, err
	}
	return chance(reading, u, tolerance), nil
}

// ReadingFrom is Reading for a unit from a known process: Y is then normal with mean
// m + w(reading-m), w = s²/(s²+u²), and standard deviation u·√w (JCGM 106:2012, 7.2).
func ReadingFrom(p Process, reading, u float64, tolerance Limits) (Chance, error) {
	if err := p.check(); err != nil {
		return Chance{}, err
	}
	if err := checkReading(reading, u, tolerance); err != nil {
		return Chance{}, err
	}
	mean, sd := p.posterior(reading, u)
	return chance(mean, sd, tolerance), nil
}

func checkReading(reading, u float64, tolerance Limits) error {
	if !finite(reading) {
		return fmt.Errorf("reading %v is not a usable number: measure again", reading)
	}
	if err := checkU(u); err != nil {
		return err
	}
	return tolerance.check("tolerance")
}

// posterior takes the ratio u/s first, so that neither square can overflow.
func (p Process) posterior(reading, u float64) (mean, sd float64) {
	r := u / p.SD
	w := 1 / (1 + r*r)
	// mean = w·reading + (1-w)·m, with 1-w = r²/(1+r²) free of cancellation
	rest := 1 / (1 + 1/(r*r))
	return w*reading + rest*p.Mean, u * math.Sqrt(w)
}

func chance(mean, sd float64, t Limits) Chance {
	a, b := (t.Lower-mean)/sd, (t.Upper-mean)/sd
	return Chance{dist.NormBetween(a, b), dist.NormOutside(a, b)}
}
