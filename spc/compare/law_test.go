package compare

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"alike/spc/dist"

	"pgregory.net/rapid"
)

func finite(t interface{ Fatalf(string, ...any) }, v any) {
	var walk func(v reflect.Value, path string)
	walk = func(v reflect.Value, path string) {
		switch v.Kind() {
		case reflect.Float64:
			if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%s is %v", path, x)
			}
		case reflect.Struct:
			if p, ok := v.Interface().(Pair); ok && !p.Tested {
				if !math.IsNaN(p.Low) || !math.IsNaN(p.High) || !math.IsNaN(p.P) {
					t.Fatalf("%s was not tested and has an interval or p: %+v", path, p)
				}
				p.Low, p.High, p.P = 0, 0, 0
				v = reflect.ValueOf(p)
			}
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

// Interpolated quantiles of the studentized range against the exact ones, and the
// closed form for two groups.
func TestRanges(t *testing.T) {
	for _, k := range []int{2, 12} {
		r := newRanges(k, 0.05)
		for _, nu := range []float64{2, 11.1, 1e6} {
			if e := r.interpolated(nu)/r.exact(nu) - 1; math.Abs(e) > 1e-7 {
				t.Errorf("%d groups, %v degrees of freedom: off by %.1e", k, nu, e)
			}
		}
	}
	two := newRanges(2, 0.05)
	d := dist.StudentizedRange{Groups: 2, Nu: 7.5}
	near(t, "quantile for two", two.exact(7.5), d.QuantileUpper(0.05), 1e-8)
	near(t, "p for two", two.survival(3.1, 7.5), d.Survival(3.1), 1e-10)
	// Beyond a few degrees of freedom the rest is interpolated, and no earlier.
	r := newRanges(2, 0.05)
	for i := range exactRanges + 5 {
		nu := 3 + float64(i)/7
		near(t, "quantile", r.quantile(nu), r.exact(nu), 1e-6)
	}
	if len(r.known) != exactRanges || r.logs == nil {
		t.Errorf("%d exact quantiles, nodes %v", len(r.known), r.logs)
	}
}

func drawGroups(t *rapid.T) []Group {
	var groups []Group
	for i := range rapid.SampledFrom([]int{2, 2, 2, 2, 2, 2, 2, 2, 2, 3}).Draw(t, "k") {
		g := Group{Name: fmt.Sprint("g", i)}
		for range rapid.IntRange(2, 6).Draw(t, "n") {
			g.Values = append(g.Values, float64(rapid.IntRange(-40, 40).Draw(t, "x"))/8)
		}
		groups = append(groups, g)
	}
	return groups
}

// A shift changes the means alone, a factor goes with everything that has the
// unit; the order of the values is free; of two groups, analysis of variance and
// the pair agree, and so do Welch's F and t.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := drawGroups(t)
		o := Options{UnequalSpread: rapid.Bool().Draw(t, "unequal"), Margin: 1}
		r, err := OneWay(groups, o)
		if errors.Is(err, ErrNoSpread) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		finite(t, r)
		moved := make([]Group, len(groups))
		for i, g := range groups {
			moved[i].Name = g.Name
			for _, v := range g.Values {
				moved[i].Values = append(moved[i].Values, 4*v-32)
			}
			slices.Reverse(moved[i].Values)
		}
		o.Margin = 4
		m, err := OneWay(moved, o)
		if err != nil {
			t.Fatal(err)
		}
		agree := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-9*math.Max(1, math.Max(math.Abs(a), math.Abs(b))) {
				t.Fatalf("%s: %v against %v", what, a, b)
			}
		}
		agree("F", r.Anova.Statistic, m.Anova.Statistic)
		agree("within", 16*r.Anova.Within, m.Anova.Within)
		agree("Welch", r.Welch.P, m.Welch.P)
		agree("Brown-Forsythe", r.BrownForsythe.P, m.BrownForsythe.P)
		agree("Bartlett", r.Bartlett.Statistic, m.Bartlett.Statistic)
		for i, p := range r.Pairs {
			q := m.Pairs[i]
			agree("difference", 4*p.Difference, q.Difference)
			agree("low", 4*p.Low, q.Low)
			agree("p", p.P, q.P)
			agree("equivalence", p.EquivalenceP, q.EquivalenceP)
			if p.Tested && (p.P <= 0.05) != (p.Low > 0 || p.High < 0) && math.Abs(p.P-0.05) > 1e-6 {
				t.Fatalf("interval and p disagree: %+v", p)
			}
			if p.Settle != q.Settle || p.Equivalent != q.Equivalent {
				t.Fatalf("%+v became %+v", p, q)
			}
		}
		if len(groups) == 2 && r.Pairs[0].Tested {
			main := r.Anova.P
			if o.UnequalSpread && r.Welch.Tested {
				main = r.Welch.P
			}
			if !o.UnequalSpread || r.Welch.Tested {
				if math.Abs(main-r.Pairs[0].P) > 1e-8 {
					t.Fatalf("two groups: %v against %v", main, r.Pairs[0].P)
				}
			}
		}
	})
}

// What was not shown is never called the same: no conclusion says equal, and a
// pair is called equivalent only when it is.
func TestConclusionsDoNotOverclaim(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.Float64Range(0, 1)
		test := func() Test { return Test{P: unit.Draw(t, "p"), Tested: rapid.Bool().Draw(t, "tested")} }
		r := Result{Anova: Anova{Test: test()}, Welch: test(), BrownForsythe: test()}
		o := Options{Margin: rapid.SampledFrom([]float64{0, 1}).Draw(t, "margin"), UnequalSpread: rapid.Bool().Draw(t, "unequal")}
		equivalent := 0
		for range rapid.IntRange(1, 4).Draw(t, "pairs") {
			d := rapid.Float64Range(-2, 2).Draw(t, "d")
			p := Pair{A: "B2", B: "B1", Difference: d, Low: d - 1, High: d + 1, P: unit.Draw(t, "p"), Tested: rapid.Bool().Draw(t, "tested"), Settle: rapid.IntRange(0, 9).Draw(t, "settle")}
			if o.Margin > 0 && math.Abs(d) < o.Margin {
				p.Equivalent = rapid.Bool().Draw(t, "equivalent")
			}
			if p.Equivalent {
				equivalent++
			}
			r.Pairs = append(r.Pairs, p)
		}
		r.conclude(o)
		text := strings.ToLower(strings.Join(r.Conclusion, " "))
		for _, word := range []string{"equal", "the same", "identical", "no difference."} {
			if strings.Contains(text, word) {
				t.Fatalf("%q in %s", word, text)
			}
		}
		if claims := strings.Count(text, "equivalent within") + strings.Count(text, "too small to matter"); claims != equivalent {
			t.Fatalf("%d claims for %d pairs:\n%s", claims, equivalent, text)
		}
		if strings.Contains(text, "no difference between the group means is shown") != strings.Contains(text, "that does not mean there is none") {
			t.Fatalf("bare claim in %s", text)
		}
	})
}

// Adjusted p-values by hand: 0.01, 0.04, 0.03 → 0.03, 0.06, 0.06.
func TestHolm(t *testing.T) {
	got := Holm([]float64{0.01, 0.04, 0.03})
	for i, w := range []float64{0.03, 0.06, 0.06} {
		near(t, "Holm", got[i], w, 1e-15)
	}
	if len(Holm(nil)) != 0 {
		t.Error("none")
	}
	defer func() {
		if recover() == nil {
			t.Error("NaN accepted")
		}
	}()
	Holm([]float64{math.NaN()})
}

func TestNoNaNFromBadInput(t *testing.T) {
	odd := []float64{0, 1, 1, 1, 2, -1, 1e-300, 5e-324, 1e150, -1e150, 1e12, 1e12 + 1, 1e300, math.NaN(), math.Inf(1)}
	good := 0
	rapid.Check(t, func(t *rapid.T) {
		kinds := rapid.SampledFrom([]int{3, 5, 6, 8, 10, 12, len(odd)}).Draw(t, "kinds")
		draw := func() float64 { return odd[rapid.IntRange(0, kinds-1).Draw(t, "x")] }
		var groups []Group
		var batches []Batch
		for i := range rapid.SampledFrom([]int{0, 1, 2, 2, 2, 2, 3}).Draw(t, "k") {
			g, b := Group{Name: fmt.Sprint(i)}, Batch{Name: fmt.Sprint(i)}
			for range rapid.SampledFrom([]int{0, 1, 2, 3, 4, 4}).Draw(t, "n") {
				g.Values = append(g.Values, draw())
				b.Rows = append(b.Rows, []float64{draw(), draw()})
			}
			groups, batches = append(groups, g), append(batches, b)
		}
		o := Options{UnequalSpread: rapid.Bool().Draw(t, "unequal"), Margin: rapid.SampledFrom([]float64{0, 1, 1e100}).Draw(t, "margin")}
		if r, err := OneWay(groups, o); err == nil {
			finite(t, r)
			good++
		}
		if s, err := Curves(batches, CurveOptions{Options: o, Draws: 99}); err == nil {
			finite(t, s)
		}
		a, b := Summary{"a", 3, draw(), draw()}, Summary{"b", rapid.IntRange(0, 3).Draw(t, "n"), draw(), draw()}
		if d, err := Welch(a, b, 0.95); err == nil {
			finite(t, d)
		}
		if d, err := Pooled(a, b, 0.95); err == nil {
			finite(t, d)
		}
		if e, err := Equivalent(a, b, 1, 0.05); err == nil {
			finite(t, e)
		}
		if n, err := SettlePerGroup(a, b, 1, 0.05); err == nil && n < 0 {
			t.Fatalf("settle %d", n)
		}
	})
	if good == 0 {
		t.Error("no draw gave a result: the test tells nothing")
	}
}

func TestErrorsNameTheFault(t *testing.T) {
	nan := math.NaN()
	fine := Group{"a", []float64{1, 2, 3}}
	for _, tt := range []struct {
		groups []Group
		o      Options
		part   string
	}{
		{nil, Options{}, "at least 2 groups, has 0"},
		{[]Group{fine}, Options{}, "at least 2 groups, has 1"},
		{make([]Group, MostGroups+1), Options{}, "too many"},
		{[]Group{fine, {"b", nil}}, Options{}, `group "b": needs at least 2 values, has 0`},
		{[]Group{fine, {"b", []float64{1}}}, Options{}, `group "b": needs at least 2 values, has 1`},
		{[]Group{fine, {"b", []float64{1, nan}}}, Options{}, `group "b": value 2 is not a number`},
		{[]Group{fine, {"b", []float64{1, 1e300}}}, Options{}, `group "b": value 2 is larger`},
		{[]Group{fine, {"a", []float64{1, 2}}}, Options{}, `group "a" stands twice`},
		{[]Group{fine, {"", []float64{1, 2}}}, Options{}, "group 2 has no name"},
		{[]Group{{"a", []float64{1, 1}}, {"b", []float64{2, 2}}}, Options{}, "do not vary within"},
		{[]Group{{"a", []float64{94.1, 94.1}}, {"b", []float64{94.1, 94.1}}}, Options{}, "do not vary within"},
		{[]Group{fine, {"b", []float64{1, 2}}}, Options{Confidence: 95}, "confidence 95"},
		{[]Group{fine, {"b", []float64{1, 2}}}, Options{Margin: -1}, "margin -1"},
		{[]Group{fine, {"b", []float64{1, 2}}}, Options{Margin: 1e-30}, "check its unit"},
	} {
		if _, err := OneWay(tt.groups, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	rows := [][]float64{{1, 2}, {2, 1}}
	for _, tt := range []struct {
		batches []Batch
		o       CurveOptions
		part    string
	}{
		{nil, CurveOptions{}, "at least 2 batches"},
		{[]Batch{{"a", nil}, {"b", rows}}, CurveOptions{}, `batch "a" has no levels`},
		{[]Batch{{"a", rows}, {"b", rows[:1]}}, CurveOptions{}, `batch "b" has 1 units`},
		{[]Batch{{"a", rows}, {"b", [][]float64{{1, 2}, {1}}}}, CurveOptions{}, `batch "b", unit 2 has 1 bands`},
		{[]Batch{{"a", rows}, {"b", [][]float64{{1, 2}, {1, nan}}}}, CurveOptions{Bands: []string{"63 Hz", "80 Hz"}}, `batch "b", unit 2, 80 Hz: is not a number`},
		{[]Batch{{"a", rows}, {"b", rows}}, CurveOptions{Bands: []string{"63 Hz"}}, "1 names for 2 bands"},
		{[]Batch{{"a", rows}, {"b", rows}}, CurveOptions{Draws: 5}, "5 draws"},
		{[]Batch{{"a", [][]float64{{1, 2}, {2, 2}}}, {"b", [][]float64{{1, 2}, {2, 2}}}}, CurveOptions{}, "band 2: the values do not vary"},
	} {
		if _, err := Curves(tt.batches, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	a, b := Summary{"a", 3, 1, 1}, Summary{"b", 3, 1, 1}
	for _, tt := range []struct {
		a             Summary
		margin, alpha float64
		part          string
	}{
		{Summary{"a", 1, 1, 1}, 1, 0.05, `group "a" has 1 values`},
		{Summary{"a", 3, nan, 1}, 1, 0.05, `group "a" has the mean NaN`},
		{Summary{"a", 3, 1, -1}, 1, 0.05, `group "a" has the standard deviation -1`},
		{a, 0, 0.05, "margin 0"}, {a, nan, 0.05, "margin NaN"}, {a, 1, 0.5, "level 0.5"},
	} {
		if _, err := Equivalent(tt.a, b, tt.margin, tt.alpha); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
}

func TestWarnings(t *testing.T) {
	wide := Group{"wide", []float64{-30, 25, -20, 40, 10, -35, 30}}
	narrow := Group{"narrow", []float64{1, 1.5, 0.8, 1.2, 0.9, 1.1, 1}}
	for _, tt := range []struct {
		groups []Group
		o      Options
		part   string
	}{
		{[]Group{wide, narrow}, Options{}, "The spreads differ"},
		{[]Group{wide, {"few", []float64{1, 3}}}, Options{}, "Group few has only 2 values"},
		{[]Group{wide, {"few", []float64{1, 3, 2, 5, 4}}}, Options{UnequalSpread: true}, "fewer than 6 values"},
		{[]Group{wide, {"flat", []float64{1, 1, 1}}}, Options{UnequalSpread: true}, "does not vary at all"},
		{[]Group{{"a", []float64{1, 3}}, {"b", []float64{2, 4}}}, Options{}, "too evenly around their medians"},
		{[]Group{{"a", []float64{1, 3, 9}}, {"b", []float64{2, 2.1, 2.2}}}, Options{}, "more than three times"},
	} {
		r, err := OneWay(tt.groups, tt.o)
		if err != nil || !strings.Contains(strings.Join(r.Warnings, " "), tt.part) {
			t.Errorf("%q, %v, want %q", r.Warnings, err, tt.part)
		}
	}
	flat := oneWay(t, []Group{wide, {"a", []float64{1, 1, 1}}, {"b", []float64{2, 2, 2}}}, Options{UnequalSpread: true, Margin: 3})
	if p := flat.Pairs[2]; p.Tested || !math.IsNaN(p.Low) || !math.IsNaN(p.High) || !math.IsNaN(p.P) || p.Equivalent || p.EquivalenceP != 1 || !strings.Contains(strings.Join(flat.Conclusion, " "), "b and a cannot be compared") {
		t.Errorf("%+v, %q", p, flat.Conclusion)
	}
}

func draw(rng *rand.Rand, name string, n, bands int, mean, sd float64) Batch {
	b := Batch{Name: name}
	for range n {
		common := rng.NormFloat64()
		row := make([]float64, bands)
		for i := range row {
			row[i] = mean + sd*(0.8*common+0.6*rng.NormFloat64())
		}
		b.Rows = append(b.Rows, row)
	}
	return b
}

// The permutation test keeps its level on correlated bands and sees a shift; so do
// the adjusted tests of the bands.
func TestCurvesLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 3))
	const runs = 300
	joint, band, found := 0, 0, 0
	for i := range runs {
		o := CurveOptions{Draws: 199, Seed: uint64(i)}
		bands, err := o.columns([]Batch{draw(rng, "a", 8, 5, 0, 1), draw(rng, "b", 12, 5, 0, 1)})
		if err != nil {
			t.Fatal(err)
		}
		if newShuffle(bands).test(199, uint64(i)).P <= 0.05 {
			joint++
		}
		var p []float64
		for _, g := range bands {
			d, err := arrange(g)
			if err != nil {
				t.Fatal(err)
			}
			p = append(p, d.anova(0.95).P)
		}
		if slices.Min(Holm(p)) <= 0.05 {
			band++
		}
		bands, _ = o.columns([]Batch{draw(rng, "a", 8, 5, 0, 1), draw(rng, "b", 12, 5, 2, 1)})
		if newShuffle(bands).test(199, uint64(i)).P <= 0.05 {
			found++
		}
	}
	t.Logf("false alarms: together %d, any band %d; shift found %d of %d", joint, band, found, runs)
	if joint < 5 || joint > 27 || band > 27 || found < 285 {
		t.Errorf("false alarms: together %d, any band %d; shift found %d of %d", joint, band, found, runs)
	}
}

func TestCurves(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 3))
	batches := []Batch{draw(rng, "first", 20, 4, 90, 0.2), draw(rng, "second", 20, 4, 90, 0.2), draw(rng, "third", 20, 4, 92, 0.2)}
	o := CurveOptions{Options: Options{Margin: 0.5}, Bands: []string{"100 Hz", "200 Hz", "400 Hz", "800 Hz"}}
	s, err := Curves(batches, o)
	if err != nil {
		t.Fatal(err)
	}
	if again, _ := Curves(batches, o); !reflect.DeepEqual(s, again) {
		t.Error("the same seed gave another answer")
	}
	if s.Joint.P != 1e-4 || s.Joint.Exact || len(s.Bands) != 4 || s.MeanP[0] > 1e-6 {
		t.Errorf("%+v, %v", s.Joint, s.MeanP)
	}
	text := strings.Join(s.Conclusion, "\n")
	for _, part := range []string{"the batches differ", "Means differ in all 4 bands", "second and first are equivalent within the margin of 0.5 in all bands", "third and first differ by more than the margin of 0.5 in all 4 bands"} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in\n%s", part, text)
		}
	}
	if p := s.Pairs[0]; p.A != "second" || !p.Everywhere || !p.Equivalent[3] || s.Pairs[1].Everywhere {
		t.Errorf("%+v", s.Pairs)
	}
	tiny, err := Curves([]Batch{{"a", batches[0].Rows[:2]}, {"b", batches[2].Rows[:2]}}, CurveOptions{})
	if err != nil || tiny.Joint.P != 2.0/6 || !tiny.Joint.Exact || !strings.Contains(strings.Join(tiny.Warnings, " "), "only 6 arrangements") {
		t.Errorf("%+v, %q, %v", tiny.Joint, tiny.Warnings, err)
	}
	if !strings.Contains(tiny.Conclusion[0], "that does not mean there is none") {
		t.Errorf("%q", tiny.Conclusion)
	}
}

// The number of values said to settle an equivalence does so about four times in
// five.
func TestSettleBySimulation(t *testing.T) {
	a, b := Summary{"a", 10, 0.3, 1}, Summary{"b", 10, 0, 1.5}
	n, err := SettlePerGroup(a, b, 1, 0.05)
	if err != nil || n == 0 {
		t.Fatal(n, err)
	}
	rng := rand.New(rand.NewPCG(2, 2))
	const runs = 1500
	settled := 0
	for range runs {
		s := [2]Summary{}
		for k, g := range []Summary{a, b} {
			var sum, sq float64
			for range n {
				v := g.Mean + g.SD*rng.NormFloat64()
				sum += v
				sq += v * v
			}
			m := sum / float64(n)
			s[k] = Summary{g.Name, n, m, math.Sqrt((sq - sum*m) / float64(n-1))}
		}
		if e, err := Equivalent(s[0], s[1], 1, 0.05); err == nil && e.Equivalent {
			settled++
		}
	}
	t.Logf("%d per group settle it in %d of %d", n, settled, runs)
	if math.Abs(float64(settled)/runs-0.8) > 0.04 {
		t.Errorf("%d per group settle it in %d of %d", n, settled, runs)
	}
}

func BenchmarkCurves(b *testing.B) {
	rng := rand.New(rand.NewPCG(7, 3))
	batches := []Batch{draw(rng, "1", 30, 62, 90, 0.2), draw(rng, "2", 30, 62, 90, 0.2), draw(rng, "3", 30, 62, 90, 0.3), draw(rng, "4", 30, 62, 90, 0.2)}
	for _, unequal := range []bool{false, true} {
		b.Run(fmt.Sprint("unequal=", unequal), func(b *testing.B) {
			for b.Loop() {
				if _, err := Curves(batches, CurveOptions{Options: Options{UnequalSpread: unequal}}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
