package compare

import "fmt"

// conclude writes what was found, and only that: a difference that was not shown
// is stated as how large it may be.
func (r *Result) conclude(o Options) {
	alpha := 1 - o.confidence()
	main := r.Anova.Test
	if o.UnequalSpread && r.Welch.Tested {
		main = r.Welch
	}
	if main.P <= alpha {
		r.say("The group means differ (p = %.2g).", main.P)
	} else {
		r.say("No difference between the group means is shown (p = %.2g); that does not mean there is none.", main.P)
	}
	if b := r.BrownForsythe; b.Tested && b.P <= alpha {
		r.say("The groups scatter differently (p = %.2g).", b.P)
	} else if b.Tested {
		r.say("No difference in spread is shown (p = %.2g).", b.P)
	}
	for _, p := range r.Pairs {
		r.concludePair(p, o, alpha)
	}
}

func (r *Result) concludePair(p Pair, o Options, alpha float64) {
	shown := p.Tested && p.P <= alpha
	word := "above"
	size := p.Difference
	if size < 0 {
		word, size = "below", -size
	}
	switch {
	case p.Equivalent && shown:
		r.say("%s lies %s %s by %.3g, within the margin of %.3g: a real difference, too small to matter.", p.A, word, p.B, size, o.Margin)
	case p.Equivalent:
		r.say("%s and %s are equivalent within the margin of %.3g (p = %.2g).", p.A, p.B, o.Margin, p.EquivalenceP)
	case shown:
		r.say("%s lies %s %s by %.3g (%.3g to %.3g).", p.A, word, p.B, size, span(p, true), span(p, false))
	case !p.Tested:
		r.say("%s and %s cannot be compared: neither varies, so that interval and p are undefined.", p.A, p.B)
	case p.Settle > 0:
		r.say("%s minus %s may be anything from %.3g to %.3g; about %d values per group would settle it if they go on like this.", p.A, p.B, p.Low, p.High, p.Settle)
	default:
		r.say("%s minus %s may be anything from %.3g to %.3g; no reasonable number of values would settle it if they go on like this.", p.A, p.B, p.Low, p.High)
	}
}

// span returns the ends of the interval of the size of a shown difference.
func span(p Pair, least bool) float64 {
	low, high := p.Low, p.High
	if p.Difference < 0 {
		low, high = -high, -low
	}
	if least {
		return low
	}
	return high
}

func (r *Result) say(format string, args ...any) {
	r.Conclusion = append(r.Conclusion, fmt.Sprintf(format, args...))
}
