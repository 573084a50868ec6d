package dist

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestIncompleteGammaTable(t *testing.T) {
	for _, row := range table(t, "gamma.csv") {
		v := numbers(t, row)
		near(t, gammaTail(v[0], v[1], false), v[2], 1e-12, "lower gamma %v", row[:2])
		near(t, gammaTail(v[0], v[1], true), v[3], 1e-12, "upper gamma %v", row[:2])
	}
}

func TestIncompleteBetaTable(t *testing.T) {
	for _, row := range table(t, "beta.csv") {
		v := numbers(t, row)
		near(t, betaTail(v[0], v[1], v[2], 1-v[2], false), v[3], 5e-11, "lower beta %v", row[:3])
		near(t, betaTail(v[0], v[1], v[2], 1-v[2], true), v[4], 5e-11, "upper beta %v", row[:3])
	}
}

func TestNoncentralTTable(t *testing.T) {
	worst, worstQ, worstGonum := 0.0, 0.0, 0.0
	for _, row := range table(t, "noncentralt.csv") {
		v := numbers(t, row)
		d := NoncentralT{v[0], v[1]}
		if v[3] > 1e-200 {
			worst = max(worst, near(t, d.CDF(v[2]), v[3], 1e-11, "CDF %v", row[:3]))
		}
		if v[4] > 1e-200 {
			worst = max(worst, near(t, d.Survival(v[2]), v[4], 1e-11, "survival %v", row[:3]))
		}
		if v[3] > 1e-12 && v[4] > 1e-12 {
			x := d.Quantile(v[3])
			if v[4] < v[3] {
				x = d.QuantileUpper(v[4])
			}
			if v[2] != 0 {
				worstQ = max(worstQ, near(t, x, v[2], 1e-10, "quantile %v", row[:3]))
			}
			worstGonum = max(worstGonum, math.Abs(distuv.NoncentralT{Nu: v[0], Mu: v[1]}.CDF(v[2])/v[3]-1))
		}
	}
	t.Logf("largest relative error: tails %.1e, quantile %.1e; gonum's CDF down to 1e-12: %.1e", worst, worstQ, worstGonum)
}

func TestStudentizedRangeTable(t *testing.T) {
	worst := 0.0
	for _, row := range table(t, "range.csv") {
		v := numbers(t, row)
		d := StudentizedRange{int(v[0]), v[1]}
		worst = max(worst, near(t, d.CDF(v[2]), v[3], 1e-9, "CDF %v", row[:3]))
		worst = max(worst, near(t, d.Survival(v[2]), v[4], 1e-9, "survival %v", row[:3]))
	}
	t.Logf("largest relative error %.1e", worst)
}

// Printed tables of the studentized range (values from memory, recomputed with
// scipy 1.10 studentized_range.ppf), tolerance half a unit of the last digit.
func TestStudentizedRangePrinted(t *testing.T) {
	for _, tt := range []struct {
		p      float64
		groups int
		nu, q  float64
	}{
		{.95, 2, 10, 3.1511}, {.95, 3, 10, 3.8768}, {.95, 3, 12, 3.7729}, {.95, 5, 30, 4.1021}, {.95, 10, 20, 5.0079},
		{.99, 3, 10, 5.2702}, {.99, 5, 30, 5.0476}, {.95, 4, 16, 4.0461}, {.95, 5, 20, 4.2319}, {.99, 4, 30, 4.7992},
	} {
		if q := (StudentizedRange{tt.groups, tt.nu}).Quantile(tt.p); math.Abs(q-tt.q) > 0.5001e-4 {
			t.Errorf("q(%v; %d, %v) = %.6f, want %.4f", tt.p, tt.groups, tt.nu, q, tt.q)
		}
	}
	// two groups: q = √2·t
	near(t, StudentizedRange{2, 7}.Quantile(.99), math.Sqrt2*StudentT{7}.QuantileUpper(.005), 1e-11, "two groups")
}

func TestRangeStep(t *testing.T) {
	for _, k := range []int{2, 10, 11, 50, 51, 200} {
		for _, w := range []float64{0.3, 1, 2, 4, 7, 15, 40} {
			for _, upper := range []bool{false, true} {
				near(t, rangeTail(k, w, upper), rangeSum(k, w, 0.02, upper), 1e-12, "%d groups, range %v, upper %v", k, w, upper)
			}
		}
	}
}

// CONST-2: mean and standard deviation of the range of n normals (d2 and d3 of ASTM
// E2587 and ISO 7870-2, computed to six decimals).
func TestRangeMoments(t *testing.T) {
	for _, tt := range []struct {
		n      int
		d2, d3 float64
	}{{2, 1.128379, 0.852502}, {5, 2.325929, 0.864082}, {10, 3.077505, 0.797051}, {25, 3.930629, 0.708441}} {
		if d := RangeMean(tt.n); math.Abs(d-tt.d2) > 0.6e-6 {
			t.Errorf("d2(%d) = %.8f, want %.6f", tt.n, d, tt.d2)
		}
		if d := RangeSD(tt.n); math.Abs(d-tt.d3) > 0.6e-6 {
			t.Errorf("d3(%d) = %.8f, want %.6f", tt.n, d, tt.d3)
		}
	}
	near(t, RangeMean(2), 2/math.Sqrt(math.Pi), 1e-14, "d2(2)")
	near(t, RangeSD(2), math.Sqrt(2-4/math.Pi), 1e-11, "d3(2)")
}

func TestHypergeometricTable(t *testing.T) {
	for _, row := range table(t, "hypergeometric.csv") {
		v := numbers(t, row)
		d := Hypergeometric{int(v[0]), int(v[1]), int(v[2])}
		near(t, d.CDF(int(v[3])), v[4], 1e-11, "CDF %v", row[:4])
		near(t, d.Survival(int(v[3])), v[5], 1e-11, "survival %v", row[:4])
	}
}

func TestScipyTable(t *testing.T) {
	for _, row := range table(t, "scipy.csv") {
		v := numbers(t, row[1:])
		a, b, x, lower, upper := v[0], v[1], v[2], v[3], v[4]
		var d continuous
		switch row[0] {
		case "t":
			d = StudentT{a}
		case "chi2":
			d = ChiSquared{a}
		case "f":
			d = F{a, b}
		case "beta":
			d = Beta{a, b}
		case "binomial":
			near(t, Binomial{int(a), b}.CDF(int(x)), lower, 1e-10, "CDF %v", row)
			near(t, Binomial{int(a), b}.Survival(int(x)), upper, 1e-10, "survival %v", row)
			continue
		case "poisson":
			near(t, Poisson{a}.CDF(int(x)), lower, 1e-10, "CDF %v", row)
			near(t, Poisson{a}.Survival(int(x)), upper, 1e-10, "survival %v", row)
			continue
		case "normal":
			near(t, NormCDF(x), lower, 1e-13, "CDF %v", row)
			near(t, NormSurvival(x), upper, 1e-13, "survival %v", row)
			continue
		default:
			t.Fatalf("unknown distribution %q", row[0])
		}
		near(t, d.CDF(x), lower, 1e-9, "CDF %v", row)
		near(t, d.Survival(x), upper, 1e-9, "survival %v", row)
		switch {
		case lower == 0.5 && math.Abs(x) < 1e-15: // scipy's median of t is not quite 0
			if q := d.Quantile(0.5); math.Abs(q) > 1e-15 {
				t.Errorf("median %v", q)
			}
		case lower < upper:
			near(t, d.Quantile(lower), x, 1e-10, "quantile %v", row)
		default:
			near(t, d.QuantileUpper(upper), x, 1e-10, "upper quantile %v", row)
		}
	}
}

// Shapes that the noncentral t must have whatever its parameters.
func TestNoncentralTProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		nu := rapid.Float64Range(1, 2000).Draw(t, "nu")
		delta := rapid.Float64Range(-90, 90).Draw(t, "delta")
		x := rapid.Float64Range(-200, 200).Draw(t, "x")
		d := NoncentralT{nu, delta}
		mirror := NoncentralT{nu, -delta}
		if a, b := d.CDF(x), mirror.Survival(-x); math.Abs(a-b) > 1e-11*a+1e-300 {
			t.Fatalf("mirror: %v against %v", a, b)
		}
		if s := d.CDF(x) + d.Survival(x); math.Abs(s-1) > 1e-12 {
			t.Fatalf("tails add to 1%+.1e", s-1)
		}
		if d.CDF(x+0.5) < d.CDF(x) || (NoncentralT{nu, delta + 0.5}).CDF(x) > d.CDF(x) {
			t.Fatal("not monotone in x or delta")
		}
		central := NoncentralT{nu, 0}
		if a, b := central.Survival(math.Abs(x)), (StudentT{nu}).Survival(math.Abs(x)); math.Abs(a-b) > 1e-10*b+1e-300 {
			t.Fatalf("delta 0: %v against Student's %v", a, b)
		}
	})
}

func TestNormBetween(t *testing.T) {
	for _, tt := range []struct{ a, b, want float64 }{
		// mpmath 1.2, 30 digits: ncdf(b) - ncdf(a), doubles as given
		{-1, 1, 0.682689492137085897}, {8, 9, 6.21983198586583028e-16}, {-9, -8, 6.21983198586583028e-16},
		{3, 3.0001, 4.43118369377355463e-07}, {30, 30.00001, 1.47342510998102202e-201},
	} {
		near(t, NormBetween(tt.a, tt.b), tt.want, 1e-11, "%v..%v", tt.a, tt.b)
	}
	inf := math.Inf(1)
	near(t, NormBetween(math.Inf(-1), inf), 1, 0, "whole line")
	near(t, NormBetween(2, inf), NormSurvival(2), 0, "upper")
	near(t, NormBetween(math.Inf(-1), -3), NormCDF(-3), 0, "lower")
	if NormBetween(1, -1) != 0 {
		t.Error("reversed limits")
	}
	// both branches of the logarithm meet
	for _, x := range []float64{-35, 5, -34.9, -35.1} {
		near(t, NormLogCDF(math.Nextafter(x, -40)), NormLogCDF(math.Nextafter(x, 40)), 1e-12, "log at %v", x)
	}
}

func TestKronrodPolynomials(t *testing.T) {
	for n := 0; n <= 22; n++ {
		f := func(x float64) float64 { return math.Pow(x, float64(n)) }
		near(t, kronrod(f, 0, 2).sum, math.Pow(2, float64(n+1))/float64(n+1), 1e-14, "degree %d", n)
	}
	near(t, Integrate(math.Sqrt, []float64{0, 1}, 1e-12), 2.0/3, 1e-12, "square root")
}

func TestProportionInterval(t *testing.T) {
	// scipy 1.10: stats.binomtest(x, n).proportion_ci(confidence, method="exact")
	for _, tt := range []struct {
		x, n            int
		conf, low, high float64
	}{
		{0, 10, .95, 0, 0.3084971078187608}, {3, 10, .95, 0.06673951117773447, 0.6524528500599972},
		{10, 10, .90, 0.741134449106949, 1}, {29, 300, .99, 0.057759868269770503, 0.14889550215681854},
	} {
		low, high := ProportionInterval(tt.x, tt.n, tt.conf)
		near(t, low, tt.low, 1e-10, "low %d/%d", tt.x, tt.n)
		near(t, high, tt.high, 1e-10, "high %d/%d", tt.x, tt.n)
	}
}

func BenchmarkNoncentralTQuantile(b *testing.B) {
	for b.Loop() {
		NoncentralT{29, 9}.Quantile(.95)
	}
}

func BenchmarkStudentizedRangeSurvival(b *testing.B) {
	for b.Loop() {
		StudentizedRange{6, 30}.Survival(4)
	}
}
