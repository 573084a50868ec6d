package plot

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"sort"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func readLines(t *testing.T, name string) []string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []string
	s := bufio.NewScanner(f)
	for s.Scan() {
		if !strings.HasPrefix(s.Text(), "#") {
			out = append(out, s.Text())
		}
	}
	return out
}

// Source: testdata/widths.txt, the font itself. A few signs differ by up to two
// thousandths between the faces.
func TestTextWidthAgainstFont(t *testing.T) {
	n := 0
	for _, row := range readLines(t, "testdata/widths.txt") {
		var code int
		var want float64
		if _, err := fmt.Sscan(row, &code, &want); err != nil {
			t.Fatal(err)
		}
		n++
		if got := TextWidth(string(rune(code)), 1000); math.Abs(got-want) > 2 {
			t.Errorf("%q is %v wide, the font says %v", rune(code), got, want)
		}
	}
	if n != 95 {
		t.Fatalf("%d widths read, want 95", n)
	}
}

func TestWrap(t *testing.T) {
	for _, c := range []struct {
		in    string
		width float64
		want  string
	}{
		{"a short line", 500, "a short line"},
		{"two words", 40, "two|words"},
		{"kept\nbreak", 500, "kept|break"},
		{"abcdef", 14, "ab|cd|ef"},
		{"", 50, ""},
	} {
		if got := strings.Join(Wrap(c.in, c.width, 12), "|"); got != c.want {
			t.Errorf("Wrap(%q, %v) = %q, want %q", c.in, c.width, got, c.want)
		}
	}
}

func TestWrapKeepsLettersAndWidth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "text")
		width := rapid.Float64Range(1, 400).Draw(t, "width")
		lines := Wrap(s, width, 12)
		strip := strings.NewReplacer(" ", "", "\n", "")
		if got, want := strip.Replace(strings.Join(lines, "")), strip.Replace(s); got != want {
			t.Fatalf("letters changed: %q became %q", want, got)
		}
		for _, l := range lines {
			if utf8.RuneCountInString(l) > 1 && TextWidth(l, 12) > width+1e-9 {
				t.Fatalf("line %q is %v wide, want at most %v", l, TextWidth(l, 12), width)
			}
		}
	})
}

func TestWrapOfBytesThatAreNoText(t *testing.T) {
	if got := strings.Join(Wrap("\xff\xfeab\xc3", 14, 12), ""); got != "\xff\xfeab\xc3" {
		t.Errorf("Wrap changed the bytes to %q", got)
	}
}

func TestShort(t *testing.T) {
	if got := Short("TB40-00123", 10); got != "TB40-00123" {
		t.Errorf("Short cut a text that fits: %q", got)
	}
	if got := Short("TB40-00123", 9); got != "…40-00123" {
		t.Errorf("Short = %q", got)
	}
}

// Source: numpy, see testdata/quantiles.txt.
func TestQuantileAgainstNumpy(t *testing.T) {
	n := 0
	for _, row := range readLines(t, "testdata/quantiles.txt") {
		left, right, _ := strings.Cut(row, " | ")
		var xs []float64
		for _, s := range strings.Split(left, ",") {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			xs = append(xs, v)
		}
		sort.Float64s(xs)
		for _, pair := range strings.Fields(right) {
			var q, want float64
			if _, err := fmt.Sscanf(pair, "%g:%g", &q, &want); err != nil {
				t.Fatal(err)
			}
			n++
			if got := Quantile(xs, q); math.Abs(got-want) > 1e-12 {
				t.Errorf("quantile %v of %d values is %v, numpy says %v", q, len(xs), got, want)
			}
		}
	}
	if n != 30 {
		t.Fatalf("%d quantiles read, want 30", n)
	}
	if !math.IsNaN(Quantile(nil, 0.5)) {
		t.Error("quantile of nothing is a number")
	}
}

func TestMinus(t *testing.T) {
	for text, want := range map[string]string{
		"B minus A may be anything from -0.4 to 1": "B minus A may be anything from −0.4 to 1",
		"(-3 dB) at NV-2440, 2026-09-14":           "(−3 dB) at NV-2440, 2026-09-14",
		"-2":                                       "−2", "a - b": "a - b", "2-3": "2-3", "": "",
	} {
		if got := Minus(text); got != want {
			t.Errorf("%q became %q", text, got)
		}
	}
}
