package line_test

import (
	"math"
	"slices"
	"testing"

	"alike/internal/line"
)

// A faint leak that nobody acts on, and a great change on top of it: each finding goes on
// telling its own. When the second is the same leak grown at once they name each other,
// when it is another fault they do not.
func TestFindingsOfOneStoryNameEachOther(t *testing.T) {
	t.Parallel()
	times := func(factor float64, shape func(float64) float64) func(float64) float64 {
		return func(hz float64) float64 { return factor * shape(hz) }
	}
	treble := func(hz float64) float64 { return max(0, min(1, hz/4000-0.5)) }
	for name, tt := range map[string]struct {
		faint, left, right func(float64) float64
		same               bool
	}{
		"one story":   {times(0.2, leak), times(2, leak), nil, true},
		"two stories": {times(0.2, leak), times(0.2, leak), times(2, treble), false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := bench(t, nil)
			w.build(12, nil, nil)
			w.build(15, tt.faint, nil)
			w.build(15, tt.left, tt.right)
			var lines []line.Finding
			for _, f := range w.findings() {
				if f.Kind == line.TheLine {
					lines = append(lines, w.finding(f.Number))
				}
			}
			if len(lines) != 2 {
				t.Fatalf("%d findings of the line: the example tells nothing", len(lines))
			}
			for i, f := range lines {
				if got := slices.Contains(f.Same, lines[1-i].Number); got != tt.same || len(f.Same) > 1 {
					t.Errorf("finding %d names %v: %s", f.Number, f.Same, f.Analysis.Sentence)
				}
			}
			faint, great := lines[0].Analysis, lines[1].Analysis
			if c := faint.Change; c == nil || !slices.Contains(c.Set, 43) || slices.Contains(c.Set, 58) || !faint.Channels[0].Moved || faint.Channels[1].Moved || math.Abs(faint.Channels[0].Size+0.3) > 0.15 {
				t.Errorf("the faint leak since L043 reads: %s", faint.Sentence)
			}
			if c := great.Change; c == nil || !slices.Contains(c.Set, 58) || great.Channels[1].Moved == tt.same {
				t.Errorf("the change since L058 reads: %s", great.Sentence)
			}
		})
	}
}
