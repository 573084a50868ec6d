package plot

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestFrequencyTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		want   []float64
	}{
		{20, 20000, []float64{20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000}},
		{math.Nextafter(20, 21), 20000, []float64{20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000}},
		{20.1, 19900, []float64{50, 100, 200, 500, 1000, 2000, 5000, 10000}},
		{310, 950, []float64{400, 500, 600, 700, 800, 900}},
		{1000, 1000, nil},
		{0, 100, nil},
		{-5, 100, nil},
		{math.NaN(), 100, nil},
		{20, math.Inf(1), nil},
	} {
		if got := FrequencyTicks(c.lo, c.hi); !slices.Equal(got, c.want) {
			t.Errorf("FrequencyTicks(%v, %v) = %v, want %v", c.lo, c.hi, got, c.want)
		}
	}
}

// The exact mid-bands of 20 Hz and 20 kHz are 19.95 and 19953 Hz (IEC 61260-1).
func TestFrequencyRangeOfThirdOctaves(t *testing.T) {
	mid := func(x float64) float64 { return 1000 * math.Pow(10, x/10) }
	axis := []float64{mid(-17), mid(0), mid(13)}
	lo, hi := FrequencyRange(axis)
	if lo != axis[0] || hi != 20000 {
		t.Errorf("range of %v is %v to %v, want %v to 20000", axis, lo, hi, axis[0])
	}
	if ticks := FrequencyTicks(lo, hi); ticks[0] != 20 || ticks[len(ticks)-1] != 20000 {
		t.Errorf("ticks run from %v to %v, want 20 to 20000", ticks[0], ticks[len(ticks)-1])
	}
	if lo, hi := FrequencyRange([]float64{130, 700}); lo != 100 || hi != 1000 {
		t.Errorf("range of 130 to 700 is %v to %v, want 100 to 1000", lo, hi)
	}
	if lo, hi := FrequencyRange([]float64{1000}); lo != 500 || hi != 2000 {
		t.Errorf("range of 1000 alone is %v to %v, want 500 to 2000", lo, hi)
	}
	if lo, hi := FrequencyRange(nil); lo != 20 || hi != 20000 {
		t.Errorf("range without bands is %v to %v", lo, hi)
	}
}

func TestFrequencyRangeHoldsTheAxis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0.1, 1e5).Draw(t, "low")
		b := a * rapid.Float64Range(1, 1e4).Draw(t, "ratio")
		lo, hi := FrequencyRange([]float64{a, b})
		if !(lo <= a && hi >= b && lo < hi) {
			t.Fatalf("range of %v to %v is %v to %v", a, b, lo, hi)
		}
		if hi > b*5.01 || lo < a/5.01 {
			t.Fatalf("range of %v to %v is too wide: %v to %v", a, b, lo, hi)
		}
	})
}

func TestLevelTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		most   int
		want   []float64
	}{
		{-4.8, 4.8, 9, []float64{-6, -4, -2, 0, 2, 4, 6}},
		{0, 0.3, 4, []float64{0, 0.1, 0.2, 0.3}},
		{0, 1.1, 12, []float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1}}, // 1.1/0.1 is above 11
		{0.3, 0.6, 4, []float64{0.3, 0.4, 0.5, 0.6}},                                    // 0.3/0.1 is below 3
		{97.1, 99.4, 9, []float64{97, 97.5, 98, 98.5, 99, 99.5}},
		{math.NaN(), 2, 9, []float64{-1, -0.5, 0, 0.5, 1}},
		{2, 1, 9, []float64{-1, -0.5, 0, 0.5, 1}},
	} {
		got := LevelTicks(c.lo, c.hi, c.most)
		if !slices.EqualFunc(got, c.want, func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }) {
			t.Errorf("LevelTicks(%v, %v, %d) = %v, want %v", c.lo, c.hi, c.most, got, c.want)
		}
	}
}

func TestLevelTicksLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e6, 1e6).Draw(t, "lo")
		hi := lo + rapid.Float64Range(0, 1e6).Draw(t, "span")
		most := rapid.IntRange(3, 20).Draw(t, "most")
		ticks := LevelTicks(lo, hi, most)
		if len(ticks) < 2 || len(ticks) > most {
			t.Fatalf("%d ticks, want 2 to %d", len(ticks), most)
		}
		step := ticks[1] - ticks[0]
		if ticks[0] > lo+step*1e-6 || ticks[len(ticks)-1] < hi-step*1e-6 {
			t.Fatalf("ticks %v do not cover %v to %v", ticks, lo, hi)
		}
		if hi-lo > 1e-3 && (ticks[0] < lo-step || ticks[len(ticks)-1] > hi+step) {
			t.Fatalf("ticks %v reach a step too far beyond %v to %v", ticks, lo, hi)
		}
	})
}

func TestLevel(t *testing.T) {
	for _, c := range []struct {
		v, step float64
		want    string
	}{{-2, 1, "−2"}, {0.5, 0.5, "0.5"}, {-0.04, 0.1, "0.0"}, {-0.06, 0.1, "−0.1"}, {1.25, 0.05, "1.25"}, {3, 20, "3"}, {0.1, 0.1, "0.1"}, {1, 0.01, "1.00"}} {
		if got := Level(c.v, c.step); got != c.want {
			t.Errorf("Level(%v, %v) = %q, want %q", c.v, c.step, got, c.want)
		}
	}
}

func TestScale(t *testing.T) {
	x := scale{20, 20000, 0, 300, true}
	for f, want := range map[float64]float64{20: 0, 200: 100, 2000: 200, 20000: 300} {
		if got := x.at(f); math.Abs(got-want) > 1e-9 {
			t.Errorf("%v Hz stands at %v, want %v", f, got, want)
		}
	}
	y := scale{-6, 6, 120, 0, false}
	for v, want := range map[float64]float64{-6: 120, 0: 60, 3: 30, 6: 0} {
		if got := y.at(v); got != want {
			t.Errorf("%v dB stands at %v, want %v", v, got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	lo, hi, ok := Span([]float64{math.NaN(), 2}, nil, []float64{-3, math.Inf(1)})
	if lo != -3 || hi != 2 || !ok {
		t.Errorf("Span = %v, %v, %v", lo, hi, ok)
	}
	if _, _, ok := Span([]float64{math.NaN(), math.Inf(-1)}); ok {
		t.Error("Span found a number among none")
	}
}

// A limit is drawn inside the picture, never on its frame, where it would not be seen.
func TestLimitsLieInsideTheFrame(t *testing.T) {
	for _, limit := range []float64{0.5, 1, 2, 3, 5, 10} {
		p := EnvelopePlot{Axis: []float64{100, 1000}, Lower: []float64{-limit, -limit}, Upper: []float64{limit, limit}}
		if ticks := p.Ticks(); !(ticks[0] < -limit && ticks[len(ticks)-1] > limit) {
			t.Errorf("limits of ±%v dB in a picture from %v to %v", limit, ticks[0], ticks[len(ticks)-1])
		}
	}
}
