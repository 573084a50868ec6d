package plot

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"alike/reports"
	"alike/reports/reporttest"
)

// few makes a lot of one band in which unit i has the value i.
func few(units int, fails ...int) reports.Lot {
	l := reports.Lot{Axis: []float64{1000}, Labels: []string{"1k"}}
	for i := range units {
		u := reports.UnitRow{
			Serial: fmt.Sprint("u", i), Last: "pass", Margin: float64(-i),
			Curves: []reports.Series{{Name: "mono", Values: []float64{float64(i)}}},
		}
		if slices.Contains(fails, i) {
			u.Last = "fail"
		}
		l.Units = append(l.Units, u)
	}
	return l
}

func TestOneByOneUpToMost(t *testing.T) {
	p := OfLot(few(Most, 3))[0]
	if len(p.Plain) != Most-1 || len(p.Strong) != 1 || p.Areas != nil {
		t.Errorf("%d plain, %d named, %d areas", len(p.Plain), len(p.Strong), len(p.Areas))
	}
	p = OfLot(few(Most+1, 3))[0]
	if len(p.Plain) != 0 || len(p.Strong) != 1 || len(p.Areas) != 2 {
		t.Errorf("%d plain, %d named, %d areas", len(p.Plain), len(p.Strong), len(p.Areas))
	}
	// Values 0 to 120: definition 7 puts 5 % at 6 and 95 % at 114.
	if a := p.Areas; a[0].Low[0] != 0 || a[0].High[0] != 120 || a[1].Low[0] != 6 || a[1].High[0] != 114 || p.Center[0] != 60 {
		t.Errorf("areas %v, median %v", a, p.Center)
	}
	if !strings.Contains(p.Note, "121 units are too many") || !strings.Contains(p.Note, "The failing unit is named") {
		t.Errorf("note %q", p.Note)
	}
}

func TestNamedAreTheSmallestMargins(t *testing.T) {
	l := few(20, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
	l.Units[10].Margin = math.NaN()
	p := OfLot(l)[0]
	var names []string
	for _, c := range p.Strong {
		names = append(names, c.Name)
	}
	if want := []string{"u9", "u8", "u7", "u6", "u5", "u4", "u3", "u2"}; !slices.Equal(names, want) {
		t.Errorf("named %v, want %v", names, want)
	}
	if len(p.Plain) != 12 || !strings.Contains(p.Note, "Of 10 failing units the 8 with the smallest margin are named") {
		t.Errorf("%d plain, note %q", len(p.Plain), p.Note)
	}
}

func TestChannelsShareTheAxis(t *testing.T) {
	ps := OfLot(reporttest.Lot(40, 2))
	if len(ps) != 2 || !slices.Equal(ps[0].Ticks(), ps[1].Ticks()) {
		t.Fatalf("ticks %v and %v", ps[0].Ticks(), ps[1].Ticks())
	}
	for _, p := range ps {
		lo, hi, _ := Span(p.rows()...)
		if ticks := p.Ticks(); lo < ticks[0] || hi > ticks[len(ticks)-1] {
			t.Errorf("%s: %v to %v leaves %v", p.Channel, lo, hi, ticks)
		}
	}
}

func TestADeadChannelDoesNotFlattenTheRest(t *testing.T) {
	l := few(3)
	l.Limits.Lower, l.Limits.Upper = []float64{-3}, []float64{3}
	l.Units[2].Curves[0].Values[0] = -70
	p := OfLot(l)[0]
	if ticks := p.Ticks(); ticks[0] < -12 || ticks[0] > -9 {
		t.Errorf("the axis begins at %v, want about the limit less its span, -9", ticks[0])
	}
	if !strings.Contains(p.Note, "leave the picture") {
		t.Errorf("note %q", p.Note)
	}
}

func TestLotsWithLittleInThem(t *testing.T) {
	if ps := OfLot(reports.Lot{}); ps != nil {
		t.Errorf("a lot without bands has %d plots", len(ps))
	}
	ps := OfLot(few(0))
	if len(ps) != 1 || !strings.Contains(ps[0].Note, "No unit was measured") || !strings.Contains(ps[0].Note, "No limits are in force") {
		t.Errorf("plots %+v", ps)
	}
}

func TestRules(t *testing.T) {
	c := reports.Chart{
		Stream: "s", Serials: []string{"a", "b", "c", "d"}, Values: []float64{1, 2, 3, 4}, InLot: make([]bool, 4),
		Marks: []reports.Mark{
			{Index: 3, Rule: "trend", Text: "Rising."}, {Index: 1, Rule: "beyond", Text: "Far out."},
			{Index: 3, Rule: "beyond", Text: "Far out again."}, {Index: 3, Rule: "trend", Text: "Rising."},
		},
	}
	got := Rules(c)
	if len(got) != 2 || got[0].Rule != "beyond" || !slices.Equal(got[0].Points, []int{1, 3}) || !slices.Equal(got[1].Points, []int{3}) {
		t.Fatalf("rules %+v", got)
	}
	if got[0].Shape == got[1].Shape || got[0].Number != 1 || got[1].Number != 2 {
		t.Errorf("rules are not told apart: %+v", got)
	}
	if s := got[0].Sentence(c); s != "Far out. At b, d." {
		t.Errorf("sentence %q", s)
	}
	if n := Numbers(got); n[1] != "1" || n[3] != "1·2" || len(n) != 2 {
		t.Errorf("numbers %v", n)
	}
	if d := DescribeControl(c); !strings.Contains(d, "4 units, 0 of them in this lot") || !strings.Contains(d, "Rising. At d.") {
		t.Errorf("description %q", d)
	}
}

func TestDescribeLimits(t *testing.T) {
	c := reports.Chart{Unit: "dB", Center: 0.1, Lower: -0.8, Upper: 1, RangeMean: 0.34, RangeHigh: 1.11, Moving: []float64{0}}
	if got, want := DescribeLimits(c), " Centre 0.10, limits −0.80 and 1.00 dB. Mean moving range 0.34, its limit 1.11 dB."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	c.Lower, c.Moving = math.NaN(), nil
	if got := DescribeLimits(c); got != "" {
		t.Errorf("got %q of limits that are not known", got)
	}
}

func TestASentenceNamesThreeUnits(t *testing.T) {
	c := reports.Chart{Serials: strings.Split("a b c d e f g h", " ")}
	r := RuleMarks{Rule: "trend", Points: []int{0, 1, 2, 3, 4, 5, 7}}
	if got, want := r.Sentence(c), "trend. At a, b, c, and 4 more, the last h."; got != want {
		t.Errorf("sentence %q, want %q", got, want)
	}
}

func TestBeyond(t *testing.T) {
	c := reports.Chart{Moving: []float64{math.NaN(), 1, math.Nextafter(1, 2), math.Inf(1)}, RangeHigh: 1}
	if got := Beyond(c); !slices.Equal(got, []int{2}) {
		t.Errorf("beyond %v, want [2]", got)
	}
	c.RangeHigh = math.NaN()
	if got := Beyond(c); got != nil {
		t.Errorf("beyond %v without a limit", got)
	}
}

// Contrast ratio by WCAG 2.1: at least 4.5 for text.
func TestTextOnTintsCanBeRead(t *testing.T) {
	for word, l := range looks {
		if r := contrast(t, Text, l.Tint); r < 4.5 {
			t.Errorf("%s: text on %s has contrast %.1f", word, l.Tint, r)
		}
	}
	if r := contrast(t, Muted, "#FFFFFF"); r < 4.5 {
		t.Errorf("muted text on white has contrast %.1f", r)
	}
	if r := contrast(t, "#000000", "#FFFFFF"); math.Abs(r-21) > 1e-9 { // the standard's own largest value
		t.Errorf("black on white has contrast %v, want 21", r)
	}
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	light := func(c string) float64 {
		var r, g, bl int
		if _, err := fmt.Sscanf(c, "#%02X%02X%02X", &r, &g, &bl); err != nil {
			t.Fatal(c, err)
		}
		sum := 0.0
		for i, v := range []int{r, g, bl} {
			x := float64(v) / 255
			if x <= 0.03928 {
				x /= 12.92
			} else {
				x = math.Pow((x+0.055)/1.055, 2.4)
			}
			sum += x * []float64{0.2126, 0.7152, 0.0722}[i]
		}
		return sum
	}
	la, lb := light(a), light(b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

func TestEveryWordHasALookOfItsOwn(t *testing.T) {
	signs := map[string]string{}
	for _, word := range Words {
		l := LookOf(word)
		if other, taken := signs[l.Sign]; taken {
			t.Errorf("%s and %s share the sign %s", word, other, l.Sign)
		}
		signs[l.Sign] = word
	}
	if LookOf("never heard").Sign == "" {
		t.Error("an unknown word has no sign")
	}
}

// The units beyond the limits of balance are named, the farthest first; a band without a
// limit judges nobody.
func TestBalanceNamesWhatIsBeyond(t *testing.T) {
	nan := math.NaN()
	l := reports.Lot{Axis: []float64{100, 1000, 10000}, BalanceLimits: []float64{2, 2, nan}, BalanceCurves: []reports.Series{
		{Name: "on", Values: []float64{2, -2, 9}}, {Name: "over", Values: []float64{0, math.Nextafter(2, 3), 0}},
		{Name: "far", Values: []float64{-5, nan, 0}}, {Name: "gap", Values: []float64{nan, nan, nan}},
	}}
	p, beyond, ok := BalanceOf(l)
	if !ok || beyond != 2 || len(p.Strong) != 2 || p.Strong[0].Name != "far" || p.Strong[1].Name != "over" || len(p.Plain) != 2 {
		t.Errorf("%v %d: %+v, %+v", ok, beyond, p.Strong, p.Plain)
	}
	if ticks := p.Ticks(); ticks[0] >= -5 || ticks[len(ticks)-1] <= 2 {
		t.Errorf("ticks %v", ticks)
	}
	if p.Lower[0] != -2 || p.Upper[1] != 2 || !math.IsNaN(p.Upper[2]) {
		t.Errorf("limits %v %v", p.Lower, p.Upper)
	}
	if _, _, ok := BalanceOf(reports.Lot{Axis: l.Axis}); ok {
		t.Error("a lot of one channel has a balance")
	}
}

func TestPicturesOfADecision(t *testing.T) {
	l := reporttest.Lot(40, 2)
	var b bytes.Buffer
	if err := Chances(&b, l.Sampling, 640); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Operating characteristic of the plan", "bad: 20 %", "defective units in the lot of 40"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the picture of chances lacks %q", want)
		}
	}
	if err := Chances(&b, reports.Sampling{}, 640); err == nil {
		t.Error("a plan without a curve is drawn")
	}
	b.Reset()
	rows := []reports.CapabilityRow{
		{Stream: "left 63 Hz deviation", Group: "left", Hz: 63, Ppk: 0.8, Low: 0.6, High: 1, AtLeast: 0.62, Confidence: 0.95},
		{Stream: "right 63 Hz deviation", Group: "right", Hz: 63, Ppk: 9, Low: 7, High: 12, AtLeast: 7.5, Confidence: 0.95},
		{Stream: "left roughness", Group: "scalars", Ppk: 1, Low: 0.5, High: 2, AtLeast: 0.6, Confidence: 0.95},
	}
	if err := Capabilities(&b, rows, 358); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"The lowest is left 63 Hz deviation: at least 0.62 with 95 % confidence.", ">left<", ">right<"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the picture of capability lacks %q", want)
		}
	}
	if strings.Contains(b.String(), ">scalars<") || strings.Contains(b.String(), "NaN") {
		t.Error("a scalar has no place on a frequency axis")
	}
	if err := Capabilities(&b, rows[2:], 358); err == nil {
		t.Error("a lot without bands is drawn")
	}
}
