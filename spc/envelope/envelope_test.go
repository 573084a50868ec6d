package envelope_test

import (
	"math"
	"strings"
	"testing"

	"alike/spc/band"
	"alike/spc/envelope"
)

func bands(t *testing.T, fraction int, lo, hi float64) []band.Band {
	t.Helper()
	b, err := band.Between(fraction, lo, hi)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A mask that falls from 0 dB at 100 Hz to -6 dB at 10 kHz is straight over
// log-frequency: -3 dB at 1 kHz, -1.5 dB at 316.228 Hz (the exact 315 Hz band).
func TestMaskIsStraightOverLogFrequency(t *testing.T) {
	e := envelope.Envelope{Mask: &envelope.Mask{
		Lower: []envelope.Breakpoint{{100, 0}, {10000, -6}},
		Upper: []envelope.Breakpoint{{100, 5}, {1000, 5}, {1000, 2}, {10000, 2}},
	}}
	l, err := e.On(bands(t, 3, 80, 12500))
	if err != nil {
		t.Fatal(err)
	}
	want := map[int][2]float64{ // index of the band from 80 Hz on
		0:  {math.NaN(), math.NaN()}, // 80 Hz: outside the mask
		1:  {0, 5},                   // 100 Hz: on the first corner
		6:  {-1.5, 5},                // 315 Hz
		11: {-3, 2},                  // 1 kHz: at a step the later corner counts
		21: {-6, 2},                  // 10 kHz: on the last corner
		22: {math.NaN(), math.NaN()},
	}
	for i, w := range want {
		for k, got := range []float64{l.Lower[i], l.Upper[i]} {
			if math.IsNaN(got) != math.IsNaN(w[k]) || math.Abs(got-w[k]) > 1e-9 {
				t.Errorf("band %d side %d: %v, want %v", i, k, got, w[k])
			}
		}
	}
}

func TestRangesGoByNominalFrequency(t *testing.T) {
	// The 12.5 kHz band's exact mid is 12589 Hz, the 31.5 Hz band's 31.62 Hz: a maker
	// who writes 31.5 to 12500 means both.
	e := envelope.Envelope{Around: []envelope.Range{{31.5, 12500, 4, 4}, {100, 8000, 2, 3}}}
	b := bands(t, 3, 25, 16000)
	l, err := e.On(b)
	if err != nil {
		t.Fatal(err)
	}
	for i, bd := range b {
		lo, hi := -4.0, 4.0
		switch f := bd.Nominal(); {
		case f < 31.5 || f > 12500:
			lo, hi = math.NaN(), math.NaN()
		case f >= 100 && f <= 8000: // the later range counts
			lo, hi = -2, 3
		}
		if !same(l.Lower[i], lo) || !same(l.Upper[i], hi) {
			t.Errorf("%s: %v to %v, want %v to %v", bd.Label(), l.Lower[i], l.Upper[i], lo, hi)
		}
	}
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

func TestCheckRefuses(t *testing.T) {
	good := []envelope.Range{{100, 8000, 3, 3}}
	for name, e := range map[string]envelope.Envelope{
		"nothing":             {},
		"both forms":          {Mask: &envelope.Mask{Lower: []envelope.Breakpoint{{1, 0}, {2, 0}}}, Around: good},
		"falling range":       {Around: []envelope.Range{{8000, 100, 3, 3}}},
		"negative":            {Around: []envelope.Range{{100, 8000, -3, 3}}},
		"no width":            {Around: []envelope.Range{{100, 8000, 0, 0}}},
		"nan":                 {Around: []envelope.Range{{100, 8000, math.NaN(), 3}}},
		"one breakpoint":      {Mask: &envelope.Mask{Upper: []envelope.Breakpoint{{100, 3}}}},
		"falling breakpoints": {Mask: &envelope.Mask{Upper: []envelope.Breakpoint{{200, 3}, {100, 3}}}},
		"crossing lines": {Mask: &envelope.Mask{
			Lower: []envelope.Breakpoint{{100, -3}, {10000, 3}}, Upper: []envelope.Breakpoint{{100, 3}, {10000, -3}}}},
		"negative guard":   {Around: good, Guard: []envelope.Guard{{100, 8000, -1}}},
		"sensitivity":      {Around: good, Sensitivity: &envelope.Scalar{Lower: 110, Upper: 110}},
		"sensitivity room": {Around: good, Sensitivity: &envelope.Scalar{Lower: 109, Upper: 111, Guard: 1}},
		"roughness":        {Around: good, Roughness: -1},
	} {
		if e.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestOnRefuses(t *testing.T) {
	b := bands(t, 3, 100, 8000)
	for name, e := range map[string]envelope.Envelope{
		"guard eats the band": {Around: []envelope.Range{{100, 8000, 1, 1}}, Guard: []envelope.Guard{{1000, 1000, 1}}},
		"limits no band":      {Around: []envelope.Range{{10, 20, 1, 1}}},
	} {
		if _, err := e.On(b); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// unit makes a unit whose channels deviate as given and are equally loud.
func unit(devs ...[]float64) []envelope.Channel {
	names := []string{"left", "right"}
	var out []envelope.Channel
	for i, d := range devs {
		out = append(out, envelope.Channel{Name: names[i], Reading: band.Reading{Deviation: d, Sensitivity: 110, Roughness: 0.5}})
	}
	return out
}

// Both sides of each edge: a value on a tolerance limit passes it, the next number
// beyond fails; on the acceptance limit it is accepted, just beyond doubtful.
func TestEdges(t *testing.T) {
	b := bands(t, 3, 1000, 1000)
	e := envelope.Envelope{Around: []envelope.Range{{1000, 1000, 2, 2}}, Guard: []envelope.Guard{{1000, 1000, 0.5}}}
	l, err := e.On(b)
	if err != nil {
		t.Fatal(err)
	}
	up, down := math.Inf(1), math.Inf(-1)
	for _, tt := range []struct {
		value float64
		want  envelope.Word
	}{
		{0, envelope.Pass},
		{1.5, envelope.Pass}, {math.Nextafter(1.5, up), envelope.Doubtful},
		{2, envelope.Doubtful}, {math.Nextafter(2, up), envelope.Fail},
		{-1.5, envelope.Pass}, {math.Nextafter(-1.5, down), envelope.Doubtful},
		{-2, envelope.Doubtful}, {math.Nextafter(-2, down), envelope.Fail},
	} {
		if got := envelope.Judge(b, unit([]float64{tt.value}), l).Word; got != tt.want {
			t.Errorf("deviation %v: %s, want %s", tt.value, got, tt.want)
		}
	}
}

func TestWorstFirstInWords(t *testing.T) {
	b := bands(t, 3, 50, 80)
	e := envelope.Envelope{Around: []envelope.Range{{50, 80, 2, 2}}}
	l, _ := e.On(b)
	v := envelope.Judge(b, unit([]float64{-2.5, -4.1, 0}, []float64{0, 0, 2.3}), l)
	if v.Word != envelope.Fail || len(v.Results) != 3 {
		t.Fatalf("%s with %d results, want fail with 3", v.Word, len(v.Results))
	}
	want := []string{
		"left, 63 Hz band: 2.1 dB under the lower limit",
		"left, 50 Hz band: 0.5 dB under the lower limit",
		"right, 80 Hz band: 0.3 dB over the upper limit",
	}
	for i, r := range v.Results {
		if got := r.Text(b); got != want[i] {
			t.Errorf("%q, want %q", got, want[i])
		}
	}
	if v.Nearest.Band != 1 || v.Nearest.Channel != "left" {
		t.Errorf("nearest is %+v", v.Nearest)
	}
}

func TestNotMeasuredIsNoPass(t *testing.T) {
	b := bands(t, 3, 50, 100)
	e := envelope.Envelope{Around: []envelope.Range{{50, 80, 2, 2}}}
	l, _ := e.On(b)
	v := envelope.Judge(b, unit([]float64{math.NaN(), 0, 0, 0}, []float64{0, 0, 0, 0}), l)
	if v.Word != envelope.Doubtful {
		t.Errorf("%s, want doubtful", v.Word)
	}
	want := "no limit for 100 Hz; left: the curve does not cover 50 Hz"
	if got := strings.Join(v.NotChecked, "; "); got != want {
		t.Errorf("not checked: %q, want %q", got, want)
	}
}

func TestScalarsAndBalance(t *testing.T) {
	b := bands(t, 3, 1000, 1250)
	e := envelope.Envelope{
		Around:      []envelope.Range{{1000, 1250, 9, 9}},
		Sensitivity: &envelope.Scalar{Lower: 109, Upper: 111},
		Balance:     []envelope.Guard{{1000, 1000, 1}},
		Roughness:   1,
	}
	l, _ := e.On(b)
	u := unit([]float64{0, 0}, []float64{0, 0})
	u[0].Offset, u[1].Offset = 1.2, 0 // left louder by 1.2 dB; hidden by the anchor
	v := envelope.Judge(b, u, l)
	if len(v.Results) != 1 || v.Results[0].Quantity != envelope.Balance {
		t.Fatalf("%+v, want the balance at 1 kHz only", v.Results)
	}
	if got, want := v.Results[0].Text(b), "left against right, 1 kHz band: 0.2 dB over the upper limit"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	u = unit([]float64{0, 0}, []float64{0, 0})
	u[1].Sensitivity, u[0].Roughness = 108.5, 1.2
	v = envelope.Judge(b, u, l)
	if len(v.Results) != 2 || v.Results[0].Text(b) != "right, sensitivity: 0.5 dB under the lower limit" ||
		v.Results[1].Text(b) != "left, roughness: 0.2 dB over the upper limit" {
		t.Errorf("%+v", v.Results)
	}
}

func TestPlausible(t *testing.T) {
	channels := func(l, r float64) []envelope.Channel {
		u := unit([]float64{0}, []float64{0})
		u[0].Sensitivity, u[1].Sensitivity = l, r
		return u
	}
	for _, tt := range []struct {
		left, right, nominal float64
		want                 string
	}{
		{110, 110, 110, ""},
		{104, 110, 110, ""}, // on the edge
		{103.9, 110, 110, "left is weak, 6 dB below the product's level: check the cable, the plug and the driver"},
		{40, 110, 110, "no sound on the left: check the cable, the plug and the driver's solder joints"},
		{110, 118, 110, "right is 8 dB louder than the product can be: check the drive level and the rig's calibration"},
		{110, 85, math.NaN(), "no sound on the right: check the cable, the plug and the driver's solder joints"},
		{60, 60, math.NaN(), ""}, // both alike, and nothing known of the product
	} {
		got := envelope.Plausible(channels(tt.left, tt.right), tt.nominal)
		text := ""
		if len(got) > 0 {
			text = envelope.LevelText(got[0])
		}
		if text != tt.want || len(got) > 1 {
			t.Errorf("%v and %v at %v: %q, want %q", tt.left, tt.right, tt.nominal, text, tt.want)
		}
	}
}

func TestOpposed(t *testing.T) {
	hz := []float64{100, 200, 400, 800, 1600}
	a := []float64{80, 40, 0, -40, -170}
	turned, turning := make([]float64, 5), make([]float64, 5)
	for i := range a {
		turned[i], turning[i] = math.Mod(a[i]+180+720, 360), a[i]+float64(90*i)
	}
	for _, tt := range []struct {
		name        string
		left, right []float64
		opposed, ok bool
	}{
		{"same", a, a, false, true},
		{"reversed, wrapped", a, turned, true, true},
		{"one missing", a, nil, false, false},
		{"no clear direction", a, turning, false, false},
	} {
		if opposed, ok := envelope.Opposed(hz, tt.left, tt.right, 100, 1600); opposed != tt.opposed || ok != tt.ok {
			t.Errorf("%s: %v %v", tt.name, opposed, ok)
		}
	}
	if _, ok := envelope.Opposed(hz, a, a, 5000, 9000); ok {
		t.Error("a range without points gave an answer")
	}
}

func TestDecibels(t *testing.T) {
	for v, want := range map[float64]string{2.14: "2.1", 0.05: "0.05", 0.096: "0.1", 0.004: "0.004", 1e-9: "less than 0.001"} {
		if got := envelope.Decibels(v); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
}
