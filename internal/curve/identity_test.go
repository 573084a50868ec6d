package curve

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func TestSerialRule(t *testing.T) {
	for in, want := range map[string]string{
		"A102":                  "A102",
		"  7 ":                  "7",
		"\u00a0é-1":             "é-1",
		"e\u0301":               "é", // composed: one unit, whatever wrote its name
		strings.Repeat("é", 64): strings.Repeat("é", 64),
		strings.Repeat("é", 65): "",
		"":                      "",
		"a/b":                   "",
		`a\b`:                   "",
		"..":                    "",
		"a\tb":                  "",
		"a\u200bb":              "",
		"a\ufffdb":              "",
		"a\u00a0b":              "",
	} {
		got, err := Identity{Serial: in, Channel: "L"}.Normal()
		var e *FieldError
		if got.Serial != want || (err != nil) != (want == "") || err != nil && (!errors.As(err, &e) || e.Field != "serial" || e.Remedy == "") {
			t.Errorf("%q gives %q, %v; want %q", in, got.Serial, err, want)
		}
	}
}

func TestChannelWords(t *testing.T) {
	for in, want := range map[string]string{
		"l": "left", "L": "left", "Left": "left", "r": "right", "RIGHT": "right", "m": "mono", " Mono ": "mono",
		"CH1": "ch1", "Lt": "lt", "rear": "rear",
	} {
		if got := Channel(in); got != want {
			t.Errorf("%q is %q, want %q", in, got, want)
		}
	}
}

func TestCounts(t *testing.T) {
	for in, want := range map[string]int{"": 0, "1": 1, "007": 7, "9999": 9999, "10000": -1, "0": -1, "-1": -1, "+1": -1, "1.0": -1, "one": -1} {
		got, e := count("seating", in)
		if e != nil {
			got = -1
		}
		if got != want {
			t.Errorf("%q is %d, want %d", in, got, want)
		}
	}
	for _, n := range []int{-1, 10000} {
		_, err := Identity{Serial: "1", Channel: "left", Seating: n}.Normal()
		_, err2 := Identity{Serial: "1", Channel: "left", Attempt: n}.Normal()
		if err == nil || err2 == nil {
			t.Errorf("a seating or attempt of %d passes", n)
		}
	}
	if _, err := (Identity{Serial: "1", Channel: "left", Seating: 9999, Attempt: 9999}).Normal(); err != nil {
		t.Error(err)
	}
}

func TestInsidePath(t *testing.T) {
	for in, want := range map[string]string{
		"a.txt": "a.txt", "./a//b.txt": "a/b.txt", "..a/b..": "..a/b..",
		"": "", "..": "", "../a": "", "a/../b": "", "a/..": "", ".": "", "/a": "", "C:a": "", `a\b`: "", "a/": "",
		"a\x00b": "", "a\nb": "", "a\ufffdb": "", "a\xffb": "",
	} {
		if got, e := insidePath(in); got != want || (e == nil) != (want != "") {
			t.Errorf("%q gives %q, %v; want %q", in, got, e, want)
		}
	}
}

func TestTrimBlanks(t *testing.T) {
	for in, want := range map[string]string{"": "", "a": "a", " \t\u00a0a b\u202f\v  ": "a b", "  ": "", "\u2009": "", "é": "é", "a\t": "a"} {
		if got := trimBlanks(in, true); got != want {
			t.Errorf("%q gives %q, want %q", in, got, want)
		}
	}
	if got := trimBlanks("\t a \t", false); got != "\t a \t" {
		t.Errorf("tabs went: %q", got)
	}
}

func TestQuotedCell(t *testing.T) {
	for in, want := range map[string][2]string{`"a"`: {"a", ""}, `"a""b",c`: {`a"b`, ",c"}, `""`: {"", ""}, `"""",x`: {`"`, ",x"}} {
		if cell, rest, closed := quoted(in); !closed || cell != want[0] || rest != want[1] {
			t.Errorf("%q gives %q, %q, %v", in, cell, rest, closed)
		}
	}
	for _, in := range []string{`"`, `"a`, `"a""`} {
		if _, _, closed := quoted(in); closed {
			t.Errorf("%q is closed", in)
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		cell string
		want float64
		f    fault
	}{
		{"20", 20, sound}, {"+20", 20, sound}, {"-1.5", -1.5, sound}, {"\u22121,5", -1.5, sound}, {".5", 0.5, sound}, {"5.", 5, sound},
		{"1.2e+03", 1200, sound}, {"1,2E3", 1200, sound}, {"1e\u22123", 0.001, sound}, {"00020", 20, sound},
		{"", 0, empty}, {"nan", 0, nonfinite}, {"-Inf", 0, nonfinite}, {"+infinity", 0, nonfinite}, {"−∞", 0, nonfinite}, {"1.#QNAN", 0, nonfinite},
		{"1.234,5", 0, grouped}, {"1,234,567", 0, grouped}, {"1 000", 0, grouped}, {"1\u202f000", 0, grouped}, {"1'000", 0, grouped}, {"1’000", 0, grouped},
		{"1.2e", 0, cutShort}, {"1.2e-", 0, cutShort}, {"-", 0, cutShort}, {".", 0, cutShort},
		{"0x1p4", 0, garbled}, {"1_000", 0, garbled}, {"20 Hz", 0, garbled}, {"abc", 0, garbled}, {"--1", 0, garbled}, {"e5", 0, garbled}, {"1e2.5", 0, garbled},
		{strings.Repeat("1", 49), 0, garbled}, {"1e400", 0, outOfRange}, {"1e99999", 0, outOfRange},
	} {
		n, f := parseNumber(c.cell, false)
		if n.value != c.want || f != c.f {
			t.Errorf("%q gives %v, fault %d; want %v, %d", c.cell, n.value, f, c.want, c.f)
		}
	}
	for cell, want := range map[string]float64{"1.005": 1005, "0.02": 20, "2e-2": 20, "20": 20000, "1.1": 1100} {
		if n, f := parseNumber(cell, true); f != sound || math.Float64bits(n.value) != math.Float64bits(want) {
			t.Errorf("%q kHz is %v Hz, want %v", cell, n.value, want)
		}
	}
}
