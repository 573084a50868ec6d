package compare

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// nestedSets reads testdata/nested.csv.
func nestedSets(t *testing.T) (sets map[string][]Source, want map[string]map[string]float64, rows []Supplier) {
	sets, want = map[string][]Source{}, map[string]map[string]float64{}
	for _, r := range table(t, "nested.csv") {
		switch r[0] {
		case "value":
			all := sets[r[1]]
			if len(all) == 0 || all[len(all)-1].Name != r[2] {
				all = append(all, Source{Name: r[2]})
			}
			s := &all[len(all)-1]
			if len(s.Batches) == 0 || s.Batches[len(s.Batches)-1].Name != r[3] {
				s.Batches = append(s.Batches, Group{Name: r[3]})
			}
			g := &s.Batches[len(s.Batches)-1]
			g.Values = append(g.Values, number(t, r[4]))
			sets[r[1]] = all
		case "row":
			if len(rows) == 0 || rows[len(rows)-1].Name != r[2] {
				rows = append(rows, Supplier{Name: r[2]})
			}
			s := &rows[len(rows)-1]
			if len(s.Batches) == 0 || s.Batches[len(s.Batches)-1].Name != r[3] {
				s.Batches = append(s.Batches, Batch{Name: r[3]})
			}
			b := &s.Batches[len(s.Batches)-1]
			b.Rows = append(b.Rows, []float64{number(t, r[4]), number(t, r[5]), number(t, r[6])})
		case "expect":
			if want[r[1]] == nil {
				want[r[1]] = map[string]float64{}
			}
			want[r[1]][r[2]] = number(t, r[3])
		}
	}
	return sets, want, rows
}

// Everything against numpy and scipy, and the handbook's nested example, see
// testdata/nested.py.
func TestNestedBeside(t *testing.T) {
	sets, want, rows := nestedSets(t)
	if len(sets) != 3 {
		t.Fatalf("%d sets", len(sets))
	}
	for name, sources := range sets {
		r, err := Nested(sources, Options{Margin: 1.5})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{"supplier_ss": r.SupplierSS, "batch_ss": r.BatchSS, "within_ss": r.WithinSS, "batch_f": r.Batch.Statistic, "batch_p": r.Batch.P,
			"batch_variance": r.BatchVariance, "within_variance": r.WithinVariance, "share": r.Share, "share_low": r.ShareLow, "share_high": r.ShareHigh,
			"supplier_f": r.Supplier.Statistic, "supplier_p": r.Supplier.P}
		for _, p := range r.Pairs {
			pair := " " + p.A + "-" + p.B
			got["low"+pair], got["high"+pair], got["p"+pair], got["tost"+pair] = p.Low, p.High, p.P, p.EquivalenceP
		}
		if len(want[name]) != len(got) {
			t.Errorf("%s: %d values, want %d", name, len(got), len(want[name]))
		}
		for what, w := range want[name] {
			// scipy's studentized range keeps about seven digits.
			near(t, name+" "+what, got[what], w, 3e-7*math.Abs(w)+1e-14)
		}
	}
	// The handbook's table: machines 0.000303, operators in them 0.0000186, residuals
	// 0.000346, and F of the operators 0.428 (of rounded mean squares).
	r, _ := Nested(sets["machines"], Options{})
	near(t, "machines", r.SupplierSS, 0.000303, 5e-7)
	near(t, "operators", r.BatchSS, 0.0000186, 5e-9)
	near(t, "residuals", r.WithinSS, 0.000346, 5e-7)
	near(t, "F of operators", r.Batch.Statistic, 0.428, 0.003)

	s, err := Suppliers(rows, CurveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exchange of batches", s.Joint.Statistic, want["exchange"]["statistic"], 1e-12)
	near(t, "exchange of batches, p", s.Joint.P, want["exchange"]["p"], 1e-12)
	if !s.Joint.Exact || s.Joint.Draws != 20 {
		t.Errorf("%+v", s.Joint)
	}
}

// suppliersOf draws suppliers of so many batches: every batch has its own offset.
func suppliersOf(rng *rand.Rand, batches []int, drivers, bands int, shift, batch, driver float64) []Supplier {
	var out []Supplier
	for k, n := range batches {
		s := Supplier{Name: string(rune('A' + k))}
		for j := range n {
			b := Batch{Name: fmt.Sprintf("%s%d", s.Name, j+1)}
			offset := make([]float64, bands)
			for i := range offset {
				offset[i] = 90 + shift*float64(k) + batch*rng.NormFloat64()
			}
			for range drivers {
				row := make([]float64, bands)
				for i := range row {
					row[i] = offset[i] + driver*rng.NormFloat64()
				}
				b.Rows = append(b.Rows, row)
			}
			s.Batches = append(s.Batches, b)
		}
		out = append(out, s)
	}
	return out
}

func sourcesOf(all []Supplier) []Source {
	var out []Source
	for _, s := range all {
		x := Source{Name: s.Name}
		for _, b := range s.Batches {
			g := Group{Name: b.Name}
			for _, r := range b.Rows {
				g.Values = append(g.Values, r[0])
			}
			x.Batches = append(x.Batches, g)
		}
		out = append(out, x)
	}
	return out
}

// Suppliers without a difference whose batches differ are called different in 5 of
// 100, and equivalent on the margin in 5 of 100; taking the drivers of a batch as
// evidence of their own calls them different in most. Three standard errors of 2000
// runs are 0.015.
func TestNestedRates(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	const runs = 2000
	different, covered, equivalent, single := 0, 0, 0, 0
	for range runs {
		r, err := Nested(sourcesOf(suppliersOf(rng, []int{3, 4}, 20, 1, 0, 0.3, 0.4)), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Supplier.P <= 0.05 {
			different++
		}
		if p := r.Pairs[0]; p.Low <= 0 && 0 <= p.High {
			covered++
		}
		all := sourcesOf(suppliersOf(rng, []int{5, 5}, 20, 1, 0.5, 0.2, 0.4))
		if r, err = Nested(all, Options{Margin: 0.5}); err != nil {
			t.Fatal(err)
		}
		if r.Pairs[0].Equivalent {
			equivalent++
		}
		groups := []Group{{Name: "A"}, {Name: "B"}}
		for i, s := range sourcesOf(suppliersOf(rng, []int{3, 4}, 20, 1, 0, 0.3, 0.4)) {
			for _, b := range s.Batches {
				groups[i].Values = append(groups[i].Values, b.Values...)
			}
		}
		if oneWay(t, groups, Options{}).Anova.P <= 0.05 {
			single++
		}
	}
	t.Logf("different %d, covered %d, equivalent on the margin %d, drivers as evidence of their own: different %d, of %d", different, covered, equivalent, single, runs)
	for what, n := range map[string]int{"different": different, "not covered": runs - covered, "equivalent on the margin": equivalent} {
		if math.Abs(float64(n)/runs-0.05) > 0.015 {
			t.Errorf("%s in %d of %d, want 5 of 100", what, n, runs)
		}
	}
	if single < runs/2 {
		t.Errorf("drivers as evidence of their own: different in %d only, the case shows nothing", single)
	}
}

// Over all bands, whole batches are exchanged: the rate is kept whatever the batches
// differ by. With 4 and 4 batches there are 70 arrangements, the least p is 2/70, and
// 0.05 is reached by 2 of 70.
func TestSuppliersRates(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 2))
	const runs = 1500
	different := 0
	for i := range runs {
		s, err := Suppliers(suppliersOf(rng, []int{4, 4}, 5, 6, 0, 0.5, 0.3), CurveOptions{Draws: 99, Seed: uint64(i)})
		if err != nil {
			t.Fatal(err)
		}
		if s.Joint.P <= 0.05 {
			different++
		}
	}
	if got, want := float64(different)/runs, 2.0/70; math.Abs(got-want) > 0.013 {
		t.Errorf("different in %.4f, want %.4f", got, want)
	}
}

func TestSuppliersInWords(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 3))
	o := CurveOptions{Options: Options{Margin: 0.5, Unit: "dB"}, Bands: []string{"100 Hz", "200 Hz", "400 Hz", "800 Hz"}}
	say := func(all []Supplier) (SupplierSurvey, string) {
		t.Helper()
		s, err := Suppliers(all, o)
		if err != nil {
			t.Fatal(err)
		}
		return s, strings.Join(append(s.Conclusion, s.Warnings...), "\n")
	}
	has := func(text string, parts ...string) {
		t.Helper()
		for _, p := range parts {
			if !strings.Contains(text, p) {
				t.Errorf("no %q in\n%s", p, text)
			}
		}
	}
	s, text := say(suppliersOf(rng, []int{5, 5}, 20, 4, 2, 0.1, 0.3))
	has(text, "Over all bands together the suppliers differ by more than their batches do", "The suppliers' means differ in all 4 bands.", "B and A differ by more than the margin of 0.5 dB in all 4 bands.")
	if s.Pairs[0].Open != 0 || !s.Pairs[0].Beyond[3] {
		t.Errorf("%+v", s.Pairs)
	}
	// Batches of a supplier that differ as much as the suppliers do.
	s, text = say(suppliersOf(rng, []int{2, 1}, 30, 4, 0, 0.6, 0.3))
	has(text, "So few batches cannot show a difference", "Batches of the same supplier differ in", "each batch counts as one piece of evidence", "Whether B and A are equivalent within the margin of 0.5 dB is open in every band.",
		"B is known from one batch", "(degrees of freedom: 1)", "cannot be told from so few; each more tells")
	if p := s.Pairs[0]; p.Open != 4 || p.Settle != 0 {
		t.Errorf("%+v\n%s", p, text)
	}
	s, text = say(suppliersOf(rng, []int{4, 3}, 30, 4, 0, 0.5, 0.3))
	if p := s.Pairs[0]; p.Open == 0 || p.Settle < 5 || !strings.Contains(text, fmt.Sprintf("About %d batches of each of B and A would settle it", p.Settle)) {
		t.Errorf("%+v\n%s", p, text)
	}
	_, text = say(suppliersOf(rng, []int{8, 8}, 20, 4, 0, 0, 0.3))
	has(text, "B and A are equivalent within the margin of 0.5 dB in all bands.", "that does not mean there is none", "No single band shows a difference between batches")
	if strings.Contains(text, "equal") && !strings.Contains(text, "unequal") {
		t.Error(text)
	}
	// One value: the sentences of Nested.
	r, err := Nested(sourcesOf(suppliersOf(rng, []int{4, 4}, 20, 1, 3, 0.3, 0.3)), Options{Unit: "Hz", Margin: 1})
	if err != nil {
		t.Fatal(err)
	}
	has(strings.Join(r.Conclusion, "\n"), "Batches of the same supplier differ", "The suppliers differ by more than their batches do", "B lies above A by", " Hz).")
	if r, err = Nested(sourcesOf(suppliersOf(rng, []int{3, 3}, 20, 1, 0.3, 0.3, 0.3)), Options{}); err != nil {
		t.Fatal(err)
	}
	has(strings.Join(r.Conclusion, "\n"), "No difference between the suppliers is shown beyond what their batches differ by", "B minus A may be anything from", "batches of each would settle it")
	if r, err = Nested(sourcesOf(suppliersOf(rng, []int{1, 1}, 20, 1, 0.3, 0.3, 0.3)), Options{Margin: 1}); err != nil {
		t.Fatal(err)
	}
	has(strings.Join(append(r.Conclusion, r.Warnings...), "\n"), "Nothing can be said of the suppliers themselves", "Every supplier is known from one batch")
	if p := r.Pairs[0]; p.Tested || p.Equivalent || p.Beyond || p.EquivalenceP != 1 || !math.IsNaN(r.Share) || !math.IsNaN(p.Low) {
		t.Errorf("%+v", r)
	}
}

// Moved and scaled values give moved and scaled results; the order of the batches
// within a supplier does not matter.
func TestNestedLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 4))
	for range 50 {
		all := sourcesOf(suppliersOf(rng, []int{2 + rng.IntN(3), 1 + rng.IntN(4), 2}, 2+rng.IntN(9), 1, rng.Float64(), rng.Float64(), 0.1+rng.Float64()))
		move, scale := 1000*rng.NormFloat64(), 0.01+10*rng.Float64()
		moved := make([]Source, len(all))
		for i, s := range all {
			moved[i].Name = s.Name
			for k := range s.Batches {
				b := s.Batches[len(s.Batches)-1-k]
				g := Group{Name: b.Name}
				for _, v := range b.Values {
					g.Values = append(g.Values, move+scale*v)
				}
				moved[i].Batches = append(moved[i].Batches, g)
			}
		}
		a, err := Nested(all, Options{Margin: 0.4})
		b, err2 := Nested(moved, Options{Margin: 0.4 * scale})
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		for k := range a.Pairs {
			near(t, "low", b.Pairs[k].Low, scale*a.Pairs[k].Low, 1e-7*scale*(1+math.Abs(a.Pairs[k].Low)))
			near(t, "equivalence", b.Pairs[k].EquivalenceP, a.Pairs[k].EquivalenceP, 1e-7)
		}
		near(t, "supplier", b.Supplier.P, a.Supplier.P, 1e-7)
		near(t, "share", b.Share, a.Share, 1e-7)
		near(t, "within", b.WithinVariance, scale*scale*a.WithinVariance, 1e-7*scale*scale*a.WithinVariance)
	}
}

func TestNestedErrors(t *testing.T) {
	good := Group{"b", []float64{1, 2, 3}}
	for part, sources := range map[string][]Source{
		"at least 2 suppliers":    {{"A", []Group{good}}},
		"supplier 2 has no name":  {{"A", []Group{good}}, {"", []Group{good}}},
		`"A" stands twice`:        {{"A", []Group{good}}, {"A", []Group{{"c", good.Values}}}},
		`"B" has no batch`:        {{"A", []Group{good}}, {"B", nil}},
		`group "c"`:               {{"A", []Group{good}}, {"B", []Group{{"c", []float64{1}}}}},
		`group "b" stands twice`:  {{"A", []Group{good}}, {"B", []Group{good}}},
		"do not vary within":      {{"A", []Group{{"b", []float64{1, 1}}}}, {"B", []Group{{"c", []float64{2, 2}}}}},
		"at least 2 suppliers, h": nil,
	} {
		if _, err := Nested(sources, Options{}); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%v, want %q", err, part)
		}
	}
	rng := rand.New(rand.NewPCG(7, 5))
	if _, err := Suppliers(suppliersOf(rng, []int{1, 1}, 3, 2, 0, 1, 1), CurveOptions{}); !errors.Is(err, ErrOneBatchEach) {
		t.Error(err)
	}
	ragged := suppliersOf(rng, []int{2, 1}, 3, 2, 0, 1, 1)
	ragged[1].Batches[0].Rows[1][1] = math.NaN()
	if _, err := Suppliers(ragged, CurveOptions{}); err == nil || !strings.Contains(err.Error(), `batch "B1", unit 2, band 2`) {
		t.Error(err)
	}
	if _, err := Suppliers(ragged[:1], CurveOptions{}); err == nil {
		t.Error("one supplier is compared")
	}
	if _, err := Suppliers(ragged, CurveOptions{Draws: 3}); err == nil {
		t.Error("3 draws")
	}
	// Batches with the same mean: no test, no panic.
	same := []Source{{"A", []Group{{"a", []float64{1, 3}}, {"b", []float64{0, 4}}}}, {"B", []Group{{"c", []float64{1, 2}}}}}
	r, err := Nested(same, Options{Margin: 9})
	if err != nil || r.Supplier.Tested || r.Pairs[0].Tested || r.Pairs[0].Equivalent || !strings.Contains(strings.Join(r.Warnings, " "), "same mean to the last digit") {
		t.Errorf("%+v, %v", r, err)
	}
}
