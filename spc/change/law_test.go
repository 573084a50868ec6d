package change

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
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

// A shift, a factor and a mirror change the levels with them and nothing else;
// turned round, the best split is the mirrored one.
func TestFindLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(5, 40).Draw(t, "n")
		// Multiples of 1/1024: smaller differences would be lost beside the shift below.
		xs := rapid.SliceOfN(rapid.Map(rapid.IntRange(-3072, 3072), func(k int) float64 { return float64(k) / 1024 }), n, n).Draw(t, "xs")
		o := Options{Draws: 99}
		level, sigma := rapid.Float64Range(-1, 1).Draw(t, "level"), rapid.Float64Range(0.5, 2).Draw(t, "sigma")
		if rapid.Bool().Draw(t, "known level") {
			o.Before = &level
		}
		if rapid.Bool().Draw(t, "known sigma") {
			o.Sigma = &sigma
		}
		s, err := Find(xs, o)
		if errors.Is(err, ErrNoSpread) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		finite(t, s)
		if !slices.Contains(s.Set, s.Index) || !slices.IsSorted(s.Set) || s.Set[0] < 1 || s.Set[len(s.Set)-1] > n {
			t.Fatalf("index %d, set %v of %d", s.Index, s.Set, n)
		}
		factor, shift := rapid.SampledFrom([]float64{-2, 0.5, 8}).Draw(t, "factor"), 16.0
		ys := make([]float64, n)
		for i, x := range xs {
			ys[i] = factor*x + shift
		}
		if o.Before != nil {
			moved := factor*level + shift
			o.Before = &moved
		}
		if o.Sigma != nil {
			moved := math.Abs(factor) * sigma
			o.Sigma = &moved
		}
		m, err := Find(ys, o)
		if err != nil {
			t.Fatal(err)
		}
		// Rounding may tip a tie between two splits, or a draw that just reaches.
		if m.Index != s.Index && !tied(xs, o, m.Index-1, s.Index-1, factor, shift) {
			t.Fatalf("index %d became %d", s.Index, m.Index)
		}
		if m.Index == s.Index && (math.Abs(m.P-s.P) > 0.011 || math.Abs(m.After-factor*s.After-shift) > 1e-9) {
			t.Fatalf("%+v became %+v", s, m)
		}
		if o.Before == nil {
			slices.Reverse(ys)
			r, err := Find(ys, o)
			if err != nil {
				t.Fatal(err)
			}
			if r.Index != n-m.Index+2 && !tied(xs, o, n+1-r.Index, m.Index-1, factor, shift) {
				t.Fatalf("index %d of %d turned round is %d", m.Index, n, r.Index)
			}
		}
	})
}

func tied(xs []float64, o Options, a, b int, factor, shift float64) bool {
	ys := make([]float64, len(xs))
	for i, x := range xs {
		ys[i] = factor*x + shift
	}
	f, err := newFinder(ys, o)
	return err == nil && math.Abs(math.Abs(f.c[a])-math.Abs(f.c[b])) < 1e-9
}

// Values that are multiples of 1/64 stay exact when 1e12 is added: all but the
// levels must be the same to the last digit.
func TestLargeLevel(t *testing.T) {
	xs := worked(t)
	ys := make([]float64, len(xs))
	for i := range xs {
		xs[i] = math.Round(xs[i]*64) / 64
		ys[i] = xs[i] + 1e12
	}
	a, err := Shape(xs, Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Shape(ys, Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "after", b.Step.After-1e12, a.Step.After, 2e-4)
	for _, c := range []*Comparison{&a, &b} {
		c.Step.Before, c.Step.After, c.Drift.Before, c.Drift.After = 0, 0, 0, 0
	}
	if !reflect.DeepEqual(a, b) {
		t.Errorf("%+v became %+v", a, b)
	}
}

func TestNoNaNFromBadInput(t *testing.T) {
	odd := []float64{0, 1, 1, 1, -1, 1e-300, 5e-324, 1e150, -1e150, 1e12, 1e12 + 1, 1e300, math.NaN(), math.Inf(1)}
	good := 0
	rapid.Check(t, func(t *rapid.T) {
		n, kinds := rapid.IntRange(0, 12).Draw(t, "n"), rapid.IntRange(1, len(odd)).Draw(t, "kinds")
		draw := func() float64 { return odd[rapid.IntRange(0, kinds-1).Draw(t, "x")] }
		xs := make([]float64, n)
		rows := make([][]float64, n)
		for i := range xs {
			xs[i] = draw()
			rows[i] = []float64{xs[i], draw()}
		}
		level, sigma := draw(), draw()
		for _, o := range []Options{{Draws: 19}, {Draws: 19, Before: &level}, {Draws: 19, Sigma: &sigma}, {Draws: 19, Before: &level, Sigma: &sigma}} {
			if s, err := Shape(xs, o); err == nil {
				finite(t, s)
				good++
			}
		}
		for _, o := range []JointOptions{{Draws: 19}, {Draws: 19, Before: []float64{level, sigma}}, {Draws: 19, Covariance: mat.NewSymDense(2, []float64{1, .5, .5, sigma})}} {
			if s, err := FindJoint(rows, o); err == nil {
				finite(t, s)
				good++
			}
		}
	})
	if good < 100 {
		t.Errorf("only %d results", good)
	}
}

func TestErrorsNameTheFault(t *testing.T) {
	nan, zero, tiny := math.NaN(), 0.0, 1e-20
	for _, tt := range []struct {
		xs   []float64
		o    Options
		part string
	}{
		{nil, Options{}, "at least 4 values, has 0"},
		{[]float64{1, 2}, Options{Before: &zero}, "at least 3 values, has 2"},
		{[]float64{1, 2, nan, 4}, Options{}, "value 3 is not a number"},
		{[]float64{1, 2, 3, 1e300}, Options{}, "value 4 is larger"},
		{[]float64{1.1, 1.1, 1.1, 1.1}, Options{}, "do not vary"},
		{[]float64{0, 0, 0, 0}, Options{Before: &zero}, "do not vary"},
		{make([]float64, MostValues+1), Options{}, "too many"},
		{[]float64{1, 2, 3, 4}, Options{Sigma: &zero}, "sigma 0"},
		{[]float64{1, 2, 3, 4}, Options{Sigma: &tiny}, "check its unit"},
		{[]float64{1, 2, 3, 4}, Options{Before: &nan}, "level before NaN"},
		{[]float64{1, 2, 3, 4}, Options{Confidence: 1.2}, "confidence 1.2"},
		{[]float64{1, 2, 3, 4}, Options{Draws: 50, Confidence: 0.99}, "take 100 or more"},
	} {
		if _, err := Shape(tt.xs, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	rows := func() [][]float64 { return [][]float64{{1, 2}, {2, 1}, {3, 5}, {4, 4}, {1, 0}} }
	ragged, bad, flat := rows(), rows(), rows()
	ragged[3] = ragged[3][:1]
	bad[2][1] = nan
	for i := range flat {
		flat[i][1] = 94.1
	}
	for _, tt := range []struct {
		rows [][]float64
		o    JointOptions
		part string
	}{
		{nil, JointOptions{}, "at least 4 rows, has 0"},
		{[][]float64{{}, {}, {}, {}}, JointOptions{}, "row 1 has no bands"},
		{ragged, JointOptions{}, "row 4 has 1 bands"},
		{bad, JointOptions{}, "row 3: value 2 is not a number"},
		{flat, JointOptions{}, "band 2 has no usable spread"},
		{rows(), JointOptions{Before: []float64{1}}, "level before has 1 bands"},
		{rows(), JointOptions{Before: []float64{1, nan}}, "level before: value 2"},
		{rows(), JointOptions{Covariance: mat.NewSymDense(1, nil)}, "covariance has 1 bands"},
		{rows(), JointOptions{Covariance: mat.NewSymDense(2, []float64{1, 1, 1, 1})}, "singular"},
		{rows(), JointOptions{Covariance: mat.NewSymDense(2, []float64{1, 2, 2, 1})}, "correlation of bands 2 and 1"},
		{rows(), JointOptions{Covariance: mat.NewSymDense(2, []float64{1, 0, 0, 0})}, "variance of band 2"},
		{rows(), JointOptions{Draws: 5}, "5 draws"},
	} {
		if _, err := FindJoint(tt.rows, tt.o); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
}

func TestWarnings(t *testing.T) {
	walk := make([]float64, 40)
	for i := range walk {
		walk[i] = float64(i)*0.3 + math.Sin(float64(i)*2.4)
	}
	one := 1.0
	for _, tt := range []struct {
		xs   []float64
		o    Options
		part string
	}{
		{[]float64{0.3, -0.4, 0.1, 0.2, -0.3}, Options{}, "No change is shown"},
		{[]float64{0.3, -0.4, 0.1, 0.2, -0.3}, Options{}, "Only 5 values"},
		{[]float64{5, 0, 0.1, -0.1, 0, 0.1}, Options{}, "before rests on 1 value."},
		{[]float64{0, 0.1, -0.1, 0, 0.1, 5, 5.1}, Options{}, "after rests on 2 values"},
		{[]float64{1, 1, 1, 1, 5, 5, 5, 5}, Options{}, "do not vary"},
		{[]float64{1, 1, 1, 1}, Options{Sigma: &one}, "No change is shown"},
		{walk, Options{}, "hang together"},
	} {
		s, err := Find(tt.xs, tt.o)
		if err != nil || !strings.Contains(strings.Join(s.Warnings, " "), tt.part) {
			t.Errorf("%v: %q, %v, want %q", tt.xs, s.Warnings, err, tt.part)
		}
	}
	j, err := FindJoint([][]float64{{1, 2}, {2, 1}, {3, 5}, {4, 4}, {1, 0}}, JointOptions{})
	if err != nil || len(j.Warnings) < 2 || !strings.Contains(strings.Join(j.Warnings, " "), "Only 5 rows") {
		t.Errorf("%q, %v", j.Warnings, err)
	}
}
