package plot

import (
	"math"
	"strings"
	"testing"

	"alike/reports"
)

// A point for each tolerance, that of the list filled, none outside the picture; words
// for who cannot see it.
func TestTradeOff(t *testing.T) {
	l := reports.PickList{Tolerance: 0.4, Pairs: make([]reports.PickPair, 30)}
	for i, n := range []int{3, 18, 30, 31} {
		l.TradeOff = append(l.TradeOff, reports.TradePoint{Tolerance: 0.2 * float64(i), Pairs: n})
	}
	for _, width := range []float64{358, 640} {
		var b strings.Builder
		if err := TradeOff(&b, l, width); err != nil {
			t.Fatal(err)
		}
		svg := b.String()
		if strings.Count(svg, "<circle") != 4 || strings.Count(svg, `fill="`+Blue+`"`) != 1 {
			t.Errorf("%d px: %s", int(width), svg)
		}
		for _, part := range []string{"this list: 30 pairs within 0.4 dB", "From 3 pairs within 0 dB to 31 within 0.6 dB.", "largest mismatch of a pair, dB"} {
			if !strings.Contains(svg, part) {
				t.Errorf("no %q", part)
			}
		}
		if strings.Contains(svg, "NaN") {
			t.Error(svg)
		}
	}
	for _, points := range [][]reports.TradePoint{nil, {{Tolerance: 0.3, Pairs: 2}}, {{Tolerance: math.NaN()}}} {
		l.TradeOff = points
		var b strings.Builder
		if err := TradeOff(&b, l, 640); err != nil || !strings.Contains(b.String(), "No other tolerance was tried") {
			t.Errorf("%v: %v", points, err)
		}
	}
}
