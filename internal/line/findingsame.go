package line

import (
	"context"
	"math"
	"slices"

	"alike/internal/store"
)

// leastAgreement is the cosine between the sizes of two changes, over all streams, from
// which they count as one when their change points may be the same. Streams that scatter
// by themselves seldom reach half of it.
const leastAgreement = 0.8

// sameStory lists the other findings of the line, not closed, whose change may have begun
// at the same unit and goes the same way on all streams: two findings that grew from two
// signals are then probably one story.
func (l *Line) sameStory(ctx context.Context, s store.Site, f Finding) ([]int64, error) {
	if f.Kind != TheLine || f.State == Closed || f.Analysis.Change == nil {
		return nil, nil
	}
	rows, err := s.FindingsSince(ctx, f.Product, f.Analysis.Change.Set[0])
	if err != nil {
		return nil, err
	}
	var out []int64
	for _, r := range rows {
		if r.Finding == f.Number || r.Kind != TheLine || r.State == Closed {
			continue
		}
		a, err := l.current(ctx, s, r)
		if err != nil {
			return nil, err
		}
		if a.Change != nil && overlap(a.Change.Set, f.Analysis.Change.Set) && agreement(a.Sizes, f.Analysis.Sizes) >= leastAgreement {
			out = append(out, r.Finding)
		}
	}
	return out, nil
}

func overlap(a, b []int64) bool {
	return slices.ContainsFunc(a, func(p int64) bool { return slices.Contains(b, p) })
}

// agreement is the cosine between two changes over the streams that both have.
func agreement(a, b Levels) float64 {
	ab, aa, bb := 0.0, 0.0, 0.0
	for i := range min(len(a), len(b)) {
		if v := a[i] * b[i]; !math.IsNaN(v) {
			ab, aa, bb = ab+v, aa+a[i]*a[i], bb+b[i]*b[i]
		}
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}
