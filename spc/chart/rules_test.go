package chart_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// Points at which the eight rules fire on the made series rules-1.csv, computed
// outside this package from the published wording.
func TestRulesOnMadeSeries(t *testing.T) {
	want := map[chart.Key][]int{
		chart.Beyond: {3}, chart.SameSide: {15, 16}, chart.Trend: {23}, chart.Alternating: {46, 47, 48},
		chart.TwoOfThree: {27}, chart.FourOfFive: {33}, chart.Hugging: {48, 49}, chart.Avoiding: {57, 58},
	}
	got := map[chart.Key][]int{}
	for i, keys := range chart.Read(column(table(t, "rules-1.csv"), 0), chart.Nelson()) {
		for _, k := range keys {
			got[k] = append(got[k], i+1)
		}
	}
	for _, k := range chart.Keys {
		if !slices.Equal(got[k], want[k]) {
			t.Errorf("%s fires at %v, want %v", k, got[k], want[k])
		}
	}
}

// TestScripts runs testdata/rules.test: a line of points, then lines "key: where it
// fires". Each case stands at both sides of an edge of one rule.
func TestScripts(t *testing.T) {
	text, err := os.ReadFile("testdata/rules.test")
	if err != nil {
		t.Fatal(err)
	}
	cases := 0
	for _, block := range strings.Split(string(text), "\n\n") {
		var name string
		var z []float64
		want := map[chart.Key]string{}
		for _, line := range strings.Split(strings.TrimSpace(block), "\n") {
			switch {
			case strings.HasPrefix(line, "#"):
				name += strings.TrimPrefix(line, "# ")
			case strings.HasPrefix(line, "points"):
				for _, f := range strings.Fields(line)[1:] {
					v, err := strconv.ParseFloat(f, 64)
					if err != nil {
						t.Fatal(err)
					}
					z = append(z, v)
				}
			default:
				k, at, _ := strings.Cut(line, ":")
				want[chart.Key(k)] = strings.TrimSpace(at)
			}
		}
		if z == nil {
			continue
		}
		cases++
		t.Run(name, func(t *testing.T) {
			got := map[chart.Key]string{}
			for i, keys := range chart.Read(z, chart.Nelson()) {
				for _, k := range keys {
					got[k] = strings.TrimSpace(fmt.Sprint(got[k], " ", i+1))
				}
			}
			for _, k := range chart.Keys {
				if got[k] != want[k] {
					t.Errorf("%s fires at %q, want %q", k, got[k], want[k])
				}
			}
		})
	}
	if cases < 20 {
		t.Fatalf("only %d cases were read", cases)
	}
}

// naive is each rule written the slow way, straight from its sentence.
func naive(z []float64, t int, r chart.Rule) bool {
	if t+1 < r.Of && r.Key != chart.TwoOfThree && r.Key != chart.FourOfFive {
		return false
	}
	w := z[max(0, t+1-r.Of) : t+1]
	all := func(ok func(i int) bool, from int) bool {
		for i := from; i < len(w); i++ {
			if !ok(i) {
				return false
			}
		}
		return true
	}
	count := func(ok func(x float64) bool) int {
		n := 0
		for _, x := range w {
			if ok(x) {
				n++
			}
		}
		return n
	}
	switch r.Key {
	case chart.Beyond:
		return math.Abs(z[t]) > r.Width
	case chart.SameSide:
		return all(func(i int) bool { return w[i] > 0 }, 0) || all(func(i int) bool { return w[i] < 0 }, 0)
	case chart.Trend:
		return all(func(i int) bool { return w[i] > w[i-1] }, 1) || all(func(i int) bool { return w[i] < w[i-1] }, 1)
	case chart.Alternating:
		return all(func(i int) bool { return w[i] != w[i-1] }, 1) &&
			all(func(i int) bool { return (w[i] > w[i-1]) != (w[i-1] > w[i-2]) }, 2)
	case chart.TwoOfThree, chart.FourOfFive:
		return z[t] > r.Width && count(func(x float64) bool { return x > r.Width }) >= r.Count ||
			z[t] < -r.Width && count(func(x float64) bool { return x < -r.Width }) >= r.Count
	case chart.Hugging:
		return all(func(i int) bool { return math.Abs(w[i]) < r.Width }, 0)
	case chart.Avoiding:
		return all(func(i int) bool { return math.Abs(w[i]) > r.Width }, 0)
	}
	panic(r.Key)
}

// The running reader against the slow reading of every window, on coarse values
// with many ties and points exactly on the lines, for published and stretched rules.
func TestReaderAgainstSlowReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SampledFrom([]float64{0.5, 1, 0.1}).Draw(t, "step")
		z := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) float64 {
			return steps * float64(rapid.IntRange(-7, 7).Draw(t, "k"))
		}), 0, 120).Draw(t, "z")
		rules := chart.Nelson()
		if rapid.Bool().Draw(t, "stretched") {
			for i := 1; i < len(rules); i++ { // a longer Beyond is another rule
				extra := rapid.IntRange(0, 3).Draw(t, "longer")
				rules[i].Of += extra
				if rules[i].Of-extra == rules[i].Count {
					rules[i].Count += extra
				}
			}
		}
		for i, keys := range chart.Read(z, rules) {
			for _, r := range rules {
				if got, want := slices.Contains(keys, r.Key), naive(z, i, r); got != want {
					t.Fatalf("%s (%d of %d) at %d of %v: %v, want %v", r.Key, r.Count, r.Of, i+1, z[:i+1], got, want)
				}
			}
		}
	})
}

// Turning the stream upside down moves no signal.
func TestRulesAreSymmetric(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	z, neg := make([]float64, 5000), make([]float64, 5000)
	for i := range z {
		z[i] = rng.NormFloat64()
		neg[i] = -z[i]
	}
	a, b := chart.Read(z, chart.Nelson()), chart.Read(neg, chart.Nelson())
	for i := range a {
		if !slices.Equal(a[i], b[i]) {
			t.Fatalf("point %d: %v and mirrored %v", i+1, a[i], b[i])
		}
	}
}

func TestMissingValueEndsRuns(t *testing.T) {
	z := []float64{1, 1, 1, 1, 1, 1, 1, 1, math.NaN(), 1}
	rules, err := chart.Pick(chart.Nelson(), []chart.Key{chart.SameSide})
	if err != nil {
		t.Fatal(err)
	}
	for i, keys := range chart.Read(z, rules) {
		if keys != nil {
			t.Errorf("point %d: %v", i+1, keys)
		}
	}
}

func TestPick(t *testing.T) {
	got, err := chart.Pick(chart.Nelson(), []chart.Key{chart.Trend, chart.Beyond})
	if err != nil || len(got) != 2 || got[0].Key != chart.Beyond || got[1].Key != chart.Trend {
		t.Errorf("got %v, %v", got, err)
	}
	if _, err := chart.Pick(chart.Nelson(), []chart.Key{"beyound"}); err == nil || !strings.Contains(err.Error(), "same-side") {
		t.Errorf("got %v, want an error that lists the keys", err)
	}
}

func BenchmarkReader(b *testing.B) {
	const streams, units = 72, 100_000
	rng := rand.New(rand.NewPCG(1, 2))
	z := make([]float64, units)
	for i := range z {
		z[i] = rng.NormFloat64()
	}
	rules := chart.Nelson()
	b.ReportAllocs()
	for b.Loop() {
		for range streams {
			d := chart.NewReader(rules)
			for _, v := range z {
				d.Push(v)
			}
		}
	}
	b.ReportMetric(float64(streams*units)*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
