package compare

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"
)

func table(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// groupsOf reads rows of group and value.
func groupsOf(t testing.TB, rows [][]string) []Group {
	var groups []Group
	at := map[string]int{}
	for _, r := range rows {
		if _, ok := at[r[0]]; !ok {
			at[r[0]] = len(groups)
			groups = append(groups, Group{Name: r[0]})
		}
		g := &groups[at[r[0]]]
		g.Values = append(g.Values, number(t, r[1]))
	}
	return groups
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g within %.1g", what, got, want, tol)
	}
}

func oneWay(t testing.TB, groups []Group, o Options) Result {
	t.Helper()
	r, err := OneWay(groups, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// NIST StRD, analysis of variance, set SiRstv (certified values from memory). The
// decimals rounded to double leave 12 digits or so.
func TestSiRstv(t *testing.T) {
	r := oneWay(t, groupsOf(t, table(t, "sirstv.csv")[1:]), Options{})
	near(t, "between", r.Anova.Between, .0511462616, 5e-11)
	near(t, "within", r.Anova.Within, .216636560, 5e-10)
	near(t, "F", r.Anova.Statistic, 1.18046237440255, 1e-11)
	near(t, "R²", r.Anova.RSquared, .190999039051129, 1e-12)
	near(t, "residual sd", r.Anova.ResidualSD, .104076068334656, 1e-12)
	if r.Anova.DF1 != 4 || r.Anova.DF2 != 20 {
		t.Errorf("degrees of freedom %v, %v", r.Anova.DF1, r.Anova.DF2)
	}
	// computed with scipy 1.10
	near(t, "Brown-Forsythe", r.BrownForsythe.Statistic, .226603, 5e-7)
	near(t, "its p", r.BrownForsythe.P, .92028, 5e-6)
}

// smLs returns a set of NIST StRD SmLs: nine groups, in each one value at the
// centre, then pairs a tenth below and above. Tenths divided by ten give the
// double nearest to the printed decimal.
func smLs(level int64, n int) []Group {
	var groups []Group
	for i, c := range []int64{14, 13, 15, 13, 15, 13, 15, 13, 15} {
		if level > 0 {
			c -= 10 // 1000000.4 in place of 1.4
		}
		g := Group{Name: fmt.Sprint(i)}
		for k := range n {
			d := int64(0)
			if k > 0 {
				d = int64(2*(k%2) - 1)
			}
			g.Values = append(g.Values, float64(10*level+c+d)/10)
		}
		groups = append(groups, g)
	}
	return groups
}

// exactF is the F statistic of the doubles themselves, in rational numbers.
func exactF(groups []Group) float64 {
	total, all, n := new(big.Rat), new(big.Rat), 0
	sum2 := new(big.Rat)
	between := new(big.Rat)
	for _, g := range groups {
		s := new(big.Rat)
		for _, v := range g.Values {
			x := new(big.Rat).SetFloat64(v)
			s.Add(s, x)
			sum2.Add(sum2, x.Mul(x, x))
		}
		n += len(g.Values)
		all.Add(all, s)
		between.Add(between, new(big.Rat).Quo(new(big.Rat).Mul(s, s), big.NewRat(int64(len(g.Values)), 1)))
	}
	total.Quo(new(big.Rat).Mul(all, all), big.NewRat(int64(n), 1))
	within := new(big.Rat).Sub(sum2, between)
	between.Sub(between, total)
	f := between.Quo(between, within)
	f.Mul(f, big.NewRat(int64(n-len(groups)), int64(len(groups)-1)))
	v, _ := f.Float64()
	return v
}

// SmLs01 to 09: F is 21, 201 and 2001 by design (StRD, from memory). The doubles
// at 1e6 and 1e12 are not the decimals any more, so these are compared with the
// exact F of the doubles, and with the certified value to the digits that the
// doubles have.
func TestSmLs(t *testing.T) {
	for _, tt := range []struct {
		level  int64
		digits float64 // that the rounded data can keep of the certified value
	}{{0, 12}, {1000000, 9}, {1000000000000, 3}} {
		for _, n := range []int{21, 201, 2001} {
			groups := smLs(tt.level, n)
			d, err := arrange(groups) // OneWay would compare 36 pairs besides
			if err != nil {
				t.Fatal(err)
			}
			f := d.anova(0.95).Statistic
			if e := math.Abs(f/float64(n) - 1); e > math.Pow(10, -tt.digits) {
				t.Errorf("level %d, n %d: F = %.15g, certified %d", tt.level, n, f, n)
			}
			if n == 2001 && testing.Short() {
				continue
			}
			if want := exactF(groups); math.Abs(f/want-1) > 1e-12 {
				t.Errorf("level %d, n %d: F = %.15g, exactly %.15g", tt.level, n, f, want)
			}
		}
	}
}

// NIST/SEMATECH e-Handbook 1.3.5.10 and 1.3.5.7 (from memory): printed 1.705910 in
// single precision, exactly 1.705918; Bartlett 20.785873.
func TestGear(t *testing.T) {
	r := oneWay(t, groupsOf(t, table(t, "gear.csv")[1:]), Options{})
	near(t, "Brown-Forsythe", r.BrownForsythe.Statistic, 1.705918, 1e-6)
	near(t, "as printed", r.BrownForsythe.Statistic, 1.705910, 1e-4)
	near(t, "its p", r.BrownForsythe.P, .099083, 1e-6)
	near(t, "Bartlett", r.Bartlett.Statistic, 20.785873, 1e-6)
	near(t, "its p", r.Bartlett.P, .013636, 1e-6)
	if r.BrownForsythe.DF1 != 9 || r.BrownForsythe.DF2 != 90 || r.Bartlett.DF1 != 9 {
		t.Errorf("degrees of freedom %v, %v, %v", r.BrownForsythe.DF1, r.BrownForsythe.DF2, r.Bartlett.DF1)
	}
}

// NIST/SEMATECH e-Handbook 7.4.3.3 and 7.4.7.1 (from memory): sums of squares
// 27.897 and 17.452, F 9.59 of three groups; Tukey intervals of four.
func TestFourGroups(t *testing.T) {
	groups := groupsOf(t, table(t, "groups4.csv")[1:])
	three := oneWay(t, groups[:3], Options{})
	near(t, "between", three.Anova.Between, 27.897, 5e-4)
	near(t, "within", three.Anova.Within, 17.452, 5e-4)
	near(t, "F of three", three.Anova.Statistic, 9.591107, 5e-7)
	near(t, "p of three", three.Anova.P, .003248, 5e-7)
	r := oneWay(t, groups, Options{Margin: 1.5})
	near(t, "mean square", r.Anova.MeanWithin, 1.33075, 5e-6)
	near(t, "F", r.Anova.Statistic, 9.723840, 5e-7)
	near(t, "Brown-Forsythe", r.BrownForsythe.Statistic, .232728, 5e-7)
	near(t, "its p", r.BrownForsythe.P, .87223, 5e-6)
	want := map[string][4]float64{
		"3-1": {3.22, 1.1326, 5.3074, .00221}, "2-1": {2.38, .2926, 4.4674, .02279},
		"4-1": {.16, -1.9274, 2.2474, .99612}, "4-2": {-2.22, -4.3074, -.1326, .03515},
		"4-3": {-3.06, -5.1474, -.9726, .00345}, "3-2": {.84, -1.2474, 2.9274, .66446},
	}
	if len(r.Pairs) != len(want) || r.Method != "tukey-kramer" {
		t.Fatalf("%d pairs by %s", len(r.Pairs), r.Method)
	}
	for _, p := range r.Pairs {
		name := p.A + "-" + p.B
		w, ok := want[name]
		if !ok {
			t.Fatalf("pair %s", name)
		}
		near(t, name, p.Difference, w[0], 1e-12)
		near(t, name+" low", p.Low, w[1], 5e-5)
		near(t, name+" high", p.High, w[2], 5e-5)
		near(t, name+" p", p.P, w[3], 5e-6)
		if p.Equivalent != (name == "4-1") {
			t.Errorf("%s equivalent: %v", name, p.Equivalent)
		}
	}
	text := strings.Join(r.Conclusion, "\n")
	for _, part := range []string{
		"The group means differ", "No difference in spread is shown",
		"3 lies above 1 by 3.22 (1.13 to 5.31).", "4 lies below 2 by 2.22 (0.133 to 4.31).",
		"4 and 1 are equivalent within the margin of 1.5",
		"3 minus 2 may be anything from -1.25 to 2.93",
	} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in\n%s", part, text)
		}
	}
}

// Two one-sided Welch tests on groups 1 and 4 with margin 1.5 (computed with
// numpy and scipy).
func TestEquivalence(t *testing.T) {
	groups := groupsOf(t, table(t, "groups4.csv")[1:])
	r := oneWay(t, []Group{groups[0], groups[3]}, Options{})
	a, b := r.Groups[1], r.Groups[0]
	d, err := Welch(a, b, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "difference", d.Difference, .16, 1e-12)
	near(t, "error", d.Error, .664530, 5e-7)
	near(t, "df", d.DF, 7.866171, 5e-7)
	e, err := Equivalent(a, b, 1.5, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "t lower", e.TLower, 2.498006, 5e-7)
	near(t, "t upper", e.TUpper, -2.016463, 5e-7)
	near(t, "p lower", e.PLower, .018767, 5e-7)
	near(t, "p upper", e.PUpper, .039546, 5e-7)
	near(t, "low", e.Low, -1.078456, 5e-7)
	near(t, "high", e.High, 1.398456, 5e-7)
	if !e.Equivalent || e.P != e.PUpper {
		t.Errorf("%+v", e)
	}
	// Both sides of the edge: the margin at which the upper bound of the interval
	// lies exactly on it.
	for _, tt := range []struct {
		margin float64
		want   bool
	}{{1.398456 - 1e-5, false}, {1.398456 + 1e-5, true}} {
		if e, err := Equivalent(a, b, tt.margin, 0.05); err != nil || e.Equivalent != tt.want {
			t.Errorf("margin %v: %v, %v", tt.margin, e.Equivalent, err)
		}
	}
}

// NIST/SEMATECH e-Handbook 1.3.5.3, by its summary statistics (from memory).
func TestTwoSamples(t *testing.T) {
	a, b := Summary{"US", 249, 20.14458, 6.41470}, Summary{"Japan", 79, 30.48101, 6.10771}
	w, err := Welch(a, b, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Welch t", w.T, -12.94627, 5e-6)
	near(t, "Welch df", w.DF, 136.8750, 5e-5)
	p, err := Pooled(a, b, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pooled t", p.T, -12.62059, 5e-6)
	near(t, "pooled df", p.DF, 326, 0)
	near(t, "pooled sd", p.Error/math.Sqrt(1.0/249+1.0/79), 6.34260, 5e-6)
}

// Sizes per group for a chance of 0.8 at level 0.05 (statsmodels 0.13.5,
// TTestIndPower().solve_power(d, power=.8) gives 63.77, 25.52, 393.41, and rounds
// up).
func TestSettlePerGroup(t *testing.T) {
	for _, tt := range []struct {
		d    float64
		want int
	}{{0.5, 64}, {0.8, 26}, {0.2, 394}} {
		n, err := SettlePerGroup(Summary{"a", 10, 100, 2}, Summary{"b", 10, 100 + 2*tt.d, 2}, 0, 0.05)
		if err != nil || n != tt.want {
			t.Errorf("difference of %v sigma: %d per group, %v, want %d", tt.d, n, err, tt.want)
		}
	}
	on, err := SettlePerGroup(Summary{"a", 10, 0, 1}, Summary{"b", 10, 1, 1}, 1, 0.05)
	if err != nil || on != 0 {
		t.Errorf("on the margin: %d, %v", on, err)
	}
}
