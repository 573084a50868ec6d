package runlength_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"alike/spc/chart"
	"alike/spc/runlength"

	"pgregory.net/rapid"
)

// table reads a CSV file of testdata into rows of numbers, without its head.
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		nums := make([]float64, len(row))
		for i, s := range row {
			if nums[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, nums)
	}
	return out
}

func numbers(t *testing.T, s string) []float64 {
	t.Helper()
	var out []float64
	for _, f := range strings.Fields(s) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func pick(t *testing.T, keys ...chart.Key) []chart.Rule {
	t.Helper()
	rules, err := chart.Pick(chart.Nelson(), keys)
	if err != nil {
		t.Fatal(err)
	}
	return rules
}

var none runlength.Simulation

// Shewhart chart with limits at 3 sigmas (any handbook prints 370.4, 43.89, 6.30;
// from memory, recomputed with scipy).
func TestShewhart(t *testing.T) {
	for _, w := range [][2]float64{{0, 370.398}, {0.25, 281.153}, {0.5, 155.224}, {0.75, 81.2157}, {1, 43.8947}, {1.5, 14.9677}, {2, 6.3030}, {3, 2.0000}} {
		r, err := runlength.Individuals(w[0], nil, none)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ARL-w[1]) > 0.0005 || r.SE != 0 || r.Method != runlength.ClosedForm {
			t.Errorf("shift %v: %+v, want %v", w[0], r, w[1])
		}
	}
	// Of several lines the nearest decides.
	one := chart.Nelson()[0]
	two, four := one, one
	two.Width, four.Width = 2, 4
	r, err := runlength.Individuals(0, []chart.Rule{one, two, four}, none)
	if err != nil || math.Abs(r.ARL-21.977895) > 5e-6 { // 1/0.0455002639
		t.Errorf("nearest of three lines: %+v, %v, want 21.9779", r, err)
	}
}

// Champ and Woodall, Technometrics 29 (1987) Table 1 (printed 152.73, 110.52, 91.75
// and 9.22 from memory; the rest recomputed by an independent chain in numpy).
func TestChampWoodall(t *testing.T) {
	eight := chart.Rule{Key: chart.SameSide, Count: 8, Of: 8}
	shifts := numbers(t, "0 .2 .4 .6 .8 1 1.2 1.4 1.6 1.8 2 2.2 2.4 2.6 2.8 3")
	for _, w := range []struct {
		name  string
		rules []chart.Rule
		arl   string
	}{
		{"C1,4", append(pick(t, chart.Beyond), eight), "152.73 110.52 59.76 33.64 21.07 14.58 10.90 8.60 7.03 5.85 4.89 4.08 3.38 2.81 2.35 1.99"},
		{"C1,2,3,4", append(pick(t, chart.Beyond, chart.TwoOfThree, chart.FourOfFive), eight), "91.75 66.80 36.61 20.91 13.25 9.22 6.89 5.42 4.41 3.68 3.13 2.70 2.35 2.07 1.85 1.67"},
	} {
		for i, want := range numbers(t, w.arl) {
			r, err := runlength.Individuals(shifts[i], w.rules, none)
			if err != nil {
				t.Fatal(err)
			}
			// One of the printed halves is rounded the other way: 14.5859.
			if math.Abs(r.ARL-want) > 0.0101 || r.SE != 0 || r.Method != runlength.MarkovChain {
				t.Errorf("%s, shift %v: %+v, want %v", w.name, shifts[i], r, want)
			}
		}
	}
}

// Single rules, computed with numpy: nine on one side without a shift is exactly
// 2⁹-1.
func TestSingleRules(t *testing.T) {
	for _, w := range []struct {
		key             chart.Key
		shift, arl, tol float64
	}{
		{chart.SameSide, 0, 511, 1e-9}, {chart.SameSide, 0.5, 86.324, 5e-4}, {chart.SameSide, 1, 23.536, 5e-4},
		{chart.Hugging, 0, 963.27, 5e-3}, {chart.Avoiding, 0, 14251.4, 5e-2},
	} {
		r, err := runlength.Individuals(w.shift, pick(t, w.key), none)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ARL-w.arl) > w.tol {
			t.Errorf("%s, shift %v: %v, want %v", w.key, w.shift, r.ARL, w.arl)
		}
	}
	// Runs that come once in an age: 2⁶⁰-1, and k in a row of chance p, by
	// (1-pᵏ)/(pᵏ(1-p)) (Feller, Introduction to Probability, XIII.7, from memory).
	p := math.Erfc(1 / math.Sqrt2)
	for _, w := range []struct {
		rule chart.Rule
		arl  float64
	}{
		{chart.Rule{Key: chart.SameSide, Count: 60, Of: 60}, 1<<60 - 1},
		{chart.Rule{Key: chart.Avoiding, Count: 30, Of: 30, Width: 1}, (1 - math.Pow(p, 30)) / (math.Pow(p, 30) * (1 - p))},
	} {
		r, err := runlength.Individuals(0, []chart.Rule{w.rule}, none)
		if err != nil || math.Abs(r.ARL/w.arl-1) > 1e-10 {
			t.Errorf("%+v: %+v %v, want %v", w.rule, r, err, w.arl)
		}
	}
}

// Trend and alternating against testdata/steps.csv; a shift cannot matter.
func TestSteps(t *testing.T) {
	for i, w := range table(t, "steps.csv") {
		rule := chart.Rule{Key: chart.Trend, Count: int(w[1]), Of: int(w[1])}
		if w[0] == 1 {
			rule.Key = chart.Alternating
		}
		r, err := runlength.Individuals(float64(i), []chart.Rule{rule}, runlength.Simulation{Seed: 5, Runs: 5000})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ARL-w[2]) > 3.5*r.SE || r.SE > 0.02*w[2] || r.Method != runlength.Simulated {
			t.Errorf("%s of %v: %+v, want %v", rule.Key, w[1], r, w[2])
		}
	}
}

// Nobody has to ask for 0.3 %: the zero Simulation draws enough, and no warning is due.
func TestDefaultSimulation(t *testing.T) {
	for _, w := range table(t, "steps.csv") {
		if w[2] < 100 || w[2] > 500 {
			continue
		}
		rule := chart.Rule{Key: chart.Trend, Count: int(w[1]), Of: int(w[1])}
		if w[0] == 1 {
			rule.Key = chart.Alternating
		}
		r, err := runlength.Individuals(0, []chart.Rule{rule}, none)
		if err != nil || math.Abs(r.ARL-w[2]) > 3.5*r.SE || r.SE > 0.0035*w[2] || r.Warnings != nil {
			t.Errorf("%s of %v: %+v, %v, want %v", rule.Key, w[1], r, err, w[2])
		}
	}
	// with a shift in several variables, simulated as well
	r, err := runlength.MEWMA(3, 0.2, 10, 1, true, none)
	if err != nil || r.Method != runlength.Simulated || r.SE > 0.0035*r.ARL || r.Warnings != nil {
		t.Errorf("%+v, %v", r, err)
	}
}

// Rules that are not zoned are simulated together with those that are. A trend of
// thirty never comes, so one beyond three sigmas is left; its shift matters.
func TestMixedRules(t *testing.T) {
	rules := append(pick(t, chart.Beyond), chart.Rule{Key: chart.Trend, Count: 30, Of: 30})
	for shift, want := range map[float64]float64{0: 370.398, 1: 43.8947} {
		r, err := runlength.Individuals(shift, rules, runlength.Simulation{Runs: 4000})
		if err != nil || r.Method != runlength.Simulated || math.Abs(r.ARL-want) > 3.5*r.SE || r.SE > 0.02*want {
			t.Errorf("shift %v: %+v, %v, want %v", shift, r, err, want)
		}
	}
}

// Computed averages against streams read by the package chart itself, for subsets
// of the rules, published and stretched, and several shifts.
func TestChainAgainstSimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 87))
	sets := [][]chart.Rule{
		pick(t, chart.Beyond, chart.SameSide, chart.TwoOfThree, chart.FourOfFive, chart.Hugging, chart.Avoiding),
		pick(t, chart.TwoOfThree), pick(t, chart.FourOfFive, chart.Hugging), pick(t, chart.Avoiding, chart.SameSide),
		{{Key: chart.FourOfFive, Count: 5, Of: 8, Width: 0.7}, {Key: chart.TwoOfThree, Count: 3, Of: 4, Width: 1.3}},
	}
	stretched, err := chart.Stretched(1e-3, 40, 24)
	if err != nil {
		t.Fatal(err)
	}
	zoned := []chart.Rule{}
	for _, r := range stretched {
		if r.Zoned() {
			zoned = append(zoned, r)
		}
	}
	sets = append(sets, zoned)
	for _, rules := range sets {
		for _, shift := range []float64{0, -0.6, 1.5} {
			want, err := runlength.Individuals(shift, rules, none)
			if err != nil {
				t.Fatal(err)
			}
			runs := min(4000, int(1e6/want.ARL)+50)
			var sum, sq float64
			for range runs {
				d := chart.NewReader(rules)
				n := 1.0
				for d.Push(rng.NormFloat64()+shift) == 0 {
					n++
				}
				sum, sq = sum+n, sq+n*n
			}
			m := float64(runs)
			se := math.Sqrt((sq/m - sum/m*sum/m) / m)
			if math.Abs(sum/m-want.ARL) > 4*se {
				t.Errorf("rules %v, shift %v: simulated %.3f (se %.3f), computed %.3f", rules, shift, sum/m, se, want.ARL)
			}
		}
	}
}

// The law of the run length: geometric for Beyond; else it adds up to its mean,
// its quantiles split it, and simulated shares agree.
func TestRunLengths(t *testing.T) {
	d, err := runlength.RunLengths(1, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := 1 / 43.894745 // recomputed, see TestShewhart
	for _, n := range []int{0, 1, 10, 100, 10_000} {
		if want := math.Pow(1-p, float64(n)); math.Abs(d.After(n)-want) > 1e-6*want*float64(n+1) {
			t.Errorf("after %d: %v, want %v", n, d.After(n), want)
		}
	}
	if n, ok := d.Quantile(0.5); !ok || n != 31 { // log 0.5 / log(1-p) = 30.08
		t.Errorf("median %d", n)
	}

	// Two in a row on one side: the chance of more than n points is 2^(1-n), exactly.
	d, err = runlength.RunLengths(0, []chart.Rule{{Key: chart.SameSide, Count: 2, Of: 2}})
	if n, ok := d.Quantile(0.5); err != nil || !ok || n != 2 || math.Abs(d.After(5)-1.0/16) > 1e-15 || math.Abs(d.Mean()-3) > 1e-12 {
		t.Errorf("median %d, beyond 5 %v, mean %v, %v; want 2, 1/16, 3", n, d.After(5), d.Mean(), err)
	}

	rules := pick(t, chart.Beyond, chart.SameSide, chart.TwoOfThree, chart.FourOfFive, chart.Hugging, chart.Avoiding)
	d, err = runlength.RunLengths(0, rules)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for n := range 5000 {
		sum += d.After(n)
	}
	r, err := runlength.Individuals(0, rules, none)
	if err != nil || math.Abs(sum-d.Mean()) > 1e-8 || r.ARL != d.Mean() {
		t.Errorf("mean %v, of the law %v, Individuals %v %v", d.Mean(), sum, r.ARL, err)
	}
	for _, q := range []float64{0, 0.05, 0.5, 0.999999} {
		n, ok := d.Quantile(q)
		if !ok || d.After(n) > 1-q || n > 1 && d.After(n-1) <= 1-q {
			t.Errorf("quantile %v is %d: chances beyond %v, before it %v", q, n, d.After(n), d.After(n-1))
		}
	}
	rng := rand.New(rand.NewPCG(2, 3))
	n, _ := d.Quantile(0.25)
	const runs = 5000
	within := 0.0
	for range runs {
		reader := chart.NewReader(rules)
		for range n {
			if reader.Push(rng.NormFloat64()) != 0 {
				within++
				break
			}
		}
	}
	if want := 1 - d.After(n); math.Abs(within/runs-want) > 4*math.Sqrt(want*(1-want)/runs) {
		t.Errorf("a signal within %d points in %v of the runs, computed %v", n, within/runs, want)
	}
}

// A mirrored shift is the same; a rule more, or a narrower line, never makes a run
// longer.
func TestIndividualsLaws(t *testing.T) {
	keys := []chart.Key{chart.Beyond, chart.SameSide, chart.TwoOfThree, chart.FourOfFive, chart.Hugging, chart.Avoiding}
	rapid.Check(t, func(t *rapid.T) {
		all, _ := chart.Pick(chart.Nelson(), keys)
		rules := []chart.Rule{}
		for _, r := range all {
			if rapid.Bool().Draw(t, string(r.Key)) {
				rules = append(rules, r)
			}
		}
		if len(rules) == 0 {
			return
		}
		shift := rapid.Float64Range(-3, 3).Draw(t, "shift")
		arl := func(shift float64, rules []chart.Rule) float64 {
			r, err := runlength.Individuals(shift, rules, none)
			if err != nil {
				t.Fatal(err)
			}
			return r.ARL
		}
		one := arl(shift, rules)
		if two := arl(-shift, rules); math.Abs(one/two-1) > 1e-9 || one < 1 {
			t.Fatalf("shift %v: %v, mirrored %v", shift, one, two)
		}
		more := append(rules, all[rapid.IntRange(0, len(all)-1).Draw(t, "more")])
		if fewer := arl(shift, more); fewer > one*(1+1e-9) {
			t.Fatalf("%v points with %v, %v with %v", one, rules, fewer, more)
		}
	})
}

func TestIndividualsRefuses(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		shift float64
		rules []chart.Rule
		s     runlength.Simulation
		says  string
	}{
		{nan, nil, none, "shift"}, {math.Inf(1), nil, none, "shift"}, {0, []chart.Rule{}, none, "0 rules"},
		{0, []chart.Rule{{Key: "else", Count: 1, Of: 1}}, none, "unknown rule"},
		{0, []chart.Rule{{Key: chart.TwoOfThree, Count: 3, Of: 2, Width: 1}}, none, "3 of 2"},
		{0, []chart.Rule{{Key: chart.Hugging, Count: 2, Of: 2, Width: nan}}, none, "width"},
		{0, make([]chart.Rule, 65), none, "65 rules"},
		{0, chart.Nelson(), runlength.Simulation{Runs: -1}, "simulation"},
		{0, []chart.Rule{{Key: chart.Trend, Count: 30, Of: 30}}, runlength.Simulation{Points: 1000}, "simulate more points"},
	} {
		if r, err := runlength.Individuals(tt.shift, tt.rules, tt.s); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%v %v: %+v, error %v, want one that says %q", tt.shift, tt.rules, r, err, tt.says)
		}
	}
	if _, err := runlength.RunLengths(0, chart.Nelson()); err == nil || !strings.Contains(err.Error(), "trend") {
		t.Errorf("error %v, want one about trend", err)
	}
	huge := []chart.Rule{{Key: chart.FourOfFive, Count: 20, Of: 40, Width: 0.5}}
	if _, err := runlength.RunLengths(0, huge); err == nil || !strings.Contains(err.Error(), fmt.Sprint(runlength.MaxStates)) {
		t.Errorf("error %v, want one about %d states", err, runlength.MaxStates)
	}
	// Too many states to compute: simulated instead.
	if r, err := runlength.Individuals(0, huge, runlength.Simulation{Runs: 500}); err != nil || r.Method != runlength.Simulated || !(r.SE > 0) {
		t.Errorf("%+v, %v", r, err)
	}
	// Lines so far out that no point reaches them.
	r, err := runlength.Individuals(0, []chart.Rule{{Key: chart.Beyond, Count: 1, Of: 1, Width: 60}}, none)
	if err != nil || !math.IsInf(r.ARL, 1) || r.Warnings == nil {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = runlength.Individuals(0, []chart.Rule{{Key: chart.TwoOfThree, Count: 2, Of: 3, Width: 60}}, none)
	if err != nil || !math.IsInf(r.ARL, 1) || r.Warnings == nil {
		t.Errorf("%+v, %v", r, err)
	}
	d, err := runlength.RunLengths(0, []chart.Rule{{Key: chart.TwoOfThree, Count: 2, Of: 3, Width: 60}})
	if _, ok := d.Quantile(0.5); err != nil || ok || d.After(1<<40) != 1 {
		t.Errorf("a chart that never signals has a median: %v", err)
	}
}

// A run cut short by the bound on points is counted, and a warning says so.
func TestShortSimulation(t *testing.T) {
	rule := []chart.Rule{{Key: chart.Trend, Count: 4, Of: 4}}
	short := runlength.Simulation{Points: 1_000_000, Runs: 1_000_000}
	r, err := runlength.Individuals(0, rule, short)
	if err != nil || r.Warnings == nil || math.Abs(r.ARL-16.086) > 4*r.SE || r.SE > 0.1 {
		t.Errorf("%+v, %v, want 16.086 and a warning", r, err)
	}
	again, err := runlength.Individuals(0, rule, short)
	if err != nil || again.ARL != r.ARL {
		t.Errorf("the same seed gives %v, then %v", r.ARL, again.ARL)
	}
}

func BenchmarkIndividualsAllZoned(b *testing.B) {
	rules, err := chart.Pick(chart.Nelson(), []chart.Key{chart.Beyond, chart.SameSide, chart.TwoOfThree, chart.FourOfFive, chart.Hugging, chart.Avoiding})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.Individuals(0.5, rules, none); err != nil {
			b.Fatal(err)
		}
	}
}
