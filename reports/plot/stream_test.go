package plot

import (
	"bytes"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"alike/reports"
)

func manyUnits(n int) reports.Stream {
	rng := rand.New(rand.NewPCG(1, uint64(n)))
	nan := math.NaN()
	s := reports.Stream{Title: "left 63 Hz deviation", Unit: "dB", Product: "TB-40", Sections: []reports.Section{
		{First: 0, Name: "no limit set", Center: nan, Lower: nan, Upper: nan, RangeMean: nan, RangeHigh: nan},
		{First: n / 3, Name: "limit set 1", Starts: true, Center: 0, Lower: -1, Upper: 1, RangeMean: 0.28, RangeHigh: 1.4},
	}}
	before := nan
	for i := range n {
		v := 0.25 * rng.NormFloat64()
		if i >= n-5 {
			v -= 1.5
			s.Marks = append(s.Marks, reports.Mark{Index: i, Rule: "beyond", Text: "The value lies beyond a control limit."})
		}
		s.Serials, s.Lots, s.Values, s.Moving = append(s.Serials, "U"+num(float64(i))), append(s.Lots, "L"), append(s.Values, v), append(s.Moving, math.Abs(v-before))
		before = v
	}
	s.Change = &reports.Change{Index: n - 5, Set: []int{n - 6, n - 5}, Text: "The level moved."}
	return s
}

func TestStreamOfFewUnits(t *testing.T) {
	s := manyUnits(60)
	svg, pic := draw(t, func(w io.Writer) error { return Stream(w, s) })
	for _, label := range []string{"upper 1.00", "centre 0.00", "lower −1.00", "upper 1.40", "mean 0.28", "limit set 1", "moving range", "dB", "The level moved."} {
		if !has(pic.texts, label) {
			t.Errorf("no label %q", label)
		}
	}
	// 60 values and 59 ranges; diamonds mark the rule, a circle each range too large.
	beyond := 0
	for i, r := range s.Moving {
		if i >= 20 && r > 1.4 {
			beyond++
		}
	}
	if n := pic.count["circle"]; n != 60+59+beyond+min(beyond, 1) {
		t.Errorf("%d circles, %d ranges beyond", n, beyond)
	}
	if !strings.Contains(pic.desc, "From U20 on limit set 1: centre 0.00, limits −1.00 and 1.00 dB. The level moved. The value lies beyond") {
		t.Errorf("description %q", pic.desc)
	}
	again, _ := draw(t, func(w io.Writer) error { return Stream(w, s) })
	if !bytes.Equal(svg, again) {
		t.Error("the same stream gave other bytes")
	}
}

// However many units there are, limits and signals stay, and the picture stays small.
func TestStreamOfManyUnits(t *testing.T) {
	s := manyUnits(10_000)
	svg, pic := draw(t, func(w io.Writer) error { return Stream(w, s) })
	if len(svg) > 200_000 {
		t.Errorf("%d bytes for 10 000 units", len(svg))
	}
	if !has(pic.texts, "Each column is 50 units: from the smallest to the largest, the dot is their mean.") || !has(pic.texts, "upper 1.00") {
		t.Errorf("texts %q", pic.texts)
	}
	// A path each for the five marks, and one for the rule's and the change's sign.
	if n := len(pic.paths); n != 7 {
		t.Errorf("%d shapes for 5 signals", n)
	}
}

func TestStreamRefuses(t *testing.T) {
	for name, spoil := range map[string]func(*reports.Stream){
		"lengths": func(s *reports.Stream) { s.Lots = s.Lots[1:] },
		"section": func(s *reports.Stream) { s.Sections[1].First = 60 },
		"order":   func(s *reports.Stream) { s.Sections[1].First = 0 },
		"mark":    func(s *reports.Stream) { s.Marks[0].Index = 60 },
		"change":  func(s *reports.Stream) { s.Change.Set = []int{99} },
	} {
		s := manyUnits(60)
		spoil(&s)
		if Stream(io.Discard, s) == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if err := Stream(io.Discard, reports.Stream{Title: "none"}); err != nil {
		t.Error(err)
	}
}
