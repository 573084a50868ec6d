package change

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"alike/spc/dist"

	"gonum.org/v1/gonum/mat"
)

func table(t *testing.T, name string) [][]string {
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

func numbers(t *testing.T, fields []string) []float64 {
	t.Helper()
	var xs []float64
	for _, s := range fields {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		xs = append(xs, v)
	}
	return xs
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g within %.1g", what, got, want, tol)
	}
}

func worked(t *testing.T) []float64 {
	var xs []float64
	for _, r := range table(t, "change-1.csv")[1:] {
		xs = append(xs, numbers(t, r)...)
	}
	return xs
}

// The known-level estimator on 18 values with level 0 and sigma 1: the values of
// (T-t)(mean after t)² for t = 0..17 and the last value before the change, 10
// (computed beside; estimator of Samuel, Pignatiello and Calvin 1998).
func TestWorkedKnownLevel(t *testing.T) {
	want := []float64{
		9.8716, 9.9718, 12.1452, 10.7527, 12.3892, 12, 15.4587, 16.7404, 16.2308,
		19.0678, 23.5298, 21.4025, 21.2817, 17.0386, 18.5761, 15.8240, 9.5485, 10.3041,
	}
	zero, one := 0.0, 1.0
	xs := worked(t)
	f, err := newFinder(xs, Options{Before: &zero, Sigma: &one})
	if err != nil {
		t.Fatal(err)
	}
	for j, w := range want {
		near(t, "statistic", f.c[j]*f.c[j]*f.scale*f.scale, w, 5.1e-5) // the eighteenth is 9.54845
	}
	s, err := Find(xs, Options{Before: &zero, Sigma: &one})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "after", s.After, 1.715, 1e-12)
	if s.Index != 11 || s.Before != 0 || s.Sigma != 1 || s.N != 18 || !slices.Contains(s.Set, 11) {
		t.Errorf("%+v", s)
	}
}

// Without the level: the same index, the mean of the first ten before it (-0.039,
// by hand: the sum is -0.39).
func TestWorkedUnknownLevel(t *testing.T) {
	s, err := Find(worked(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "before", s.Before, -0.039, 1e-12)
	near(t, "after", s.After, 1.715, 1e-12)
	if s.Index != 11 || s.P > 0.02 || !slices.IsSorted(s.Set) {
		t.Errorf("%+v", s)
	}
}

// Five streams by brute force beside (testdata/streams.py): split, levels, sigma,
// drift, and with other draws the p-value and which splits belong to the set.
func TestStreamsComputedBeside(t *testing.T) {
	level := map[string][2]float64{"short": {0, 1}, "middle": {94, .3}, "late": {-5, 2}, "none": {10, 1}, "drift": {1, .5}}
	values := map[string][]float64{}
	got := map[string]Comparison{}
	clear := 0
	for _, r := range table(t, "streams.csv") {
		kind, name := r[0], r[1]
		if kind == "values" {
			values[name] = numbers(t, r[2:])
			continue
		}
		key, v := name+" "+r[2], numbers(t, r[3:])
		if _, ok := got[key]; !ok {
			c, err := Shape(values[name], options(level[name], r[2]))
			if err != nil {
				t.Fatal(err)
			}
			got[key] = c
		}
		s, d := got[key].Step, got[key].Drift
		switch kind {
		case "fit":
			if s.Index != int(v[0]) {
				t.Errorf("%s: index %d, want %v", key, s.Index, v[0])
			}
			near(t, key+" before", s.Before, v[1], 1e-9)
			near(t, key+" after", s.After, v[2], 1e-9)
			near(t, key+" sigma", s.Sigma, v[3], 1e-9)
		case "drift":
			if d.Index != int(v[0]) {
				t.Errorf("%s: drift from %d, want %v", key, d.Index, v[0])
			}
			near(t, key+" level", d.Before, v[1], 1e-8)
			near(t, key+" slope", d.Slope, v[2], 1e-8)
		case "p":
			// Both from draws, 999 and 40000; small ones from a bound above.
			if s.P > 0.02 {
				near(t, key+" p", s.P, v[0], 4*math.Sqrt(v[0]*(1-v[0])/999))
			} else if s.P < v[0]-3*math.Sqrt(v[0]/40000) || s.P > 10*v[0]+1e-3 {
				t.Errorf("%s: p = %v, want %v or a little more", key, s.P, v[0])
			}
		case "split":
			if in := slices.Contains(s.Set, int(v[0])); math.Abs(v[1]-0.05) > 0.035 {
				clear++
				if in != (v[1] > 0.05) {
					t.Errorf("%s: split %v in the set is %v, its p is %v", key, v[0], in, v[1])
				}
			}
		}
	}
	if clear < 300 {
		t.Errorf("only %d splits compared", clear)
	}
}

func options(level [2]float64, known string) Options {
	o := Options{Draws: 999}
	if known == "before" || known == "both" {
		o.Before = &level[0]
	}
	if known == "sigma" || known == "both" {
		o.Sigma = &level[1]
	}
	return o
}

// With sigma known the contrasts of noise are normal with correlation d_j·d_k, so
// the p-value is what the box probability leaves outside (spc/dist, proven
// against mpmath and scipy).
func TestPAgainstBoxProbability(t *testing.T) {
	for _, known := range []bool{false, true} {
		for _, xs := range [][]float64{{0, 0.2, -0.3, 1.6, 1.2}, {0.3, 0.1, -0.6, 0.4, 0, 1.5, 0.9, 1.1}, {2, -0.4, 0.3}} {
			one, zero := 1.0, 0.0
			o := Options{Sigma: &one, Draws: 8000}
			if known {
				o.Before = &zero
			}
			f, err := newFinder(xs, o)
			if err != nil {
				t.Fatal(err)
			}
			d := len(xs) - f.first()
			corr := mat.NewSymDense(d, nil)
			low, high := make([]float64, d), make([]float64, d)
			for i := range d {
				high[i] = math.Abs(f.c[f.best]) / f.sigma
				low[i] = -high[i]
				for j := range i + 1 {
					corr.SetSym(i, j, overlap(len(xs), i+f.first(), j+f.first(), known))
				}
			}
			box, err := dist.Box(corr, low, high, dist.BoxOptions{Tolerance: 1e-4})
			if err != nil {
				t.Fatal(err)
			}
			near(t, "p", f.p(), box.Outside, 4*math.Sqrt(box.Outside/8000)+1e-4)
		}
	}
}
