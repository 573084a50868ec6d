package compare

import (
	"fmt"
	"strings"
)

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
		r.say("%s lies %s %s by %s, within the margin of %s: a real difference, too small to matter.", p.A, word, p.B, o.amount(size), o.amount(o.Margin))
	case p.Equivalent:
		r.say("%s and %s are equivalent within the margin of %s (p = %.2g).", p.A, p.B, o.amount(o.Margin), p.EquivalenceP)
	case shown:
		r.say("%s lies %s %s by %s (%s).", p.A, word, p.B, o.amount(size), o.span(span(p, true), span(p, false)))
	case !p.Tested:
		r.say("%s and %s cannot be compared: neither varies, so that interval and p are undefined.", p.A, p.B)
	case p.Settle > 0:
		r.say("%s minus %s may be anything from %s; about %d values per group would settle it if they go on like this.", p.A, p.B, o.span(p.Low, p.High), p.Settle)
	default:
		r.say("%s minus %s may be anything from %s; no reasonable number of values would settle it if they go on like this.", p.A, p.B, o.span(p.Low, p.High))
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
	r.Conclusion = append(r.Conclusion, sentence(format, args...))
}

func sentence(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// amount writes a value with the unit of the options.
func (o Options) amount(v float64) string {
	return strings.TrimSpace(fmt.Sprintf("%.3g %s", v, o.Unit))
}

func (o Options) span(low, high float64) string {
	return strings.TrimSpace(fmt.Sprintf("%.3g to %.3g %s", low, high, o.Unit))
}

// named lists the bands of which a flag is set, for a sentence: "all 30 bands", "all
// bands but 50 Hz", runs of three and more by their ends. Empty for none.
func (o CurveOptions) named(flags []bool) string {
	set := count(flags)
	switch {
	case set == 0:
		return ""
	case set == len(flags) && set > 1:
		return fmt.Sprintf("all %d bands", set)
	case len(flags)-set <= 3 && set > 2*(len(flags)-set):
		rest := make([]bool, len(flags))
		for i, f := range flags {
			rest[i] = !f
		}
		return "all bands but " + join(o.runs(rest))
	}
	return join(o.runs(flags))
}

// runs names the flagged bands, neighbours by the ends of their run.
func (o CurveOptions) runs(flags []bool) []string {
	var out []string
	for i := 0; i < len(flags); i++ {
		if !flags[i] {
			continue
		}
		end := i
		for end+1 < len(flags) && flags[end+1] {
			end++
		}
		if end-i < 2 {
			out = append(out, o.band(i))
			continue
		}
		out = append(out, o.band(i)+" to "+o.band(end))
		i = end
	}
	return out
}

func join(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
