package plot

import (
	"os"
	"strings"
	"testing"
)

// Source: d3-scale-chromatic 3.1.1 from npm, see testdata/diverging.txt.
func TestDivergingAgainstPublished(t *testing.T) {
	b, err := os.ReadFile("testdata/diverging.txt")
	if err != nil {
		t.Fatal(err)
	}
	_, want, _ := strings.Cut(string(b), "\n")
	got := ""
	for _, c := range Diverging {
		got += strings.ToLower(strings.TrimPrefix(c, "#"))
	}
	if got != strings.TrimSpace(want) || len(Diverging) != 11 {
		t.Errorf("got %s, published %s", got, want)
	}
}
