package compare

import (
	"fmt"
	"math"

	"alike/spc/sample"
)

// Options say what is believed and what matters. The zero value is usable.
type Options struct {
	// UnequalSpread: do not take the spreads of the groups as equal. The pairs are
	// then compared by Games and Howell instead of Tukey and Kramer.
	UnequalSpread bool
	// Margin is the largest difference of two means that does not matter, in the
	// unit of the values; 0 for none, and nothing is called equivalent.
	Margin     float64
	Confidence float64 // of intervals and decisions; 0 for 0.95
	Unit       string  // of the values, for sentences; may be empty
}

// A Pair compares two groups among several. A is the later of the two, and the
// difference is mean of A minus mean of B.
type Pair struct {
	A, B       string
	Difference float64
	Low, High  float64 // simultaneous over all pairs; NaN when not Tested
	P          float64 // adjusted for all pairs; NaN when not Tested
	Tested     bool    // false when both groups are without spread and the spreads not taken as equal
	// Equivalent: two one-sided Welch tests at 1-confidence put the difference
	// inside the margin. EquivalenceP is theirs, of this pair alone. Both need a
	// margin.
	Equivalent   bool
	EquivalenceP float64
	// Beyond: Welch's interval of this pair alone lies wholly outside the margin: the
	// difference matters. Needs a margin.
	Beyond  bool
	beyondP float64 // of a difference on the margin, both sides
	// Settle is how many values per group would settle the pair, see
	// SettlePerGroup; 0 when it is settled or no number would do.
	Settle int
}

// A Result compares groups of single values.
type Result struct {
	Groups        []Summary
	Method        string // of the pairs: "tukey-kramer" or "games-howell"
	Anova         Anova
	Welch         Test
	BrownForsythe Test
	Bartlett      Test
	Pairs         []Pair
	Conclusion    []string // plain sentences
	Warnings      []string
}

// OneWay compares the groups: analysis of variance and Welch's test of the means,
// Brown-Forsythe and Bartlett tests of the spreads, and every pair with
// simultaneous intervals: Tukey and Kramer (Kramer, Biometrics 12 (1956) 307-310)
// or Games and Howell (J. Educ. Statist. 1 (1976) 113-125). It needs two groups of
// two values, named apart, with some spread within. An error names the group and
// the value.
func OneWay(groups []Group, o Options) (Result, error) {
	return oneWayWith(groups, o, newRanges(len(groups), 1-o.confidence()))
}

func oneWayWith(groups []Group, o Options, q *ranges) (Result, error) {
	if err := o.check(); err != nil {
		return Result{}, err
	}
	d, err := arrange(groups)
	if err != nil {
		return Result{}, err
	}
	if o.Margin > 0 && (o.Margin < 1e-12*d.scale || o.Margin > 1e12*d.scale) {
		return Result{}, fmt.Errorf("margin %v does not go with values that differ by %.3g: check its unit", o.Margin, d.scale)
	}
	r := Result{Anova: d.anova(o.confidence()), Welch: d.welch(), BrownForsythe: d.brownForsythe(), Bartlett: d.bartlett()}
	r.Method = "tukey-kramer"
	if o.UnequalSpread {
		r.Method = "games-howell"
	}
	for i := range groups {
		r.Groups = append(r.Groups, d.summary(i))
	}
	for i := range groups {
		for j := range i {
			r.Pairs = append(r.Pairs, d.pair(i, j, r.Anova, o, q))
		}
	}
	for i := range r.Groups {
		r.Groups[i] = d.rescaled(r.Groups[i])
	}
	r.Anova.rescale(d.scale)
	r.warn(o)
	r.conclude(o)
	return r, nil
}

func (o Options) confidence() float64 {
	if o.Confidence == 0 {
		return 0.95
	}
	return o.Confidence
}

func (o Options) check() error {
	if c := o.confidence(); !(c > 0.5 && c < 1) {
		return fmt.Errorf("confidence %v is not between 0.5 and 1", c)
	}
	if !(o.Margin >= 0 && o.Margin <= sample.Largest) {
		return fmt.Errorf("margin %v is not a number from 0 up: give the largest difference that does not matter", o.Margin)
	}
	return nil
}

// pair compares group i with an earlier group j, in the unit of the values.
func (d data) pair(i, j int, a Anova, o Options, q *ranges) Pair {
	x, y := d.summary(i), d.summary(j)
	p := Pair{A: x.Name, B: y.Name, Difference: x.Mean - y.Mean, Low: math.NaN(), High: math.NaN(), P: math.NaN()}
	se, df := a.ResidualSD*math.Sqrt(1/float64(x.N)+1/float64(y.N)), a.DF2
	welch, err := Welch(x, y, o.confidence())
	if o.UnequalSpread {
		se, df = welch.Error, welch.DF
	}
	if p.Tested = se > 0; p.Tested {
		df = math.Max(1, df)
		half := q.quantile(df) * se / math.Sqrt2
		p.Low, p.High = d.scale*(p.Difference-half), d.scale*(p.Difference+half)
		p.P = q.survival(clamp(math.Abs(p.Difference)/se*math.Sqrt2), df)
	}
	alpha := 1 - o.confidence()
	if o.Margin > 0 {
		p.EquivalenceP, p.beyondP = 1, 1 // when neither group varies, nothing is claimed
		if e, err := Equivalent(x, y, o.Margin/d.scale, alpha); err == nil {
			p.Equivalent, p.EquivalenceP = e.Equivalent, e.P
			p.beyondP = min(1, 2*math.Min(1-e.PLower, 1-e.PUpper))
			p.Beyond = p.beyondP <= alpha
		}
	}
	if err == nil && !p.Equivalent && !(p.Tested && p.P <= alpha) {
		p.Settle, _ = SettlePerGroup(x, y, o.Margin/d.scale, alpha)
	}
	p.Difference *= d.scale
	return p
}

func (r *Result) warn(o Options) {
	alpha := 1 - o.confidence()
	small := r.Groups[0]
	low, high := math.Inf(1), 0.0
	for _, g := range r.Groups {
		if g.N < small.N {
			small = g
		}
		low, high = math.Min(low, g.SD), math.Max(high, g.SD)
	}
	if small.N < 5 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("Group %s has only %d values: its spread is hardly known.", small.Name, small.N))
	}
	if !o.UnequalSpread && r.BrownForsythe.Tested && r.BrownForsythe.P <= alpha {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The spreads differ (Brown-Forsythe p = %.2g), but the intervals take them as equal: ask for unequal spread.", r.BrownForsythe.P))
	} else if !o.UnequalSpread && high > 3*low {
		r.Warnings = append(r.Warnings, "The largest spread is more than three times the smallest, but the intervals take them as equal: ask for unequal spread.")
	}
	if o.UnequalSpread && small.N < 6 {
		r.Warnings = append(r.Warnings, "Intervals for unequal spread are a little too narrow when a group has fewer than 6 values.")
	}
	if low == 0 {
		r.Warnings = append(r.Warnings, "A group does not vary at all: tests that need the spread of each group were not made.")
	}
	if !r.BrownForsythe.Tested {
		r.Warnings = append(r.Warnings, "Whether the spreads differ was not checked: the values lie too evenly around their medians.")
	}
}
