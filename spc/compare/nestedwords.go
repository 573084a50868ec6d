package compare

// conclude says what the batches tell of the suppliers, and only that.
func (r *NestedResult) conclude(o Options) {
	alpha := 1 - o.confidence()
	say := func(format string, args ...any) { r.Conclusion = append(r.Conclusion, sentence(format, args...)) }
	if !r.Supplier.Tested {
		say("Nothing can be said of the suppliers themselves: how their batches differ is not known.")
		return
	}
	if r.Batch.P <= alpha {
		say("Batches of the same supplier differ (p = %.2g): %.0f %% of the variance is between them.", r.Batch.P, 100*r.Share)
	} else {
		say("No difference between batches of the same supplier is shown (p = %.2g).", r.Batch.P)
	}
	if r.Supplier.P <= alpha {
		say("The suppliers differ by more than their batches do (p = %.2g).", r.Supplier.P)
	} else {
		say("No difference between the suppliers is shown beyond what their batches differ by (p = %.2g); that does not mean there is none.", r.Supplier.P)
	}
	for _, p := range r.Pairs {
		r.concludePair(p, o, alpha, say)
	}
}

func (r *NestedResult) concludePair(p Pair, o Options, alpha float64, say func(string, ...any)) {
	shown := p.P <= alpha
	word, size := "above", p.Difference
	if size < 0 {
		word, size = "below", -size
	}
	switch {
	case p.Equivalent && shown:
		say("%s lies %s %s by %s, within the margin of %s: a real difference, too small to matter.", p.A, word, p.B, o.amount(size), o.amount(o.Margin))
	case p.Equivalent:
		say("%s and %s are equivalent within the margin of %s (p = %.2g), as far as their batches tell.", p.A, p.B, o.amount(o.Margin), p.EquivalenceP)
	case shown:
		say("%s lies %s %s by %s (%s).", p.A, word, p.B, o.amount(size), o.span(span(p, true), span(p, false)))
	case r.Batch.DF1 < leastDF:
		say("%s minus %s may be anything from %s; how many batches would settle it cannot be told from so few.", p.A, p.B, o.span(p.Low, p.High))
	case p.Settle > 0:
		say("%s minus %s may be anything from %s; about %d batches of each would settle it if they go on like this.", p.A, p.B, o.span(p.Low, p.High), p.Settle)
	default:
		say("%s minus %s may be anything from %s; no reasonable number of batches would settle it if they go on like this.", p.A, p.B, o.span(p.Low, p.High))
	}
}
