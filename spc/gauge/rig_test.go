package gauge

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// beside reads testdata/rig.csv: levels by name, and what scipy and numpy expect.
func beside(t *testing.T) (levels map[string][][][]float64, expect map[string]float64) {
	t.Helper()
	levels, expect = map[string][][][]float64{}, map[string]float64{}
	for _, r := range table(t, "rig.csv") {
		if r[0] == "expect" {
			expect[r[1]] = number(t, r[2])
			continue
		}
		visit, seat := int(number(t, r[2])), int(number(t, r[3]))
		l := levels[r[1]]
		for len(l) <= visit {
			l = append(l, nil)
		}
		for len(l[visit]) <= seat {
			l[visit] = append(l[visit], nil)
		}
		l[visit][seat] = append(l[visit][seat], number(t, r[5]))
		levels[r[1]] = l
	}
	return levels, expect
}

func TestReferenceBesideScipy(t *testing.T) {
	levels, want := beside(t)
	groups := []int{0, 1, 0, 1}
	ref, err := ReferenceOf(levels["baseline"], groups)
	if err != nil {
		t.Fatal(err)
	}
	if ref.Visits != 4 || ref.Seatings != 12 || ref.Freedom != 16 {
		t.Errorf("%d visits, %d seatings, %v degrees of freedom", ref.Visits, ref.Seatings, ref.Freedom)
	}
	d, err := ref.Drift(levels["check"][0], []float64{0.1, 2, math.NaN(), 0.1}, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	for p := range 4 {
		near(t, "sd", ref.SD[p], want[[]string{"sd0", "sd1"}[groups[p]]], 1e-9)
		near(t, "change", d.Change[p], want["change"+string(rune('0'+p))], 1e-9)
	}
	if !(d.Noise[0] < want["noise0"]) {
		t.Error("three places share the risk as four do")
	}
	four, err := ref.Drift(levels["check"][0], []float64{0.1, 2, 0.1, 0.1}, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "noise of group 0", four.Noise[0], want["noise0"], 1e-8)
	near(t, "noise of group 1", four.Noise[1], want["noise1"], 1e-8)
	if four.Limit[0] != four.Noise[0] || four.Limit[1] != 2 {
		t.Errorf("limits %v: the greater of tolerance and noise is wanted", four.Limit)
	}
}

// A place exactly at its limit passes, the next number beyond does not; a place that
// was not measured does not pass.
func TestDriftEdges(t *testing.T) {
	ref := Reference{Seatings: 4, Mean: []float64{0}, SD: []float64{0.001}, Freedom: 8}
	at := func(v float64) bool {
		d, err := ref.Drift([][]float64{{v}}, []float64{0.5}, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		return d.Passed
	}
	for v, want := range map[float64]bool{0.5: true, math.Nextafter(0.5, 1): false, -0.5: true, math.Nextafter(-0.5, -1): false, math.NaN(): false} {
		if at(v) != want {
			t.Errorf("change %v passes %v", v, !want)
		}
	}
	if d, _ := ref.Drift([][]float64{{0}}, []float64{math.NaN()}, 0.01); d.Passed {
		t.Error("a check of nothing passes")
	}
}

// A healthy gauge fails by its seating alone in no more than the stated share of
// checks, and not far below it when places are independent.
func TestDriftRiskBySimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	const places, rounds, risk = 10, 4000, 0.05
	groups, tol := make([]int, places), make([]float64, places)
	for p := range places {
		groups[p], tol[p] = p, 1e-9
	}
	draw := func(m int) (out [][]float64) {
		for range m {
			row := make([]float64, places)
			for p := range row {
				row[p] = rng.NormFloat64()
			}
			out = append(out, row)
		}
		return out
	}
	failed := 0.0
	for range rounds {
		ref, err := ReferenceOf([][][]float64{draw(3), draw(3), draw(3)}, groups)
		if err != nil {
			t.Fatal(err)
		}
		if d, _ := ref.Drift(draw(3), tol, risk); !d.Passed {
			failed++
		}
	}
	share, se := failed/rounds, math.Sqrt(risk*(1-risk)/rounds)
	if share > risk+3*se || share < risk-5*se-0.005 {
		t.Errorf("%.4f of healthy checks fail, want about %v", share, risk)
	}
}

// Whatever happened to ears and sides, turning gives back the two differences, and
// what both share cancels.
func TestTurnTellsEarsFromSides(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-20, 20), 4, 4).Draw(t, "v")
		el, er, ul, ur := v[0], v[1], v[2], v[3]
		ears, sides := Turn([]float64{el + ul}, []float64{er + ur}, []float64{el + ur}, []float64{er + ul})
		if math.Abs(ears[0]-(el-er)) > 1e-12 || math.Abs(sides[0]-(ul-ur)) > 1e-12 {
			t.Fatalf("ears %v, sides %v", ears, sides)
		}
	})
}

func TestSeatingLimitBesideScipy(t *testing.T) {
	_, want := beside(t)
	got, err := SeatingLimit(1, 40, 3, 62, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "range", got, want["range"], 1e-5) // scipy's own accuracy
	if got, err = SeatingLimit(2, 17, 2, 1, 0.05); err != nil {
		t.Fatal(err)
	}
	near(t, "range of two", got, 2*want["range2"], 1e-8)
}

// The order is a permutation of the whole design within each round, the same for the
// same seed, and another for another.
func TestPlanIsARandomOrderOfTheDesign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := []string{"U1", "U2", "U3", "U4", "U5", "U6"}[:rapid.IntRange(2, 6).Draw(t, "parts")]
		operators := []string{"Jorun", "Pelle", "Savka"}[:rapid.IntRange(1, 3).Draw(t, "operators")]
		trials, seed := rapid.IntRange(2, 4).Draw(t, "trials"), rapid.Uint64().Draw(t, "seed")
		runs, err := Plan(parts, operators, trials, seed)
		if err != nil {
			t.Fatal(err)
		}
		again, _ := Plan(parts, operators, trials, seed)
		if !slices.Equal(runs, again) {
			t.Fatal("the same seed gives another order")
		}
		seen := map[Run]bool{}
		for i, r := range runs {
			if seen[r] || r.Trial != 1+i/(len(parts)*len(operators)) {
				t.Fatalf("run %d is %+v", i, r)
			}
			seen[r] = true
		}
		if len(seen) != len(parts)*len(operators)*trials {
			t.Fatalf("%d runs", len(seen))
		}
	})
	a, _ := Plan([]string{"a", "b", "c"}, []string{"x", "y"}, 3, 1)
	b, _ := Plan([]string{"a", "b", "c"}, []string{"x", "y"}, 3, 2)
	if slices.Equal(a, b) {
		t.Error("two seeds give one order")
	}
	for _, bad := range []struct {
		parts, operators []string
		trials           int
	}{{[]string{"a"}, []string{"x"}, 2}, {[]string{"a", "b"}, nil, 2}, {[]string{"a", "a"}, []string{"x"}, 2}, {[]string{"a", "b"}, []string{"x"}, 1}, {[]string{"a", "b"}, []string{"x", "y"}, 99999}} {
		if _, err := Plan(bad.parts, bad.operators, bad.trials, 1); err == nil {
			t.Errorf("%+v is accepted", bad)
		}
	}
}

// Every first place of a round is as likely as any other.
func TestPlanIsFair(t *testing.T) {
	first := map[string]int{}
	const seeds = 6000
	for seed := range uint64(seeds) {
		runs, err := Plan([]string{"a", "b", "c"}, []string{"x", "y"}, 1, seed)
		if err != nil {
			t.Fatal(err)
		}
		first[runs[0].Part+runs[0].Operator]++
	}
	chi := 0.0
	for _, n := range first {
		chi += square(float64(n)-seeds/6) / (seeds / 6)
	}
	if len(first) != 6 || chi > 20.5 { // chi-square, 5 degrees of freedom: 0.999 quantile 20.515 (NIST/SEMATECH e-Handbook 1.3.6.7.4)
		t.Errorf("%v, chi-square %.1f", first, chi)
	}
}

// Cochran's optimum √(c1·s2²/(c2·s1²)), rounded so that n(n-1) ≤ n0² ≤ n(n+1), is
// where the search finds the least effort.
func TestWorthBesideCochran(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		repeat, rest := rapid.Float64Range(0.01, 4).Draw(t, "repeat"), rapid.Float64Range(0.01, 4).Draw(t, "rest")
		unit, seat := rapid.Float64Range(0.1, 100).Draw(t, "unit"), rapid.Float64Range(0.1, 100).Draw(t, "seat")
		s := Study{Variance: Named[float64]{Repeatability: repeat, Part: rest}}
		w, err := s.Worth(200, Cost{unit, seat})
		if err != nil {
			t.Fatal(err)
		}
		n0 := unit * repeat / (seat * rest)
		b := float64(w.Best)
		if w.Best < 200 && (n0 > b*(b+1)*(1+1e-9) || b*(b-1) > n0*(1+1e-9)) {
			t.Fatalf("best %d for n0² = %v", w.Best, n0)
		}
	})
}

func TestWorthFallsToTheFloor(t *testing.T) {
	s := Study{Variance: Named[float64]{Repeatability: 0.36, Reproducibility: 0.04, Part: 0.25}}
	w, err := s.Worth(9, Cost{20, 25})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "floor", w.Floor, 0.2, 1e-15)
	near(t, "sigma of 9", w.Choices[8].Sigma, math.Sqrt(0.04+0.04), 1e-15)
	near(t, "gain of the second", w.Choices[1].Gain, 1-math.Sqrt(0.22/0.40), 1e-12)
	g, err := s.GuardBand(9, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "guard", g, 1.6448536269514722*math.Sqrt(0.08), 1e-12) // z of 0.95: any table
}

func TestTransferBesideScipy(t *testing.T) {
	levels, want := beside(t)
	flat := func(name string) (out [][]float64) {
		for _, u := range levels[name] {
			out = append(out, u[0])
		}
		return out
	}
	tr, err := TransferOf(flat("first"), flat("second"), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for p := range 3 {
		n := string(rune('0' + p))
		near(t, "mean", tr.Mean[p], want["transfer"+n], 1e-9)
		near(t, "u", tr.U[p], want["u"+n], 1e-9)
		near(t, "low", tr.Low[p], want["low"+n], 1e-8)
		near(t, "high", tr.High[p], want["high"+n], 1e-8)
		near(t, "unit", tr.UnitU[p], want["u"+n]*math.Sqrt(7)*math.Sqrt(1+1./7), 1e-9)
	}
	if !tr.Differs[0] || tr.Differs[1] || !tr.Differs[2] {
		t.Errorf("differs %v", tr.Differs)
	}
	back, _ := TransferOf(flat("second"), flat("first"), 0.95)
	for p := range 3 { // the way back is the same curve upside down
		near(t, "back", back.Mean[p], -tr.Mean[p], 1e-12)
		near(t, "back low", back.Low[p], -tr.High[p], 1e-12)
	}
	if _, err := TransferOf(flat("first")[:1], flat("second")[:1], 0.95); err == nil {
		t.Error("one unit makes a curve")
	}
}
