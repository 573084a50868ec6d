package plot

import (
	"strings"
	"testing"

	"alike/reports"
)

func TestYields(t *testing.T) {
	r := reports.Weeks{Names: []string{"2026 week 37", "2026 week 38", "2026 week 39"}, Sites: []string{"North", "South"}, Rows: []reports.WeekRow{
		{Site: "North", Product: "p1", Week: "2026 week 37", First: reports.Yield{Good: 9, Of: 10, Share: 0.9, Low: 0.55, High: 0.99}},
		{Site: "North", Product: "p1", Week: "2026 week 39", First: reports.Yield{Good: 10, Of: 10, Share: 1, Low: 0.69, High: 1}},
		{Site: "South", Product: "p1", Week: "2026 week 38"},
		{Site: "South", Product: "p1", Week: "2026 week 39", First: reports.Yield{Good: 1, Of: 2, Share: 0.5, Low: 0.01, High: 0.98}},
	}}
	for _, width := range []float64{360, 620} {
		var b strings.Builder
		if err := Yields(&b, r, width); err != nil {
			t.Fatal(err)
		}
		svg := b.String()
		for _, part := range []string{"p1, North: 100 % in 2026 week 39; p1, South: 50 % in 2026 week 39.", ">week 37<", ">week 39<", ">p1, South<"} {
			if !strings.Contains(svg, part) {
				t.Errorf("no %q in %s", part, svg)
			}
		}
		if strings.Contains(svg, "NaN") {
			t.Error("a position is no number")
		}
	}
	r.Rows = r.Rows[2:3]
	if err := Yields(&strings.Builder{}, r, 360); err == nil {
		t.Error("a picture without a unit")
	}
}
