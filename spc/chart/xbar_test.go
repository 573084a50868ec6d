package chart_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/spc/chart"

	"pgregory.net/rapid"
)

// groups gathers rows of (subgroup, value).
func groups(rows [][]float64) [][]float64 {
	var out [][]float64
	for _, r := range rows {
		if int(r[0]) > len(out) {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], r[1])
	}
	return out
}

type check struct {
	what           string
	got, want, tol float64
}

func compare(t *testing.T, cs []check) {
	t.Helper()
	for _, c := range cs {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s = %.9g, want %v", c.what, c.got, c.want)
		}
	}
}

// fired lists the indices of the points with signals.
func fired(points []chart.Point) []int {
	var out []int
	for _, p := range points {
		if p.Signals != nil {
			out = append(out, p.Index)
		}
	}
	return out
}

// Montgomery, piston rings (printed 74.001, 0.023, 0.0094 and limits 74.014,
// 73.988; s upper 0.0196; from memory), recomputed with numpy to the digits shown.
func TestRings(t *testing.T) {
	gs := groups(table(t, "rings.csv"))
	r, err := chart.XBarR(gs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := chart.XBarS(gs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{
		{"grand mean", r.Center, 74.001176, 5e-9},
		{"R-bar", r.Companion.Center, 0.02324, 5e-9},
		{"s-bar", s.Companion.Center, 0.00939948, 5e-9},
		{"sigma by R", r.Sigma, 0.00999171, 5e-9},
		{"sigma by s", s.Sigma, 0.00999960, 5e-9},
		{"upper by R", r.Points[0].Upper, 74.0145813, 1e-7},
		{"lower by R", r.Points[24].Lower, 73.9877707, 1e-7},
		{"upper by s", s.Points[0].Upper, 74.0145919, 1e-7},
		{"lower by s", s.Points[24].Lower, 73.9877601, 1e-7},
		{"R upper", r.Companion.Points[0].Upper, 0.0491410, 1e-7},
		{"R lower", r.Companion.Points[0].Lower, 0, 0},
		{"s upper", s.Companion.Points[0].Upper, 0.0196355, 1e-7},
		{"s lower", s.Companion.Points[0].Lower, 0, 0},
		{"points", float64(len(r.Points)), 25, 0},
	})
	for _, c := range []chart.Chart{r, s, *r.Companion, *s.Companion} {
		if got := fired(c.Points); got != nil {
			t.Errorf("%s: signals at %v, want none", c.Kind, got)
		}
	}
	if r.Warnings != nil || r.Kind != "xbar-r" || s.Kind != "xbar-s" {
		t.Errorf("kinds %s %s, warnings %q", r.Kind, s.Kind, r.Warnings)
	}
}

// Unequal sizes against testdata/reference.py (numpy).
func TestUnequalSizes(t *testing.T) {
	gs := groups(table(t, "unequal.csv"))
	r, err := chart.XBarR(gs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := chart.XBarS(gs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range table(t, "unequal-limits.csv") {
		compare(t, []check{
			{"centre", r.Points[i].Center, w[0], 1e-9},
			{"sigma by R", r.Sigma, w[1], 1e-7},
			{"sigma by s", s.Sigma, w[2], 1e-7},
			{"upper by R", r.Points[i].Upper, w[3], 1e-7},
			{"upper by s", s.Points[i].Upper, w[4], 1e-7},
			{"range", r.Companion.Points[i].Value, w[5], 1e-9},
			{"range upper", r.Companion.Points[i].Upper, w[6], 1e-6},
			{"sd", s.Companion.Points[i].Value, w[7], 1e-9},
			{"sd lower", s.Companion.Points[i].Lower, w[8], 1e-7},
			{"sd upper", s.Companion.Points[i].Upper, w[9], 1e-7},
		})
	}
}

// The weighting of unequal sizes is told, by the name of its estimate.
func TestUnequalSizesAreTold(t *testing.T) {
	gs := groups(table(t, "unequal.csv"))
	one := 1.0
	for _, tt := range []struct {
		make func([][]float64, chart.Options) (chart.Chart, error)
		gs   [][]float64
		o    chart.Options
		want string
	}{
		{chart.XBarR, gs, chart.Options{}, "range over its d2"},
		{chart.XBarS, gs, chart.Options{}, "standard deviation over its c4"},
		{chart.XBarR, gs, chart.Options{Sigma: &one}, ""},
		{chart.XBarR, groups(table(t, "rings.csv")), chart.Options{}, ""},
	} {
		c, err := tt.make(tt.gs, tt.o)
		told := strings.Join(c.Warnings, " ")
		if err != nil || strings.Contains(told, "differ in size") != (tt.want != "") || !strings.Contains(told, tt.want) {
			t.Errorf("warnings %q, %v, want %q", told, err, tt.want)
		}
	}
}

// With centre and sigma given a single value or subgroup is judged: beyond three
// sigmas at 13 and not at 12.9, for means of four at half of that. With one of them
// only there is nothing to judge by.
func TestOnePoint(t *testing.T) {
	center, sigma := 10.0, 1.0
	both := chart.Options{Center: &center, Sigma: &sigma}
	for x, n := range map[float64]int{12.9: 0, 13.1: 1} {
		c, err := chart.Individuals([]float64{x}, both)
		if err != nil || len(fired(c.Points)) != n || c.Companion == nil || len(c.Companion.Points) != 0 {
			t.Errorf("%v: %+v %v", x, c, err)
		}
	}
	for x, n := range map[float64]int{11.4: 0, 11.6: 1} {
		for _, f := range []func([][]float64, chart.Options) (chart.Chart, error){chart.XBarR, chart.XBarS} {
			c, err := f([][]float64{{x - .1, x + .1, x, x}}, both)
			if err != nil || len(fired(c.Points)) != n {
				t.Errorf("mean %v: %+v %v", x, c, err)
			}
		}
	}
	for _, o := range []chart.Options{{}, {Center: &center}, {Sigma: &sigma}} {
		_, err1 := chart.Individuals([]float64{12}, o)
		_, err2 := chart.XBarR([][]float64{{12, 13}}, o)
		if err1 == nil || err2 == nil {
			t.Errorf("%+v: one point was judged", o)
		}
	}
}

// The weighted estimates are unbiased for unequal sizes, and better than equal
// weights: a subgroup of two says little about sigma.
func TestUnequalSizesUnbiased(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	sizes := []int{2, 8, 2, 5, 3, 10}
	const runs = 20000
	var r, s, plain, plainSq, rSq float64
	for range runs {
		gs := make([][]float64, len(sizes))
		mean := 0.0
		for i, n := range sizes {
			gs[i] = make([]float64, n)
			for j := range gs[i] {
				gs[i][j] = 100 + 3*rng.NormFloat64()
			}
			k, err := chart.ConstantsFor(n)
			if err != nil {
				t.Fatal(err)
			}
			mean += (slices.Max(gs[i]) - slices.Min(gs[i])) / k.D2 / float64(len(sizes)) / 3
		}
		a, errA := chart.XBarR(gs, chart.Options{})
		b, errB := chart.XBarS(gs, chart.Options{})
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		r, s, plain = r+a.Sigma/3/runs, s+b.Sigma/3/runs, plain+mean/runs
		rSq, plainSq = rSq+a.Sigma*a.Sigma/9/runs, plainSq+mean*mean/runs
	}
	// sd of sigma is about 0.15, so the mean of 20000 has 0.001.
	compare(t, []check{{"by R", r, 1, 0.004}, {"by s", s, 1, 0.004}})
	if rSq-r*r >= plainSq-plain*plain {
		t.Errorf("weighted variance %v is not below the plain mean's %v", rSq-r*r, plainSq-plain*plain)
	}
}

// Baseline, given limits, single values and rules.
func TestXBarOptions(t *testing.T) {
	gs := groups(table(t, "rings.csv"))
	a, err := chart.XBarR(gs, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	far := append(slices.Clone(gs), []float64{74.02, 74.02, 74.02, 74.01, 74.01}, []float64{74.05})
	b, err := chart.XBarR(far, chart.Options{Baseline: 25})
	if err != nil {
		t.Fatal(err)
	}
	c, err := chart.XBarR(far, chart.Options{Center: &a.Center, Sigma: &a.Sigma})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []chart.Chart{b, c} {
		if c.Center != a.Center || c.Sigma != a.Sigma || !slices.Equal(fired(c.Points), []int{26, 27}) {
			t.Errorf("centre %v sigma %v signals %v, want %v %v [26 27]", c.Center, c.Sigma, fired(c.Points), a.Center, a.Sigma)
		}
		if len(c.Companion.Points) != 26 {
			t.Errorf("%d ranges, want 26: a single value has none", len(c.Companion.Points))
		}
	}
	mixed, err := chart.XBarS(far, chart.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if w := mixed.Points[26].Upper - mixed.Center; math.Abs(w-3*mixed.Sigma) > 1e-12 {
		t.Errorf("limit of a single value lies %v off, want 3 sigma = %v", w, 3*mixed.Sigma)
	}
	// With a centre below all means the same-side rule fires from the ninth on.
	low := 73.9
	d, err := chart.XBarR(gs, chart.Options{Center: &low, Rules: chart.Nelson()})
	if err != nil {
		t.Fatal(err)
	}
	if p := d.Points[8]; !slices.Contains(p.Signals, chart.SameSide) || slices.Contains(d.Points[7].Signals, chart.SameSide) {
		t.Errorf("signals %v, then %v", d.Points[7].Signals, p.Signals)
	}
}

func TestXBarRefuses(t *testing.T) {
	good := []float64{1, 2, 3}
	neg := -1.0
	for name, tt := range map[string]struct {
		gs   [][]float64
		o    chart.Options
		says string
	}{
		"none":        {nil, chart.Options{}, "at least 2 subgroups"},
		"one":         {[][]float64{good}, chart.Options{}, "at least 2 subgroups"},
		"empty group": {[][]float64{good, {}}, chart.Options{}, "subgroup 2"},
		"singles":     {[][]float64{{1}, {2}}, chart.Options{}, "two values"},
		"constant":    {[][]float64{{5, 5}, {5, 5}}, chart.Options{}, "do not vary"},
		"flat groups": {[][]float64{{5, 5}, {6, 6}}, chart.Options{}, "do not vary"},
		"nan":         {[][]float64{good, {1, math.NaN()}}, chart.Options{}, "subgroup 2: value 2"},
		"inf":         {[][]float64{good, {math.Inf(1), 1}}, chart.Options{}, "subgroup 2: value 1"},
		"huge":        {[][]float64{good, {1e300, 1}}, chart.Options{}, "larger"},
		"baseline":    {[][]float64{good, good}, chart.Options{Baseline: 3}, "first 3 of 2 subgroups"},
		"negative":    {[][]float64{good, good}, chart.Options{Baseline: -1}, "subgroups"},
		"sigma":       {[][]float64{good, good}, chart.Options{Sigma: &neg}, "sigma"},
		"large":       {[][]float64{good, make([]float64, 1001)}, chart.Options{}, "subgroup 2"},
	} {
		for _, f := range []func([][]float64, chart.Options) (chart.Chart, error){chart.XBarR, chart.XBarS} {
			if _, err := f(tt.gs, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%s: error %v, want one that says %q", name, err, tt.says)
			}
		}
	}
	if _, err := chart.XBarR([][]float64{{5, 5}, {5, 5}}, chart.Options{}); !errors.Is(err, chart.ErrNoSpread) {
		t.Errorf("got %v, want ErrNoSpread", err)
	}
}

// Order inside a subgroup changes nothing; shift and scale move the limits along
// and move no signal.
func TestXBarLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gs := rapid.SliceOfN(rapid.SliceOfN(rapid.Float64Range(-20, 20), 2, 7), 2, 15).Draw(t, "groups")
		shift := rapid.Float64Range(-1e3, 1e3).Draw(t, "shift")
		scale := rapid.SampledFrom([]float64{-3, -0.5, 0.2, 7}).Draw(t, "scale")
		turned, moved := make([][]float64, len(gs)), make([][]float64, len(gs))
		for i, g := range gs {
			turned[i] = rapid.Permutation(g).Draw(t, "order")
			for _, x := range g {
				moved[i] = append(moved[i], scale*x+shift)
			}
		}
		o := chart.Options{Width: rapid.Float64Range(0.5, 3).Draw(t, "width")}
		for _, f := range []func([][]float64, chart.Options) (chart.Chart, error){chart.XBarR, chart.XBarS} {
			a, errA := f(gs, o)
			b, errB := f(turned, o)
			c, errC := f(moved, o)
			if errA != nil || errB != nil || errC != nil || a.Sigma < 1e-6 {
				return // no spread
			}
			near := func(got, want float64) bool { return math.Abs(got-want) < 1e-8*(1+math.Abs(want)+math.Abs(shift)) }
			if !near(b.Center, a.Center) || !near(b.Sigma, a.Sigma) || !near(c.Sigma, math.Abs(scale)*a.Sigma) || !near(c.Center, scale*a.Center+shift) {
				t.Fatalf("centre %v sigma %v; turned %v %v; moved %v %v", a.Center, a.Sigma, b.Center, b.Sigma, c.Center, c.Sigma)
			}
			for i, p := range a.Points {
				lower, upper := p.Lower, p.Upper
				if scale < 0 {
					lower, upper = upper, lower
				}
				if q := c.Points[i]; !near(q.Lower, scale*lower+shift) || !near(q.Upper, scale*upper+shift) {
					t.Fatalf("point %d: %+v, moved %+v", i+1, p, q)
				}
				if edge(p) {
					continue
				}
				if !slices.Equal(p.Signals, b.Points[i].Signals) || !slices.Equal(p.Signals, c.Points[i].Signals) {
					t.Fatalf("signals of point %d: %v, turned %v, moved %v", i+1, p.Signals, b.Points[i].Signals, c.Points[i].Signals)
				}
			}
		}
	})
}

// edge says that a point lies so near a limit that rounding may decide.
func edge(p chart.Point) bool {
	return math.Min(math.Abs(p.Value-p.Lower), math.Abs(p.Value-p.Upper)) < 1e-7*(p.Sigma+1e-6)
}
