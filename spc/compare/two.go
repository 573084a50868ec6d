package compare

import (
	"fmt"
	"math"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Difference is that of two means, a minus b, with its interval.
type Difference struct {
	Difference float64
	Error      float64 // standard error
	DF         float64
	T          float64
	P          float64 // two-sided
	Low, High  float64
}

// Welch compares two means without taking the spreads as equal, degrees of freedom
// by Welch and Satterthwaite (Welch, Biometrika 34 (1947) 28-35). It needs two
// values each and some spread.
func Welch(a, b Summary, confidence float64) (Difference, error) {
	if err := checkTwo(a, b, confidence); err != nil {
		return Difference{}, err
	}
	// Relative to the larger spread, so that squares stay in range.
	unit := math.Max(a.SD, b.SD)
	va, vb := a.SD/unit*(a.SD/unit)/float64(a.N), b.SD/unit*(b.SD/unit)/float64(b.N)
	df := (va + vb) * (va + vb) / (va*va/float64(a.N-1) + vb*vb/float64(b.N-1))
	return difference(a.Mean-b.Mean, unit*math.Sqrt(va+vb), df, confidence), nil
}

// Pooled compares two means by Student's t, taking the spreads as equal.
func Pooled(a, b Summary, confidence float64) (Difference, error) {
	if err := checkTwo(a, b, confidence); err != nil {
		return Difference{}, err
	}
	unit := math.Max(a.SD, b.SD)
	fa, fb := float64(a.N-1), float64(b.N-1)
	sd := math.Sqrt((fa*(a.SD/unit)*(a.SD/unit) + fb*(b.SD/unit)*(b.SD/unit)) / (fa + fb))
	return difference(a.Mean-b.Mean, unit*sd*math.Sqrt(1/float64(a.N)+1/float64(b.N)), fa+fb, confidence), nil
}

func difference(d, se, df, confidence float64) Difference {
	t := dist.StudentT{Nu: df}
	half := t.QuantileUpper((1-confidence)/2) * se
	x := clamp(d / se)
	return Difference{d, se, df, x, 2 * t.Survival(math.Abs(x)), d - half, d + half}
}

func clamp(x float64) float64 { return math.Max(-math.MaxFloat64, math.Min(math.MaxFloat64, x)) }

func checkTwo(a, b Summary, confidence float64) error {
	for _, s := range []Summary{a, b} {
		switch {
		case s.N < 2:
			return fmt.Errorf("group %q has %d values: at least 2 are needed", s.Name, s.N)
		case math.IsNaN(s.Mean) || math.Abs(s.Mean) > sample.Largest:
			return fmt.Errorf("group %q has the mean %v: give a finite number", s.Name, s.Mean)
		case !(s.SD >= 0 && s.SD <= sample.Largest):
			return fmt.Errorf("group %q has the standard deviation %v: give a number from 0 up", s.Name, s.SD)
		}
	}
	if a.SD == 0 && b.SD == 0 {
		return ErrNoSpread
	}
	if !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	return nil
}

// An Equivalence says whether a difference is smaller than a margin.
type Equivalence struct {
	Margin         float64
	TLower, TUpper float64 // against -margin and +margin
	PLower, PUpper float64
	P              float64 // the larger of the two
	Low, High      float64 // interval with confidence 1-2·alpha; inside the margin when equivalent
	Equivalent     bool    // P ≤ alpha
}

// Equivalent runs two one-sided t tests (Schuirmann, J. Pharmacokin. Biopharm. 15
// (1987) 657-680) at the level alpha on the difference of two means, spreads not
// taken as equal. The margin is the largest difference that does not matter.
func Equivalent(a, b Summary, margin, alpha float64) (Equivalence, error) {
	if !(margin > 0 && margin <= sample.Largest) {
		return Equivalence{}, fmt.Errorf("margin %v is not a positive number: give the largest difference that does not matter", margin)
	}
	if !(alpha > 0 && alpha < 0.5) {
		return Equivalence{}, fmt.Errorf("level %v is not between 0 and 0.5", alpha)
	}
	d, err := Welch(a, b, 1-2*alpha)
	if err != nil {
		return Equivalence{}, err
	}
	t := dist.StudentT{Nu: d.DF}
	e := Equivalence{Margin: margin, Low: d.Low, High: d.High}
	e.TLower, e.TUpper = clamp((d.Difference+margin)/d.Error), clamp((d.Difference-margin)/d.Error)
	e.PLower, e.PUpper = t.Survival(e.TLower), t.CDF(e.TUpper)
	e.P = math.Max(e.PLower, e.PUpper)
	e.Equivalent = e.P <= alpha
	return e, nil
}

// mostPerGroup is where the search for a sample size gives up.
const mostPerGroup = 100000

// SettlePerGroup returns how many values per group would settle a comparison with
// a chance of about four in five, if difference and spreads are as they are in a
// and b: with a margin, that the interval of 1-2·alpha lies on one side of it
// (equivalent, or certainly beyond); without (0), that the difference is shown at
// the level alpha. Zero means more than 100000: the difference lies too close to
// the line. Normal-theory planning with t quantiles, (t₁₋α + t₀.₈)·se ≤ distance.
func SettlePerGroup(a, b Summary, margin, alpha float64) (int, error) {
	return settle(a, b, margin, alpha, 0.8)
}

// settle is SettlePerGroup with another chance.
func settle(a, b Summary, margin, alpha, chance float64) (int, error) {
	if err := checkTwo(a, b, 1-alpha); err != nil {
		return 0, err
	}
	if !(margin >= 0 && margin <= sample.Largest) {
		return 0, fmt.Errorf("margin %v is not a number from 0 up", margin)
	}
	unit := math.Max(a.SD, b.SD)
	distance, tail := math.Abs(a.Mean-b.Mean)/unit, alpha/2
	if margin > 0 {
		if distance < margin/unit {
			tail = alpha
		}
		distance = math.Abs(margin/unit - distance)
	}
	ra, rb := a.SD/unit*(a.SD/unit), b.SD/unit*(b.SD/unit)
	enough := func(n int) bool {
		f := float64(n)
		df := (f - 1) * (ra + rb) * (ra + rb) / (ra*ra + rb*rb)
		t := dist.StudentT{Nu: df}
		return (t.QuantileUpper(tail)+t.QuantileUpper(1-chance))*math.Sqrt((ra+rb)/f) <= distance
	}
	// The normal quantiles give a number that is a little too small.
	z := dist.NormQuantileUpper(tail) + dist.NormQuantileUpper(1-chance)
	least := math.Max(2, math.Floor(z*z*(ra+rb)/(distance*distance)))
	if !(least <= mostPerGroup) {
		return 0, nil
	}
	for n := int(least); n <= mostPerGroup; n++ {
		if enough(n) {
			return n, nil
		}
	}
	return 0, nil
}
