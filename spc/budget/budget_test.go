package budget

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"alike/spc/chart"
	"alike/spc/multi"

	"pgregory.net/rapid"
)

// Severity is a second way to read the rules: at any chance it must fire exactly where
// chart.Reader fires with the rules stretched to that chance.
func TestSeverityAgreesWithTheReader(t *testing.T) {
	const n, freedom = 25, 14.8
	s := newScale(n, freedom, chart.Keys, 0.05)
	rapid.Check(t, func(t *rapid.T) {
		alpha := math.Exp(rapid.Float64Range(-16, -3.1).Draw(t, "ln alpha"))
		rules, err := chart.Stretched(alpha, n, freedom)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "stream"), 0))
		scale := rapid.SampledFrom([]float64{0.3, 1, 2, 6}).Draw(t, "scale")
		hold := rapid.SampledFrom([]float64{0, 0.7, 0.95}).Draw(t, "hold") // makes long runs
		d := chart.NewReader(rules)
		var tr track
		z := 0.0
		for i := range 120 {
			z = hold*z + math.Sqrt(1-hold*hold)*scale*rng.NormFloat64()
			width, length := s.push(&tr, z)
			keys := chart.KeysOf(d.Push(z), rules)
			goesByWidth := slices.ContainsFunc(keys, func(k chart.Key) bool {
				return k == chart.Beyond || k == chart.TwoOfThree || k == chart.FourOfFive
			})
			goesByLength := slices.ContainsFunc(keys, func(k chart.Key) bool {
				return k != chart.Beyond && k != chart.TwoOfThree && k != chart.FourOfFive
			})
			// The tables are straight between their points: 0.5 % of the chance is theirs.
			if near := math.Abs(width-math.Log(alpha)) < 0.005; goesByWidth != (width <= math.Log(alpha)) && !near {
				t.Fatalf("value %d: severity %v by width, ln alpha %v, reader %v", i, width, math.Log(alpha), keys)
			}
			if goesByLength != (length <= math.Log(alpha)) {
				t.Fatalf("value %d: severity %v by length, ln alpha %v, reader %v", i, length, math.Log(alpha), keys)
			}
		}
	})
}

// The mixture of a baseline has variance 1 and the baseline's own correlation, computed
// here the plain way.
func TestMixtureKeepsTheCorrelation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	base := correlated(rng, 40, 6, 0.6)
	rows, err := Mixture(base)
	if err != nil {
		t.Fatal(err)
	}
	short := fewer(rows)
	if len(short) != 6 {
		t.Errorf("%d rows for 6 streams", len(short))
	}
	for j := range 6 {
		for k := range 6 {
			want := correlation(column(base, j), column(base, k))
			for _, rows := range [][][]float64{rows, short} {
				got := 0.0
				for _, r := range rows {
					got += r[j] * r[k]
				}
				if math.Abs(got-want) > 1e-12 {
					t.Errorf("streams %d and %d from %d rows: %v, want %v", j, k, len(rows), got, want)
				}
			}
		}
	}
}

func correlation(x, y []float64) float64 {
	var mx, my float64
	for i := range x {
		mx, my = mx+x[i]/float64(len(x)), my+y[i]/float64(len(x))
	}
	var xx, yy, xy float64
	for i := range x {
		xx, yy, xy = xx+(x[i]-mx)*(x[i]-mx), yy+(y[i]-my)*(y[i]-my), xy+(x[i]-mx)*(y[i]-my)
	}
	return xy / math.Sqrt(xx*yy)
}

// correlated makes units of equally correlated normal streams.
func correlated(rng *rand.Rand, units, streams int, rho float64) [][]float64 {
	out := make([][]float64, units)
	for i := range out {
		out[i] = make([]float64, streams)
		common := rng.NormFloat64()
		for j := range out[i] {
			out[i][j] = math.Sqrt(rho)*common + math.Sqrt(1-rho)*rng.NormFloat64()
		}
	}
	return out
}

// firstAlarm lets units come until a rule fires on any stream, with limits from the
// baseline, read by chart.Reader: nothing of this package takes part.
func firstAlarm(base [][]float64, rules []chart.Rule, next func() []float64) int {
	return firstAlarmOf(base, rules, nil, 0, next)
}

// firstAlarmOf also reads the chart of all streams together, unless that is nil.
func firstAlarmOf(base [][]float64, rules []chart.Rule, whole *multi.Together, limit float64, next func() []float64) int {
	streams := len(base[0])
	center, sigma, z := make([]float64, streams), make([]float64, streams), make([]float64, streams)
	readers := make([]*chart.Reader, streams)
	for j := range streams {
		e, err := chart.EstimateFrom(column(base, j))
		if err != nil {
			panic(err)
		}
		center[j], sigma[j], readers[j] = e.Center, e.Sigma, chart.NewReader(rules)
	}
	var all *multi.TogetherReader
	if whole != nil {
		all = whole.NewReader()
	}
	for n := 1; ; n++ {
		fired := false
		for j, x := range next() {
			z[j] = (x - center[j]) / sigma[j]
			fired = readers[j].Push(z[j]) != 0 || fired
		}
		if all != nil {
			fired = all.Push(z) > limit || fired
		}
		if fired || n == 100_000 {
			return n
		}
	}
}

// leaning makes units of which every third stream is log-normal with the skewness given
// by spread (0.23 gives 0.71), the others normal.
func leaning(rng *rand.Rand, units, streams int, rho, spread float64) [][]float64 {
	out := correlated(rng, units, streams, rho)
	for _, r := range out {
		for j := 0; j < streams; j += 3 {
			r[j] = math.Exp(spread * r[j])
		}
	}
	return out
}

// A short form of the study: boards of 16 streams, asked for 60 units, small baselines.
// The study (study_test.go) does 98 streams and 500 units.
func TestCalibratedBoardsKeepTheirRunLength(t *testing.T) {
	const every, boards, streams = 60.0, 100, 16
	normal := func(rho float64) func(*rand.Rand, int) [][]float64 {
		return func(rng *rand.Rand, units int) [][]float64 { return correlated(rng, units, streams, rho) }
	}
	for _, tt := range []struct {
		name  string
		units int
		make  func(rng *rand.Rand, units int) [][]float64
	}{
		{"independent", 20, normal(0)},
		{"correlation 0.85", 60, normal(0.85)},
		{"leaning", 100, func(rng *rand.Rand, units int) [][]float64 { return leaning(rng, units, streams, 0.3, 0.23) }},
	} {
		rng := rand.New(rand.NewPCG(uint64(tt.units), 1))
		var sum, square float64
		for i := range boards {
			base := tt.make(rng, tt.units)
			r, err := Calibrate(t.Context(), base, Options{Every: every, Histories: 150, Seed: uint64(i)})
			if err != nil {
				t.Fatal(err)
			}
			for range 4 {
				n := float64(firstAlarm(base, r.Rules, func() []float64 { return tt.make(rng, 1)[0] }))
				sum, square = sum+n/4, square+n*n/4
			}
		}
		mean := sum / boards
		se := math.Sqrt((square/boards - mean*mean) / boards)
		t.Logf("%s, %d units: mean run length %.1f (se %.1f), asked %v", tt.name, tt.units, mean, se, every)
		if math.Abs(mean-every) > 0.1*every+3*se {
			t.Errorf("%s, %d units: mean run length %.1f (se %.1f), asked %v", tt.name, tt.units, mean, se, every)
		}
	}
}

// One chart with one rule against its known run length: with the limit at the normal
// quantile 1-α/2 and known parameters the mean is 1/α. A large baseline comes near it.
func TestOneChartOneRule(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	base := correlated(rng, 2000, 1, 0)
	r, err := Calibrate(t.Context(), base, Options{Every: 200, Keys: []chart.Key{chart.Beyond}, Histories: 2000})
	if err != nil {
		t.Fatal(err)
	}
	// 1/200 two-sided is 2.807 sigmas; the mean depends on the width by 1/(z·200).
	if w := r.Rules[0].Width; math.Abs(w-2.807) > 0.03 {
		t.Errorf("width %.4f, want 2.807", w)
	}
}

func TestCalibrateRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	good := func() [][]float64 { return correlated(rng, 20, 3, 0) }
	spoil := func(change func([][]float64)) [][]float64 { b := good(); change(b); return b }
	for name, tt := range map[string]struct {
		base [][]float64
		o    Options
	}{
		"none":        {nil, Options{}},
		"few":         {good()[:9], Options{}},
		"no streams":  {make([][]float64, 20), Options{}},
		"constant":    {spoil(func(b [][]float64) { setColumn(b, 1, 7) }), Options{}},
		"nan":         {spoil(func(b [][]float64) { b[4][2] = math.NaN() }), Options{}},
		"huge":        {spoil(func(b [][]float64) { b[4][2] = 1e300 }), Options{}},
		"every":       {good(), Options{Every: 5}},
		"every nan":   {good(), Options{Every: math.NaN()}},
		"histories":   {good(), Options{Histories: 10}},
		"unknown key": {good(), Options{Keys: []chart.Key{"sideways"}}},
	} {
		if r, err := Calibrate(t.Context(), tt.base, tt.o); err == nil {
			t.Errorf("%s: accepted, %+v", name, r)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Calibrate(ctx, good(), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func setColumn(b [][]float64, j int, x float64) {
	for _, r := range b {
		r[j] = x
	}
}

// The result depends on data and seed alone, not on how many processors share the work,
// and shifting or scaling a stream changes nothing.
func TestCalibrationIsSteady(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	base := correlated(rng, 20, 5, 0.3)
	moved := make([][]float64, len(base))
	for i, r := range base {
		moved[i] = []float64{r[0]*4 + 100, r[1], 2 * r[2], r[3], r[4] / 8}
	}
	o := Options{Every: 50, Histories: 100}
	a, err := Calibrate(t.Context(), base, o)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Calibrate(t.Context(), base, o)
	c, err := Calibrate(t.Context(), moved, o)
	if err != nil {
		t.Fatal(err)
	}
	if a.Width != b.Width || a.Length != b.Length || a.Mean != b.Mean {
		t.Errorf("two runs: %+v and %+v", a, b)
	}
	if math.Abs(c.Width/a.Width-1) > 1e-6 || math.Abs(c.Mean/a.Mean-1) > 1e-6 {
		t.Errorf("of moved streams: %v %v, of the same %v %v", c.Width, c.Mean, a.Width, a.Mean)
	}
}

func BenchmarkCalibrate(b *testing.B) {
	base := correlated(rand.New(rand.NewPCG(1, 1)), 40, 98, 0.5)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Calibrate(b.Context(), base, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
