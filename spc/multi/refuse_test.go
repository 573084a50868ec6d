package multi_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"alike/spc/multi"

	"gonum.org/v1/gonum/mat"
)

func TestRefuses(t *testing.T) {
	nan := math.NaN()
	rng := rand.New(rand.NewPCG(3, 3))
	good := normals(rng, 12, 3)
	edit := func(f func(rows [][]float64)) [][]float64 {
		rows := make([][]float64, len(good))
		for i := range rows {
			rows[i] = slices.Clone(good[i])
		}
		f(rows)
		return rows
	}
	type options = multi.Options
	for name, tt := range map[string]struct {
		rows [][]float64
		o    options
		says string
	}{
		"none":            {nil, options{}, "at least 1 rows"},
		"one":             {good[:1], options{}, "at least 3 rows"},
		"two":             {good[:2], options{}, "at least 3 rows"},
		"few":             {good[:4], options{}, "use the shrunk one"},
		"few successive":  {good[:4], options{Kind: multi.Successive}, "use the shrunk one"},
		"few shrunk":      {good[:3], options{Kind: multi.Shrunk}, "at least 4 rows"},
		"no columns":      {[][]float64{{}, {}, {}}, options{}, "row 1 has 0 columns"},
		"ragged":          {edit(func(r [][]float64) { r[4] = r[4][:2] }), options{}, "row 5 has 2 columns"},
		"nan":             {edit(func(r [][]float64) { r[4][1] = nan }), options{}, "row 5: value 2"},
		"inf":             {edit(func(r [][]float64) { r[4][1] = math.Inf(-1) }), options{}, "row 5: value 2"},
		"huge":            {edit(func(r [][]float64) { r[4][1] = 1e300 }), options{}, "row 5: value 2"},
		"constant":        {edit(func(r [][]float64) { column(r, 1, func([]float64) float64 { return 7 }) }), options{}, "column 2 does not vary"},
		"constant shrunk": {edit(func(r [][]float64) { column(r, 1, func([]float64) float64 { return 7 }) }), options{Kind: multi.Shrunk}, "column 2 does not vary"},
		"constant large":  {edit(func(r [][]float64) { column(r, 1, func(x []float64) float64 { return 1e15 + x[0]/10 }) }), options{}, "column 2 does not vary"},
		"double":          {edit(func(r [][]float64) { column(r, 2, func(x []float64) float64 { return 3*x[0] - 1 }) }), options{}, "columns 1 and 3"},
		"nearly double":   {edit(func(r [][]float64) { column(r, 2, func(x []float64) float64 { return x[0] + 1e-5*x[2] }) }), options{}, "determine each other"},
		"alpha":           {good, options{Alpha: -1}, "alpha"},
		"alpha nan":       {good, options{Alpha: nan}, "alpha"},
		"alpha large":     {good, options{Alpha: 0.6}, "alpha"},
		"baseline":        {good, options{Baseline: 13}, "first 13 of 12"},
		"negative":        {good, options{Baseline: -1}, "baseline"},
		"kind":            {good, options{Kind: "else"}, "else"},
		"pooled":          {good, options{Kind: multi.Pooled}, "pooled"},
		"simulation":      {good, options{Kind: multi.Successive, Simulation: multi.Simulation{Baselines: 3}}, "3 simulated baselines"},
	} {
		if c, err := multi.T2(tt.rows, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: error %v, want one that says %q; points %v", name, err, tt.says, c.Points)
		}
		if tt.o.Alpha == 0 && tt.o.Simulation.Baselines == 0 {
			o := multi.MEWMAOptions{Lambda: 0.2, Limit: 10, Baseline: tt.o.Baseline, Kind: tt.o.Kind}
			if _, err := multi.MEWMA(tt.rows, o); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("MEWMA: %s: error %v, want one that says %q", name, err, tt.says)
			}
		}
	}
	for name, tt := range map[string]struct {
		groups [][][]float64
		o      options
		says   string
	}{
		"none":     {nil, options{}, "at least 1 subgroup"},
		"one":      {[][][]float64{good}, options{}, "at least 2 subgroups"},
		"empty":    {[][][]float64{good, {}}, options{}, "subgroup 2 has no rows"},
		"ragged":   {[][][]float64{good, {{1, 2}}}, options{}, "subgroup 2 has 2 columns"},
		"nan":      {[][][]float64{good, {{1, 2, nan}}}, options{}, "subgroup 2: row 1: value 3"},
		"singles":  {[][][]float64{good[:1], good[1:2], good[2:3]}, options{}, "degrees of freedom"},
		"baseline": {[][][]float64{good, good}, options{Baseline: 1}, "at least 2 subgroups"},
		"too far":  {[][][]float64{good, good}, options{Baseline: 3}, "first 3 of 2"},
		"alpha":    {[][][]float64{good, good}, options{Alpha: 2}, "alpha"},
	} {
		if _, err := multi.T2Groups(tt.groups, tt.o); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("groups: %s: error %v, want one that says %q", name, err, tt.says)
		}
	}
	m, err := multi.Fit(good, multi.Sample)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := multi.T2([][]float64{{1, 2}}, options{Model: m}); err == nil || !strings.Contains(err.Error(), "3 columns") {
		t.Errorf("a model of other columns: %v", err)
	}
	if _, err := multi.T2Groups([][][]float64{{{1, 2}}}, options{Model: m}); err == nil || !strings.Contains(err.Error(), "3 columns") {
		t.Errorf("a model of other columns: %v", err)
	}
	shrunk, err := multi.Fit(good, multi.Shrunk)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := multi.T2Groups([][][]float64{good}, options{Model: shrunk}); err == nil {
		t.Error("subgroups by a shrunk covariance accepted")
	}
	if _, err := multi.MEWMA(good, multi.MEWMAOptions{Lambda: 0.2, Model: shrunk}); err == nil || !strings.Contains(err.Error(), "give a limit") {
		t.Errorf("MEWMA by a shrunk covariance: %v", err)
	}
	pooled, err := multi.FitGroups([][][]float64{good[:6], good[6:]})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := multi.T2(good, options{Model: pooled}); err == nil {
		t.Error("single rows by a pooled covariance accepted")
	}
	for _, bad := range []func() error{
		func() error { _, err := multi.PhaseI(3, 2, 0.01); return err },
		func() error { _, err := multi.PhaseI(4, 0, 0.01); return err },
		func() error { _, err := multi.PhaseII(2, 2, 0.01); return err },
		func() error { _, err := multi.PhaseII(9, 2, 0); return err },
	} {
		if bad() == nil {
			t.Error("a limit without rows or alpha accepted")
		}
	}
}

func column(rows [][]float64, j int, f func(row []float64) float64) {
	for _, r := range rows {
		r[j] = f(r)
	}
}

func TestNewModelRefuses(t *testing.T) {
	good := multi.Frozen{Kind: multi.Sample, N: 9, Freedom: 8, Center: []float64{1, 2}, Covariance: mat.NewSymDense(2, []float64{1, 0, 0, 1})}
	if _, err := multi.NewModel(good); err != nil {
		t.Fatal(err)
	}
	cov := func(p int, v ...float64) func(*multi.Frozen) {
		return func(f *multi.Frozen) { f.Covariance = mat.NewSymDense(p, v) }
	}
	for name, spoil := range map[string]func(*multi.Frozen){
		"no covariance": func(f *multi.Frozen) { f.Covariance = nil },
		"sizes":         func(f *multi.Frozen) { f.Center = f.Center[:1] },
		"nan":           func(f *multi.Frozen) { f.Center = []float64{1, math.NaN()} },
		"freedom":       func(f *multi.Frozen) { f.Freedom = 1 },
		"kind":          func(f *multi.Frozen) { f.Kind = "else" },
		"rows":          func(f *multi.Frozen) { f.N = 0 },
		"middle":        func(f *multi.Frozen) { f.Kind = multi.Shrunk },
		"weight":        func(f *multi.Frozen) { f.Kind, f.Middle, f.Shrinkage = multi.Shrunk, 3, 1.5 },
		"variance":      cov(2, 1, 0, 0, -1),
		"nan in it":     cov(2, 1, math.NaN(), math.NaN(), 1),
		"correlation":   cov(2, 1, 1.5, 1.5, 1),
		"singular":      cov(2, 1, 1, 1, 1),
		"indefinite": func(f *multi.Frozen) {
			f.Center, f.Covariance = []float64{1, 2, 3}, mat.NewSymDense(3, []float64{1, .9, .9, .9, 1, -.9, .9, -.9, 1})
		},
	} {
		f := good
		spoil(&f)
		if _, err := multi.NewModel(f); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
}
