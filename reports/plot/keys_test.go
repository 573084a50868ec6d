package plot_test

import (
	"strings"
	"testing"

	"alike/reports"
	"alike/reports/plot"
)

// The keys stand beside a heading that leaves them room, and below one that does not.
func TestKeysStandClearOfTheHeading(t *testing.T) {
	t.Parallel()
	for title, want := range map[string]string{"left 63 Hz": `y="24"`, strings.Repeat("a long heading ", 6): `y="42"`} {
		c := reports.Chart{Stream: title, Serials: []string{"A", "B"}, Values: []float64{1, 2}, InLot: []bool{true, false}, Unit: "dB", Lower: 0, Upper: 3, Center: 1}
		var b strings.Builder
		if err := plot.Control(&b, c); err != nil {
			t.Fatal(err)
		}
		at := strings.Index(b.String(), ">this lot<")
		if at < 0 {
			t.Fatal("the picture has no keys")
		}
		if tag := b.String()[strings.LastIndex(b.String()[:at], "<"):at]; !strings.Contains(tag, want) {
			t.Errorf("%s: %s, want %s", title, tag, want)
		}
	}
}
