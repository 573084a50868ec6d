package capability

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"alike/spc/dist"
	"pgregory.net/rapid"
)

// column reads one column of a file of testdata; SOURCES.md there names the origin.
func column(t *testing.T, name string, col int) []float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []float64
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[col], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func check1(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g", what, got, want)
	}
}

// withMoments returns n values with exactly the given mean and standard deviation.
func withMoments(n int, mean, sd float64) []float64 {
	xs := make([]float64, n)
	ss := 0.0
	for i := range xs {
		xs[i] = dist.NormQuantile((float64(i) + 0.5) / float64(n))
		ss += xs[i] * xs[i]
	}
	for i := range xs {
		xs[i] = mean + sd*xs[i]/math.Sqrt(ss/float64(n-1))
	}
	return xs
}

func study(t *testing.T, xs []float64, spec Spec, opt Options) Result {
	t.Helper()
	r, err := Study(xs, spec, opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// CAP-1: NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, target 14,
// mean 16, s 2. Intervals computed with scipy 1.10 (chi2.ppf, norm.ppf, nct.cdf).
func TestHandbook(t *testing.T) {
	for _, tt := range []struct {
		n                              int
		cpLow, cpHigh, cpkLow, cpkHigh float64
		exactLow, exactHigh            float64
	}{
		{50, .802482, 1.197126, .505551, .827782, .504660, .826257},
		{30, .743873, 1.255639, .457707, .875626, 0, 0},
	} {
		r := study(t, withMoments(tt.n, 16, 2), Spec{At(8), At(20), At(14)}, Options{})
		check1(t, "mean", r.Mean, 16, 1e-12)
		check1(t, "sd", r.SD, 2, 1e-12)
		check1(t, "Cp", r.Cp.Value, 1, 1e-12)
		check1(t, "Cpk", r.Cpk.Value, 2.0/3, 1e-12)
		check1(t, "Cpm", r.Cpm.Value, math.Sqrt(0.5), 1e-12)
		if tt.n == 50 { // chi2.ppf([.025, .975], 200/3) of scipy 1.10, mean one s off target
			check1(t, "Cpm low", r.Cpm.Low, 0.58726698, 1e-7)
			check1(t, "Cpm high", r.Cpm.High, 0.82672252, 1e-7)
		}
		check1(t, "Cp low", r.Cp.Low, tt.cpLow, 1e-5)
		check1(t, "Cp high", r.Cp.High, tt.cpHigh, 1e-5)
		check1(t, "Cpk low", r.Cpk.Low, tt.cpkLow, 1e-5)
		check1(t, "Cpk high", r.Cpk.High, tt.cpkHigh, 1e-5)
		if tt.exactLow != 0 {
			one := study(t, withMoments(tt.n, 16, 2), Spec{Upper: At(20)}, Options{})
			for _, i := range []*Index{r.CpkExact, one.Cpk, one.Ppk, one.PpkExact} {
				check1(t, "exact low", i.Low, tt.exactLow, 1e-6)
				check1(t, "exact high", i.High, tt.exactHigh, 1e-6)
			}
			if one.Cp != nil || one.Pp != nil || one.Cpm != nil {
				t.Errorf("one limit has a Cp, Pp or Cpm: %+v", one)
			}
		}
		if *r.Pp != *r.Cp || *r.Ppk != *r.Cpk {
			t.Error("a plain list has Cp other than Pp")
		}
		lower := study(t, withMoments(tt.n, 16, 2), Spec{Lower: At(8)}, Options{})
		check1(t, "Cpl", lower.Cpk.Value, 4.0/3, 1e-12)
	}
}

// CAP-2: Montgomery's piston rings, limits 73.95 and 74.05 (computed with numpy and
// scipy 1.10).
func TestRings(t *testing.T) {
	xs := column(t, "rings.csv", 1)
	sizes := make([]int, 25)
	for i := range sizes {
		sizes[i] = 5
	}
	r := study(t, xs, Spec{At(73.95), At(74.05), At(74)}, Options{Within: Subgroups, Sizes: sizes})
	for _, v := range []struct {
		what           string
		got, want, tol float64
	}{
		{"s", r.SD, .01019888, 1e-8}, {"within", r.Sigma, .00999171, 1e-8}, {"Cp", r.Cp.Value, 1.668050, 1e-6},
		{"Cpk", r.Cpk.Value, 1.628817, 1e-6}, {"Pp", r.Pp.Value, 1.634166, 1e-6}, {"Ppk", r.Ppk.Value, 1.595731, 1e-6},
		{"Cpm", r.Cpm.Value, 1.623410, 1e-6}, {"Pp low", r.Pp.Low, 1.430894, 1e-6}, {"Pp high", r.Pp.High, 1.837128, 1e-6},
	} {
		check1(t, v.what, v.got, v.want, v.tol)
	}
	if len(r.Warnings) != 0 {
		t.Errorf("warnings %q", r.Warnings)
	}
	if !(r.Cp.High-r.Cp.Low > r.Pp.High-r.Pp.Low) {
		t.Error("the spread within has fewer degrees of freedom and must give the wider interval")
	}
}

// AD-1 and AD-2: leghorn weights (D'Agostino and Stephens 1986, from memory, and
// recomputed) and all 100 gear diameters (computed with scipy 1.10).
func TestAndersonDarling(t *testing.T) {
	for _, tt := range []struct {
		file                 string
		col                  int
		a2, modified, p, tol float64
	}{{"chicks.csv", 0, .214174, .223411, .825976, 1e-5}, {"gear.csv", 1, 1.457952, 1.469215, 8.6404e-4, 1e-8}} {
		r, err := AndersonDarling(column(t, tt.file, tt.col))
		if err != nil {
			t.Fatal(err)
		}
		check1(t, tt.file+" A²", r.A2, tt.a2, 0.6e-6)
		check1(t, tt.file+" modified", r.Modified, tt.modified, 0.6e-6)
		check1(t, tt.file+" p", r.P, tt.p, tt.tol)
	}
	// Stephens 1986 table 4.7 (from memory): critical values of the modified statistic.
	for a, p := range map[float64]float64{.631: .10, .752: .05, .873: .025, 1.035: .01} {
		check1(t, "p at a critical value", adP(a), p, 0.0005)
	}
	// pieces meet and fall
	last := 1.0
	for a := 0.0; a < 400; a += 0.01 {
		p := adP(a)
		if p > last+2e-3 || p < 0 || p > 1 {
			t.Fatalf("p at %v is %v after %v", a, p, last)
		}
		last = p
	}
	if r, _ := AndersonDarling([]float64{1, 2, 4, 4.5, 5, 6, 7}); len(r.Warnings) != 1 {
		t.Errorf("seven values: %+v", r)
	}
	// one wild value among many: no overflow, a tiny p
	wild := append(withMoments(300, 0, 1e-3), 1e9)
	if r, err := AndersonDarling(wild); err != nil || math.IsInf(r.A2, 0) || !(r.P < 1e-30) {
		t.Errorf("outlier: %+v, %v", r, err)
	}
}

// Under a normal distribution p must be about uniform where it matters.
func TestAndersonDarlingSize(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{10, 30} {
		const runs = 20000
		hits := map[float64]int{.01: 0, .05: 0, .5: 0}
		xs := make([]float64, n)
		for range runs {
			for i := range xs {
				xs[i] = rng.NormFloat64()
			}
			r, err := AndersonDarling(xs)
			if err != nil {
				t.Fatal(err)
			}
			for p := range hits {
				if r.P < p {
					hits[p]++
				}
			}
		}
		for p, h := range hits {
			if got := float64(h) / runs; math.Abs(got-p) > 4*math.Sqrt(p*(1-p)/runs)+0.05*p {
				t.Errorf("n %d: p below %v in %v of the samples", n, p, got)
			}
		}
	}
}

// Intervals by simulation: the true index lies inside as often as stated.
func TestIntervalCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const runs, n = 600, 12
	spec := Spec{At(-4), At(5), At(0)} // true Cp 1.5, Cpk 1.3333, Cpm 1.5
	hit := map[string]int{}
	xs := make([]float64, n)
	for range runs {
		for i := range xs {
			xs[i] = rng.NormFloat64()
		}
		r := study(t, xs, spec, Options{Confidence: .9, Within: MovingRange})
		count := func(name string, ok bool) {
			if ok {
				hit[name]++
			}
		}
		in := func(i *Index, c float64) bool { return i.Low <= c && c <= i.High }
		count("Pp", in(r.Pp, 1.5))
		count("Cp", in(r.Cp, 1.5))
		count("Cpm", in(r.Cpm, 1.5))
		count("Ppk", in(r.Ppk, 4.0/3))
		count("AtLeast", r.AtLeast <= 4.0/3)
		one := exactIndex((r.Mean+4)/(3*r.SD), n, overall(r.SD, n), .9)
		count("exact", in(one, 4.0/3))
	}
	for name, slack := range map[string]float64{
		"Pp": 0, "exact": 0, // exact
		"AtLeast": 0.01,                           // safe with two limits: may only be above
		"Cp":      0.03, "Cpm": 0.03, "Ppk": 0.05, // approximate, and twelve units are few
	} {
		got := float64(hit[name]) / runs
		if math.Abs(got-.9) > 3.5*math.Sqrt(.09/runs)+slack {
			t.Errorf("%s: the interval holds the true index in %v of the samples, want 0.9", name, got)
		}
		t.Logf("%s %.3f", name, got)
	}
}

// Degrees of freedom and scale of the spreads within, against simulation.
func TestSpreadWithin(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	moments := rangeMoments{}
	for _, tt := range []struct {
		name string
		n    int
		of   func(xs []float64) spread
	}{
		{"moving range", 20, meanMovingRange},
		{"subgroups", 20, func(xs []float64) spread { return meanRange(xs, []int{4, 4, 4, 4, 4}, moments) }},
		{"unequal subgroups", 20, func(xs []float64) spread { return meanRange(xs, []int{2, 8, 3, 7}, moments) }},
		{"two values", 2, meanMovingRange},
	} {
		const runs = 3000
		sum, ss := 0.0, 0.0
		var s spread
		xs := make([]float64, tt.n)
		for range runs {
			for i := range xs {
				xs[i] = rng.NormFloat64()
			}
			s = tt.of(xs)
			sum += s.sigma
			ss += s.sigma * s.sigma
		}
		mean := sum / runs
		sd := math.Sqrt(ss/runs - mean*mean)
		want := math.Sqrt(1/(s.c4*s.c4) - 1) // the same for every sample
		if math.Abs(mean-1) > 4*want/math.Sqrt(runs) || math.Abs(sd/mean-want) > 0.06*want {
			t.Errorf("%s: mean %.4f, sd %.4f; ν %.3f means %.4f", tt.name, mean, sd, s.nu, want)
		}
	}
	// one range of two: s itself, one degree of freedom
	check1(t, "ν of two values", meanMovingRange([]float64{1, 2}).nu, 1, 1e-9)
}

// Doubtful but answerable: told, and told once.
func TestDoubtsAreToldOnce(t *testing.T) {
	xs := []float64{1, 2, 3, 2.5, 1.5, 2}
	for _, tt := range []struct {
		spec Spec
		opt  Options
		want string
	}{
		{Spec{At(0), At(5), At(6)}, Options{}, "target 6 lies outside the limits"},
		{Spec{At(0), nil, At(-1)}, Options{}, "target -1 lies outside the limits"},
		{Spec{At(0), At(5), nil}, Options{Within: Subgroups, Sizes: []int{2, 4}}, "plain mean of each subgroup's range over d2"},
		{Spec{At(0), At(5), nil}, Options{}, "Fewer than 8 values"},
	} {
		r, err := Study(xs, tt.spec, tt.opt)
		if n := strings.Count(strings.Join(r.Warnings, "\n"), tt.want); err != nil || n != 1 {
			t.Errorf("%q, %v: %q stands %d times", r.Warnings, err, tt.want, n)
		}
	}
	// (5-0)/(6·√(s²+(2-6)²)), e-Handbook 6.1.6
	r, err := Study(xs, Spec{At(0), At(5), At(6)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	check1(t, "cpm", r.Cpm.Value, 5/(6*math.Hypot(r.SD, 4)), 1e-12)
}

// What rounding leaves is no spread; a thousand times as much is one.
func TestRoundingIsNoSpread(t *testing.T) {
	both := Spec{Lower: At(0), Upper: At(9)}
	if r, err := Study([]float64{1, 1, 1, 1, 1 + 0x1p-52}, both, Options{}); err == nil {
		t.Errorf("cp %v", r.Cp.Value)
	}
	if _, err := Study([]float64{1, 1, 1, 1, 1 + 1e-9}, both, Options{}); err != nil {
		t.Error(err)
	}
}

func TestBadInput(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	xs := []float64{1, 2, 3, 2.5}
	both := Spec{Lower: At(0), Upper: At(5)}
	for _, tt := range []struct {
		xs   []float64
		spec Spec
		opt  Options
		part string
	}{
		{nil, both, Options{}, "at least 2"}, {[]float64{1}, both, Options{}, "at least 2"}, {[]float64{1, nan}, both, Options{}, "value 2"},
		{[]float64{1e300, 2}, both, Options{}, "value 1"}, {[]float64{4, 4, 4}, both, Options{}, "the same"},
		{xs, Spec{}, Options{}, "needs a limit"}, {xs, Spec{Target: At(1)}, Options{}, "needs a limit"},
		{xs, Spec{Lower: At(nan)}, Options{}, "lower limit"}, {xs, Spec{Upper: At(inf)}, Options{}, "upper limit"},
		{xs, Spec{At(5), At(0), nil}, Options{}, "exchange"}, {xs, Spec{At(5), At(5), nil}, Options{}, "exchange"},
		{xs, both, Options{Confidence: 1}, "confidence"}, {xs, both, Options{Confidence: nan}, "confidence"}, {xs, both, Options{Confidence: 95}, "confidence"},
		{xs, both, Options{Within: Subgroups}, "hold 0 values"}, {xs, both, Options{Within: Subgroups, Sizes: []int{3, 1}}, "subgroup 2"},
		{[]float64{1, 1, 2, 2}, both, Options{Within: Subgroups, Sizes: []int{2, 2}}, "the same"},
	} {
		if _, err := Study(tt.xs, tt.spec, tt.opt); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("want %q: %v", tt.part, err)
		}
	}
	for _, xs := range [][]float64{nil, {1, 2}, {1, nan, 3}, {2, 2, 2}} {
		if _, err := AndersonDarling(xs); err == nil {
			t.Errorf("%v was accepted", xs)
		}
	}
	r := study(t, []float64{1, 2}, both, Options{})
	if r.Normality != nil || len(r.Warnings) != 3 {
		t.Errorf("two values: %q", r.Warnings)
	}
	if r = study(t, []float64{-1e149, 1e149, 0}, both, Options{}); math.IsNaN(r.Cpk.Value) || math.IsNaN(r.AtLeast) || math.IsNaN(r.Cp.Low) {
		t.Errorf("largest values: %+v", r)
	}
}

func TestWarnings(t *testing.T) {
	skew := make([]float64, 40)
	for i := range skew {
		skew[i] = math.Exp(float64(i) / 8)
	}
	r := study(t, skew, Spec{At(-500), At(500), At(100)}, Options{})
	text := strings.Join(r.Warnings, "\n")
	for _, part := range []string{"do not look normal", "No subgroups", "not midway"} {
		if !strings.Contains(text, part) {
			t.Errorf("no warning with %q in\n%s", part, text)
		}
	}
	if strings.Contains(text, "Only") {
		t.Errorf("40 values are not few:\n%s", text)
	}
	r = study(t, withMoments(10, 16, 2), Spec{At(8), At(20), At(14)}, Options{})
	if !strings.Contains(strings.Join(r.Warnings, "\n"), "Only 10 values") || !(r.AtLeast < 0.5 && r.AtLeast > 0.2) {
		t.Errorf("%v, %q", r.AtLeast, r.Warnings)
	}
}

// Shifting data and limits together, stretching them, or turning them over changes
// no index; the lower bound lies below the estimate and rises with n.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-3, 3), 3, 20).Draw(t, "xs")
		a := rapid.Float64Range(0.1, 50).Draw(t, "a")
		b := rapid.Float64Range(-100, 100).Draw(t, "b")
		sign := rapid.SampledFrom([]float64{1, -1}).Draw(t, "sign")
		opt := Options{Confidence: .9, Within: rapid.SampledFrom([]Within{Plain, MovingRange}).Draw(t, "within")}
		r, err := Study(xs, Spec{At(-4), At(6), At(1)}, opt)
		if err != nil || r.SD < 0.05 {
			return
		}
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = sign*a*x + b
		}
		low, high := sign*a*-4+b, sign*a*6+b
		q, err := Study(ys, Spec{At(math.Min(low, high)), At(math.Max(low, high)), At(sign*a + b)}, opt)
		if err != nil {
			t.Fatal(err)
		}
		same := func(what string, x, y float64) {
			if math.Abs(x-y) > 1e-7*(1+math.Abs(x)) {
				t.Fatalf("%s: %v became %v", what, x, y)
			}
		}
		for i, p := range [][2]*Index{{r.Cp, q.Cp}, {r.Cpk, q.Cpk}, {r.Pp, q.Pp}, {r.Ppk, q.Ppk}, {r.Cpm, q.Cpm}, {r.CpkExact, q.CpkExact}} {
			same("index "+strconv.Itoa(i), p[0].Value, p[1].Value)
			same("low "+strconv.Itoa(i), p[0].Low, p[1].Low)
			if !(p[0].Low <= p[0].High) {
				t.Fatalf("index %d: %+v", i, *p[0])
			}
		}
		same("at least", r.AtLeast, q.AtLeast)
		same("A²", r.Normality.A2, q.Normality.A2)
		if r.Ppk.Value > r.Pp.Value+1e-12 || r.AtLeast >= r.Ppk.Value {
			t.Fatalf("Ppk %v, Pp %v, at least %v", r.Ppk.Value, r.Pp.Value, r.AtLeast)
		}
	})
	last := -1.0
	for _, n := range []int{3, 5, 10, 30, 100, 300} {
		r := study(t, withMoments(n, 0, 1), Spec{Lower: At(-4)}, Options{})
		if !(r.AtLeast > last) {
			t.Errorf("n %d: at least %v after %v", n, r.AtLeast, last)
		}
		last = r.AtLeast
	}
	// very capable, very incapable, centred on the limit
	for _, l := range []float64{-1e4, 0, 1e4} {
		r := study(t, withMoments(50, 0, 1), Spec{Lower: At(l)}, Options{})
		if !(r.Cpk.Low < r.Cpk.Value && r.Cpk.Value < r.Cpk.High) {
			t.Errorf("limit %v: %+v", l, *r.Cpk)
		}
	}
}

// A bare study is the same but for the exact intervals of two limits.
func TestBareStudy(t *testing.T) {
	xs := withMoments(30, 16, 2)
	for _, spec := range []Spec{{Lower: At(8)}, {At(8), At(20), nil}} {
		want, got := study(t, xs, spec, Options{}), study(t, xs, spec, Options{Bare: true})
		if *got.Ppk != *want.Ppk || got.AtLeast != want.AtLeast || (got.PpkExact == nil) != (spec.Upper != nil) || want.PpkExact == nil {
			t.Errorf("%+v\n%+v", got, want)
		}
	}
}

func BenchmarkStudy(b *testing.B) {
	xs := withMoments(30, 16, 2)
	for b.Loop() {
		if _, err := Study(xs, Spec{At(8), At(20), At(14)}, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
