package gauge

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// finite fails on any NaN or infinity anywhere in a result.
func finite(t interface{ Fatalf(string, ...any) }, v any) {
	var walk func(v reflect.Value, path string)
	walk = func(v reflect.Value, path string) {
		switch v.Kind() {
		case reflect.Float64:
			if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%s is %v", path, x)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				walk(v.Field(i), path+"."+v.Type().Field(i).Name)
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i), fmt.Sprintf("%s[%d]", path, i))
			}
		}
	}
	walk(reflect.ValueOf(v), "result")
}

// A common level costs no digits: readings that are multiples of 1/64 stay exact
// when 1e6 or 1e12 is added, so every result must agree to rounding (the idea of
// NIST StRD SmLs, whose own decimal data are rounded at 1e12).
func TestLargeLevels(t *testing.T) {
	base := manual(t)
	for i := range base {
		base[i].Value = math.Round(base[i].Value*64) / 64
	}
	want, err := Crossed(base, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, level := range []float64{1e6, 1e12, -1e12} {
		moved := append([]Reading(nil), base...)
		for i := range moved {
			moved[i].Value += level
		}
		got, err := Crossed(moved, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("at %g: %+v, want %+v", level, got, want)
		}
	}
	// Decimal data at 1e6 keep the digits that float64 keeps of them.
	moved := manual(t)
	for i := range moved {
		moved[i].Value += 1e6
	}
	got, err := Crossed(moved, Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "part F at 1e6", got.Anova[0].F, 245.61391038552, 1e-6)
}

func drawStudy(t *rapid.T) (readings []Reading, nested bool) {
	o, p, r := rapid.IntRange(1, 4).Draw(t, "o"), rapid.IntRange(2, 6).Draw(t, "p"), rapid.IntRange(2, 3).Draw(t, "r")
	nested = o > 1 && rapid.Bool().Draw(t, "nested")
	grain := rapid.SampledFrom([]float64{1, 0.01}).Draw(t, "grain")
	for i := range o {
		for j := range p {
			for range r {
				v := grain * float64(rapid.IntRange(-200, 200).Draw(t, "v"))
				readings = append(readings, Reading{fmt.Sprint("p", j), fmt.Sprint("o", i), v})
			}
		}
	}
	return readings, nested
}

func analyse(readings []Reading, nested bool, o Options) (Study, error) {
	if nested {
		return Nested(readings, o)
	}
	return Crossed(readings, o)
}

// Sums of squares and degrees of freedom add up; variances add up; the order of
// the readings is free; a shift changes nothing; a factor changes variances by its
// square and shares not at all.
func TestStudyLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings, nested := drawStudy(t)
		s, err := analyse(readings, nested, Options{Tolerance: 3})
		if err != nil {
			return
		}
		finite(t, s)
		ss, df := 0.0, 0
		for _, r := range s.Anova {
			if r.Source != "total" && r.Source != "pooled error" {
				ss, df = ss+r.SS, df+r.DF
			}
		}
		total := s.Anova[len(s.Anova)-1]
		if math.Abs(ss-total.SS) > 1e-9*total.SS || df != total.DF || df != len(readings)-1 {
			t.Fatalf("parts add to %v (%d), total %v (%d)", ss, df, total.SS, total.DF)
		}
		v := s.Variance
		if v.Reproducibility != v.Operator+v.Interaction || math.Abs(v.Total-v.Part-v.Repeatability-v.Reproducibility) > 1e-12*v.Total {
			t.Fatalf("variances do not add up: %+v", v)
		}
		inside(t, s)
		moved := append([]Reading(nil), readings...)
		rand.New(rand.NewPCG(1, 1)).Shuffle(len(moved), func(i, j int) { moved[i], moved[j] = moved[j], moved[i] })
		for i := range moved {
			moved[i].Value = -4*moved[i].Value + 77
		}
		m, err := analyse(moved, nested, Options{Tolerance: 12})
		if err != nil {
			t.Fatal(err)
		}
		same(t, "variance", each(v, func(x float64) float64 { return 16 * x }), m.Variance, 16*v.Total)
		same(t, "percent", s.PercentStudy, m.PercentStudy, 1e4)
		same(t, "tolerance", s.PercentTolerance, m.PercentTolerance, 1e5)
	})
}

func same(t *rapid.T, what string, a, b Named[float64], size float64) {
	x, y := reflect.ValueOf(a), reflect.ValueOf(b)
	for i := range x.NumField() {
		if math.Abs(x.Field(i).Float()-y.Field(i).Float()) > 1e-9*size {
			t.Fatalf("%s: %+v against %+v", what, a, b)
		}
	}
}

// inside checks that every interval holds its estimate.
func inside(t *rapid.T, s Study) {
	check := func(is Named[Interval], at Named[float64]) {
		x, y := reflect.ValueOf(is), reflect.ValueOf(at)
		for i := range x.NumField() {
			v, e := x.Field(i).Interface().(Interval), y.Field(i).Float()
			if !(v.Low <= e && e <= v.High && v.Low >= 0) {
				t.Fatalf("%s: %v does not hold %v", x.Type().Field(i).Name, v, e)
			}
		}
	}
	check(s.VarianceInterval, s.Variance)
	check(s.PercentStudyInterval, s.PercentStudy)
}

// Whatever is fed in, the answer is an error or all finite.
func TestNoNaNFromBadInput(t *testing.T) {
	odd := []float64{0, 0, 1, 1, 2, -1, 1e-300, 5e-324, 1e150, -1e150, 1e300, math.NaN(), math.Inf(1), 1e12, 1e12 + 1}
	good := 0
	rapid.Check(t, func(t *rapid.T) {
		readings, nested := drawStudy(t)
		kinds := rapid.IntRange(1, len(odd)).Draw(t, "kinds")
		for i := range readings {
			readings[i].Value = odd[rapid.IntRange(0, kinds-1).Draw(t, "odd")]
		}
		if cut := rapid.IntRange(0, 3).Draw(t, "cut"); cut == 0 {
			readings = readings[:rapid.IntRange(0, len(readings)).Draw(t, "n")]
		}
		if s, err := analyse(readings, nested, Options{Tolerance: 1}); err == nil {
			finite(t, s)
			good++
		}
		var values []float64
		var checks []Check
		for i, r := range readings {
			values = append(values, r.Value)
			checks = append(checks, Check{r.Value, values[max(0, i-1):]})
		}
		if b, err := BiasOf(values, 1, Options{Tolerance: 1}); err == nil {
			finite(t, b)
		}
		if s, err := StabilityOf(checks, 1, Options{}); err == nil {
			finite(t, s)
		}
	})
	if good == 0 {
		t.Error("no case gave a result")
	}
}

func TestErrorsNameTheFault(t *testing.T) {
	full := func(edit func([]Reading) []Reading) []Reading { return edit(manual(t)) }
	drop := func(operator, part string, n int) []Reading {
		return full(func(rs []Reading) (kept []Reading) {
			for _, r := range rs {
				if r.Operator == operator && r.Part == part && n > 0 {
					n--
					continue
				}
				kept = append(kept, r)
			}
			return kept
		})
	}
	only := func(keep func(Reading) bool) []Reading {
		return full(func(rs []Reading) (kept []Reading) {
			for _, r := range rs {
				if keep(r) {
					kept = append(kept, r)
				}
			}
			return kept
		})
	}
	value := func(v float64) []Reading {
		return full(func(rs []Reading) []Reading { rs[6].Value = v; return rs })
	}
	bad, tiny := 1.5, 1e-200
	for _, tt := range []struct {
		name     string
		readings []Reading
		o        Options
		nested   bool
		part     string
	}{
		{"empty", nil, Options{}, false, "at least 4 values, has 0"},
		{"nan", value(math.NaN()), Options{}, false, "value 7 is not a number"},
		{"infinite", value(math.Inf(1)), Options{}, false, "value 7 is infinite"},
		{"huge", value(1e300), Options{}, false, "value 7 is larger"},
		{"missing cell", drop("2", "4", 3), Options{}, false, `part "4" has no reading by operator "2"`},
		{"short cell", drop("3", "10", 1), Options{}, false, `part "10" by operator "3" has 2 of 3 readings`},
		{"nested, a part short", drop("3", "10", 3), Options{}, true, `operator "3" has 9 parts where another has 10`},
		{"crossed where nested is meant", only(func(r Reading) bool {
			return (r.Operator == "1") == (r.Part < "3") && (r.Operator == "1" || r.Operator == "2")
		}), Options{}, false, "ask for the nested study"},
		{"one part", only(func(r Reading) bool { return r.Part == "3" }), Options{}, false, "at least 2 parts"},
		{"nested, one operator", only(func(r Reading) bool { return r.Operator == "3" }), Options{}, true, "at least 2 operators"},
		{"single readings", manual(t)[:10], Options{}, false, "at least 2 readings of each part"},
		{"constant", full(func(rs []Reading) []Reading {
			for i := range rs {
				rs[i].Value = 3.3
			}
			return rs
		}), Options{}, false, "all readings are equal"},
		{"copied readings", full(func(rs []Reading) []Reading {
			for i := range rs {
				rs[i].Value = float64(len(rs[i].Part)) + 0.1
			}
			return rs
		}), Options{}, false, "every reading of a part is the same"},
		{"pool", manual(t), Options{Pool: &bad}, false, "pool 1.5"},
		{"tolerance", manual(t), Options{Tolerance: -1}, false, "tolerance -1"},
		{"vanishing tolerance", manual(t), Options{Tolerance: tiny}, false, "check its unit"},
		{"confidence", manual(t), Options{Confidence: 95}, false, "confidence 95"},
	} {
		_, err := analyse(tt.readings, tt.nested, tt.o)
		if err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.part)
		}
	}
}

func TestSmallStudiesWarn(t *testing.T) {
	var two, once []Reading
	for _, r := range manual(t) {
		if r.Operator != "3" && r.Part < "4" {
			two = append(two, r)
		}
	}
	once = manual(t)[:0]
	for i, r := range manual(t) {
		if i/10%3 == 0 {
			once = append(once, r)
		}
	}
	for _, tt := range []struct {
		name     string
		readings []Reading
		part     string
	}{
		{"two operators", two, "Two operators"},
		{"few parts", two, "Only 4 parts"},
		{"one reading per cell", once, "read once"},
		{"one operator", manual(t)[:30], "One operator only"},
	} {
		s, err := Crossed(tt.readings, Options{})
		if err != nil || !strings.Contains(strings.Join(s.Warnings, " "), tt.part) {
			t.Errorf("%s: %q, %v", tt.name, s.Warnings, err)
		}
	}
	// One reading per cell: the interaction is what repeatability is judged by.
	s, _ := Crossed(once, Options{})
	if in := row(t, s, "interaction"); s.Variance.Repeatability != in.MS || s.Variance.Interaction != 0 {
		t.Errorf("repeatability %v, want the interaction's %v", s.Variance.Repeatability, in.MS)
	}
}

// Readings whose parts do not differ: one category, and said so.
func TestGaugeThatSeesNothing(t *testing.T) {
	var rs []Reading
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 90 {
		rs = append(rs, Reading{fmt.Sprint(i % 10), fmt.Sprint(i / 30), rng.NormFloat64()})
	}
	s, err := Crossed(rs, Options{})
	if err != nil || s.DistinctRatio >= 1 || s.DistinctCategories != 1 || !strings.Contains(strings.Join(s.Warnings, " "), "does not tell these parts apart") {
		t.Errorf("%v: ratio %v, %d categories, %q", err, s.DistinctRatio, s.DistinctCategories, s.Warnings)
	}
}

// Drift and check-to-check spread that were put in are found; the between/within
// split is that of the one-way analysis (scipy 1.10: f_oneway([1.0,1.2,1.1],
// [2.0,2.1,1.9],[1.4,1.6,1.5]) gives F 61.0, p 0.000103).
func TestStability(t *testing.T) {
	checks := []Check{{1, []float64{1.0, 1.2, 1.1}}, {2, []float64{2.0, 2.1, 1.9}}, {3, []float64{1.4, 1.6, 1.5}}}
	s, err := StabilityOf(checks, 1.5, Options{})
	if err != nil || !s.Tested || !s.Fitted {
		t.Fatalf("%+v, %v", s, err)
	}
	near(t, "F", s.F, 61, 1e-9)
	near(t, "within", s.Within, 0.1, 1e-12)
	near(t, "between", s.Between, math.Sqrt((0.61-0.01)/3), 1e-12)
	near(t, "slope", s.Slope, 0.2, 1e-12)
	near(t, "bias", s.Bias.Bias, 4.6/3-1.5, 1e-12)
	for _, tt := range []struct {
		checks []Check
		part   string
	}{
		{nil, "at least 2 checks"},
		{[]Check{{1, []float64{1}}, {2, nil}}, "check 2: needs at least 1"},
		{[]Check{{1, []float64{1}}, {math.NaN(), []float64{1}}}, "check 2 has the time NaN"},
	} {
		if _, err := StabilityOf(tt.checks, 0, Options{}); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	if _, err := BiasOf([]float64{1, 1, 1}, 0, Options{}); !errors.Is(err, ErrNoSpread) {
		t.Errorf("constant readings: %v", err)
	}
	if _, err := BiasOf([]float64{1, 2}, math.Inf(1), Options{}); err == nil || !strings.Contains(err.Error(), "reference value") {
		t.Errorf("infinite reference: %v", err)
	}
}

func BenchmarkCrossed(b *testing.B) {
	var rs []Reading
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 90 {
		rs = append(rs, Reading{fmt.Sprint(i % 10), fmt.Sprint(i / 30), float64(i%10) + float64(i/30) + rng.NormFloat64()})
	}
	for b.Loop() {
		if _, err := Crossed(rs, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
