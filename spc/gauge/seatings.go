package gauge

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// SeatingLimit returns the largest difference between the seatings of one attempt
// that repeatability explains: the sd of one seating times the quantile of the
// studentized range (Tukey 1953; tables e.g. in the NIST/SEMATECH e-Handbook 7.4.7.1)
// that good seatings exceed with the given risk in any of so many places, freedom being
// the degrees of freedom of sd (Bonferroni over the places).
func SeatingLimit(sd, freedom float64, seatings, places int, risk float64) (float64, error) {
	switch {
	case !(sd >= 0) || math.IsInf(sd, 0):
		return 0, fmt.Errorf("repeatability %v is not a standard deviation", sd)
	case !(freedom >= 1):
		return 0, fmt.Errorf("repeatability with %v degrees of freedom is not known well enough", freedom)
	case seatings < 2 || seatings > 200:
		return 0, fmt.Errorf("%d seatings cannot be compared: take 2 to 200", seatings)
	case places < 1:
		return 0, fmt.Errorf("%d places: compare at least one", places)
	case !(risk > 0 && risk < 1):
		return 0, fmt.Errorf("risk %v is not between 0 and 1", risk)
	}
	return sd * dist.StudentizedRange{Groups: seatings, Nu: freedom}.QuantileUpper(risk/float64(places)), nil
}

// RepeatFreedom returns the degrees of freedom behind the variance of
// repeatability, those of the pooled error when the interaction was joined to it.
func (s Study) RepeatFreedom() float64 {
	freedom := 0.0
	for _, r := range s.Anova {
		if r.Source == "repeatability" || r.Source == "pooled error" { // the pooled one comes last
			freedom = float64(r.DF)
		}
	}
	return freedom
}

// A Cost says what a unit costs at the gauge, in any one unit of time or money.
type Cost struct {
	Unit    float64 // once per unit: fetch, note, put away
	Seating float64 // each seating, sweeps of all channels included
}

// A SeatingChoice is what a number of seatings gives.
type SeatingChoice struct {
	Seatings int
	Sigma    float64 // that measuring adds to a unit's mean, dB
	Gain     float64 // share by which the last seating lowered Sigma; 0 for the first
	Charted  float64 // standard deviation of a charted point, parts and measuring together, dB
	// Effort is the cost of knowing the line's mean as well as one costless perfect
	// reading per unit would, relative to one seating: cost times variance of a point.
	Effort float64
}

// Worth says how many seatings are worth taking, from 1 to most.
type Worth struct {
	Choices []SeatingChoice
	// Best has the least Effort: for a given time at the gauge the mean of the line
	// is then known best. This is the optimum number of subsamples of two-stage
	// sampling, near √(cost of a unit · repeatability / (cost of a seating · all other
	// variance)) (Cochran, Sampling Techniques, 3rd ed. 1977, section 10.6, from memory).
	Best int
	// Floor is what no number of seatings goes below: the reproducibility, dB.
	Floor float64
}

// Worth computes it from a study's variances.
func (s Study) Worth(most int, c Cost) (Worth, error) {
	if most < 1 || most > 200 {
		return Worth{}, fmt.Errorf("%d seatings: ask for 1 to 200", most)
	}
	if !(c.Unit >= 0) || !(c.Seating > 0) || math.IsInf(c.Unit+c.Seating, 0) {
		return Worth{}, fmt.Errorf("costs %v per unit and %v per seating: give positive numbers of one unit", c.Unit, c.Seating)
	}
	w := Worth{Floor: math.Sqrt(s.Variance.Reproducibility)}
	for n := 1; n <= most; n++ {
		x := SeatingChoice{Seatings: n, Sigma: s.SigmaFor(n)}
		x.Charted = math.Sqrt(s.Variance.Part + x.Sigma*x.Sigma)
		x.Effort = (c.Unit + float64(n)*c.Seating) * x.Charted * x.Charted
		if n > 1 {
			x.Gain = 1 - x.Sigma/w.Choices[n-2].Sigma
		}
		w.Choices = append(w.Choices, x)
		if w.Best == 0 || x.Effort < w.Choices[w.Best-1].Effort*(1-1e-12) {
			w.Best = n
		}
	}
	first := w.Choices[0].Effort
	for i := range w.Choices {
		w.Choices[i].Effort /= first
	}
	return w, nil
}

// GuardBand returns the width in dB by which a limit has to be tightened so that a
// unit accepted right at the tightened limit lies beyond the tolerance with the given
// risk, nothing else being known of it: z(1-risk) times the sigma that measuring
// adds with so many seatings (JCGM 106:2012, 8.3.2; one limit at a time).
func (s Study) GuardBand(seatings int, risk float64) (float64, error) {
	if !(risk > 0 && risk <= 0.5) {
		return 0, fmt.Errorf("risk %v is not above 0 and up to 0.5", risk)
	}
	return dist.NormQuantileUpper(risk) * s.SigmaFor(seatings), nil
}
