package dist

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// table reads a CSV file of testdata (made by testdata/grid.py) below its head.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
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
	if len(rows) < 5 {
		t.Fatalf("%s has only %d rows", name, len(rows))
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil && v != 0 { // below the smallest float64 reads as 0
		t.Fatal(err)
	}
	return v
}

func numbers(t *testing.T, row []string) []float64 {
	t.Helper()
	out := make([]float64, len(row))
	for i, s := range row {
		out[i] = number(t, s)
	}
	return out
}

// near fails unless got is within rel of want; below 1e-300 both count as zero.
func near(t *testing.T, got, want, rel float64, what string, args ...any) float64 {
	t.Helper()
	if math.Abs(want) < 1e-300 && math.Abs(got) < 1e-290 {
		return 0
	}
	e := math.Abs(got-want) / math.Abs(want)
	if want == 0 {
		e = math.Abs(got)
	}
	if !(e <= rel) {
		t.Errorf(what+": got %.15g, want %.15g (relative error %.1e)", append(args, got, want, e)...)
	}
	return e
}

type continuous interface {
	CDF(float64) float64
	Survival(float64) float64
	Quantile(float64) float64
	QuantileUpper(float64) float64
}

// checkLaws runs what must hold for any continuous distribution: tails add to
// one, rise and fall, and quantiles undo them, both ways, far out.
func checkLaws(t *testing.T, name string, d continuous, tol float64) {
	t.Helper()
	last := math.NaN()
	for _, p := range []float64{0, 1e-10, 1e-4, 0.02, 0.3, 0.5, 0.8, 0.99, 1 - 1e-9, 1} {
		x := d.Quantile(p)
		if x <= last {
			t.Errorf("%s: quantile at %v is %v, not above %v", name, p, x, last)
		}
		last = x
		if p > 0 && p < 1 {
			near(t, d.CDF(x), p, tol, "%s: CDF of quantile %v", name, p)
			if !nearOne(d, x) {
				near(t, d.Survival(x), 1-p, tol, "%s: survival of quantile %v", name, p)
			}
			if y := d.QuantileUpper(p); !nearOne(d, y) {
				near(t, d.Survival(y), p, tol, "%s: survival of upper quantile %v", name, p)
			}
			near(t, d.CDF(x)+d.Survival(x), 1, 1e-11, "%s: sum of tails at %v", name, x)
		}
	}
	if !math.IsNaN(d.CDF(math.NaN())) {
		t.Errorf("%s: CDF(NaN) is %v", name, d.CDF(math.NaN()))
	}
	if d.CDF(math.Inf(1)) != 1 || d.Survival(math.Inf(1)) != 0 || d.CDF(math.Inf(-1)) != 0 || d.Survival(math.Inf(-1)) != 1 {
		t.Errorf("%s: tails at infinity are not 0 and 1", name)
	}
	for _, p := range []float64{-0.1, 1.1, math.NaN()} {
		if !panics(func() { d.Quantile(p) }) {
			t.Errorf("%s: quantile at %v did not panic", name, p)
		}
	}
}

// nearOne reports a beta variate so near 1 that its float64 has lost the digits of
// the distance to 1.
func nearOne(d continuous, x float64) bool {
	_, beta := d.(Beta)
	return beta && x > 0.9999
}

func panics(f func()) (did bool) {
	defer func() { did = recover() != nil }()
	f()
	return false
}

func TestLaws(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		name string
		d    continuous
	}{
		{"chi-squared 0.5", ChiSquared{0.5}}, {"chi-squared 7", ChiSquared{7}}, {"chi-squared 1e4", ChiSquared{1e4}},
		{"F 1 1", F{1, 1}}, {"F 3 16.5", F{3, 16.5}}, {"F 1000 4", F{1000, 4}},
		{"t 1", StudentT{1}}, {"t 7.866", StudentT{7.866}}, {"t 1e5", StudentT{1e5}},
		{"beta 1 1", Beta{1, 1}}, {"beta 0.5 40", Beta{0.5, 40}}, {"beta 300 2", Beta{300, 2}},
		{"noncentral t 1 2", NoncentralT{1, 2}}, {"noncentral t 9 7", NoncentralT{9, 7}},
		{"noncentral t 999 100", NoncentralT{999, 100}}, {"noncentral t 4 -3", NoncentralT{4, -3}}, {"noncentral t inf", NoncentralT{inf, 3}},
		{"range 4 16", StudentizedRange{4, 16}}, {"range 50 inf", StudentizedRange{50, inf}},
	} {
		t.Run(tt.name, func(t *testing.T) { checkLaws(t, tt.name, tt.d, 1e-10) })
	}
}

func TestPanics(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for i, f := range []func(){
		func() { ChiSquared{0}.CDF(1) }, func() { ChiSquared{nan}.CDF(1) }, func() { F{1, inf}.CDF(1) },
		func() { StudentT{-1}.CDF(1) }, func() { Beta{0, 1}.Quantile(.5) }, func() { NoncentralT{0, 1}.CDF(1) },
		func() { NoncentralT{3, inf}.Quantile(.5) }, func() { StudentizedRange{1, 5}.CDF(1) },
		func() { StudentizedRange{3, 0.5}.Quantile(.5) }, func() { Binomial{-1, .5}.CDF(0) }, func() { Binomial{5, nan}.CDF(0) },
		func() { Poisson{-1}.CDF(0) }, func() { Hypergeometric{10, 11, 1}.CDF(0) }, func() { Hypergeometric{10, 1, -1}.CDF(0) },
		func() { ProportionInterval(3, 2, .95) }, func() { ProportionInterval(0, 0, .95) }, func() { ProportionInterval(1, 2, 1) },
		func() { RangeMean(1) }, func() { RangeSD(1) }, func() { RangeSD(201) },
	} {
		if !panics(f) {
			t.Errorf("case %d did not panic", i)
		}
	}
}
