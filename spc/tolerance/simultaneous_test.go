package tolerance

import (
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"alike/spc/dist"
	"pgregory.net/rapid"
)

// The confidence of Simultaneous is proven by simulation, since no table exists.
// The full run behind testdata/simultaneous.csv takes about half an hour:
//
//	go test ./spc/tolerance -run TestSimultaneousConfidence -timeout 3h -trials 400 -simulated testdata/simultaneous.csv
//
// and each ordinary run repeats it with few trials and checks the stored file.
var (
	trials    = flag.Int("trials", 3, "simulated baselines per case of TestSimultaneousConfidence")
	simulated = flag.String("simulated", "", "file to write the results of TestSimultaneousConfidence to")
)

const testBands = 31

// structures are the correlations tried; d is the distance between two bands.
var structures = []struct {
	name string
	r    func(i, j int) float64
}{
	{"independent", func(i, j int) float64 { return 0 }},
	{"equal 0.9", func(i, j int) float64 { return 0.9 }},
	{"smooth 0.9", func(i, j int) float64 { return math.Pow(0.9, math.Abs(float64(i-j))) }},
	{"smooth 0.5", func(i, j int) float64 { return math.Pow(0.5, math.Abs(float64(i-j))) }},
	{"two blocks", func(i, j int) float64 { return 0.8 * float64(1-(i/16)^(j/16)) }},
}

func structure(r func(i, j int) float64) [][]float64 {
	m := make([][]float64, testBands)
	for i := range m {
		m[i] = make([]float64, testBands)
		for j := range m[i] {
			m[i][j] = r(i, j)
		}
		m[i][i] = 1
	}
	return m
}

func TestSimultaneousConfidence(t *testing.T) {
	const coverage, confidence = 0.9, 0.9
	var out strings.Builder
	out.WriteString("structure,units,trials,holding,mean_k,mean_shrinkage\n")
	all, held := 0, 0
	for si, st := range structures {
		opt := SimultaneousOptions{Replicates: 200, Draws: 800}
		if *trials > 100 {
			opt = SimultaneousOptions{Replicates: 1000, Draws: 3000}
		}
		future := newSimulation(cholesky(structure(st.r)), SimultaneousOptions{Seed: 99, Draws: 4000})
		for _, n := range []int{10, 20, 50} {
			future.rng = rand.New(rand.NewPCG(uint64(si), uint64(n)))
			hold, sumK, sumL := 0, 0.0, 0.0
			for trial := range *trials {
				rows := make([][]float64, n)
				for i := range rows {
					rows[i] = make([]float64, testBands)
					future.draw(rows[i])
				}
				opt.Seed = uint64(trial)
				v, err := Simultaneous(rows, coverage, confidence, opt)
				if err != nil {
					t.Fatal(err)
				}
				if share(future, v) >= coverage {
					hold++
				}
				sumK, sumL = sumK+v.K, sumL+v.Shrinkage
			}
			all, held = all+*trials, held+hold
			fmt.Fprintf(&out, "%s,%d,%d,%d,%.3f,%.3f\n", st.name, n, *trials, hold, sumK/float64(*trials), sumL/float64(*trials))
		}
	}
	if *simulated != "" {
		if err := os.WriteFile(*simulated, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got := float64(held) / float64(all)
	t.Logf("%d of %d baselines gave limits that hold the coverage\n%s", held, all, out.String())
	if got < confidence-3*math.Sqrt(confidence*(1-confidence)/float64(all)) {
		t.Errorf("only %d of %d baselines gave limits that hold the coverage", held, all)
	}
}

// share is the part of 60 000 future units that the limits hold.
func share(s *simulation, v Together) float64 {
	in := 0
	for u := range s.units {
		x := s.pool[u*testBands:][:testBands]
		ok := true
		for b, y := range x {
			if y < v.Low[b] || y > v.High[b] {
				ok = false
				break
			}
		}
		if ok {
			in++
		}
	}
	return float64(in) / float64(s.units)
}

// The stored full run: no structure and size may fall short of the confidence by
// more than three standard errors.
func TestStoredConfidence(t *testing.T) {
	f, err := os.Open("testdata/simultaneous.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 1+3*len(structures) {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		n, _ := strconv.ParseFloat(row[2], 64)
		hold, _ := strconv.ParseFloat(row[3], 64)
		if got := hold / n; n < 300 || got < 0.9-3*math.Sqrt(0.9*0.1/n) {
			t.Errorf("%v: confidence %.3f", row, got)
		}
	}
}

// With the correlation known and one factor behind all bands, the content of a
// factor can be integrated exactly; so can the factor of one band.
func TestSimulationAgainstExact(t *testing.T) {
	for _, n := range []int{5, 20, 100} {
		one := newSimulation([][]float64{{1}}, SimultaneousOptions{Replicates: 3000, Draws: 3000})
		k, want := one.factor(n, .9, .9), twoSided(n, .9, .9)
		if got := Confidence(n, k, .9, 2); math.Abs(got-.9) > 0.02 {
			t.Errorf("one band, n %d: factor %.4f has confidence %.4f, exact factor %.4f", n, k, got, want)
		}
	}
	// Many equal bands behave like one, and independent ones need much more.
	same := structure(func(i, j int) float64 { return 1 - 1e-9 })
	k := newSimulation(cholesky(same), SimultaneousOptions{Replicates: 1000, Draws: 2000}).factor(20, .9, .9)
	if want := twoSided(20, .9, .9); math.Abs(k-want) > 0.03*want {
		t.Errorf("31 copies of one band: %.4f, want %.4f", k, want)
	}
	// A large baseline, independent bands: the known-parameter limit with
	// (2Φ(k)-1)^31 = 0.9.
	free := structure(func(i, j int) float64 { return 0 })
	k = newSimulation(cholesky(free), SimultaneousOptions{Replicates: 50, Draws: 20000}).factor(2000, .9, .5)
	if want := dist.NormQuantileUpper((1 - math.Pow(.9, 1.0/31)) / 2); math.Abs(k-want) > 0.02 {
		t.Errorf("large baseline: %.4f, want %.4f", k, want)
	}
}

func randomRows(n, bands int, seed uint64) [][]float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	rows := make([][]float64, n)
	for i := range rows {
		common := rng.NormFloat64()
		for range bands {
			rows[i] = append(rows[i], common+rng.NormFloat64())
		}
	}
	return rows
}

func TestSimultaneousProperties(t *testing.T) {
	opt := SimultaneousOptions{Seed: 4, Replicates: 100, Draws: 200}
	rapid.Check(t, func(t *rapid.T) {
		n, bands := rapid.IntRange(4, 15).Draw(t, "n"), rapid.IntRange(1, 5).Draw(t, "bands")
		rows := randomRows(n, bands, rapid.Uint64().Draw(t, "seed"))
		run := func(rows [][]float64, p, g float64) Together {
			v, err := Simultaneous(rows, p, g, opt)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		v := run(rows, .9, .9)
		if v.K != run(rows, .9, .9).K {
			t.Fatal("the same seed gave another factor")
		}
		if v.K < 0.8*v.Separate || (bands == 1 && v.K != v.Separate) {
			t.Fatalf("factor %v against %v of one band", v.K, v.Separate)
		}
		if !(run(rows, .95, .9).K > v.K) || !(run(rows, .9, .95).K > v.K) {
			t.Fatal("does not grow with coverage and confidence")
		}
		// other units per band: same factor, limits follow
		moved := make([][]float64, n)
		for i, row := range rows {
			for b, x := range row {
				moved[i] = append(moved[i], x*float64(b+2)-7*float64(b))
			}
		}
		w := run(moved, .9, .9)
		if math.Abs(w.K-v.K) > 1e-9*v.K {
			t.Fatalf("factor %v became %v in other units", v.K, w.K)
		}
		for b := range v.Low {
			if want := v.Low[b]*float64(b+2) - 7*float64(b); math.Abs(w.Low[b]-want) > 1e-8*(1+math.Abs(want)) {
				t.Fatalf("low limit %v, want %v", w.Low[b], want)
			}
		}
	})
}

func TestSimultaneousBadInput(t *testing.T) {
	good := func() [][]float64 { return randomRows(5, 3, 1) }
	with := func(u, b int, x float64) [][]float64 { r := good(); r[u][b] = x; return r }
	short := good()
	short[3] = short[3][:2]
	flat := good()
	for i := range flat {
		flat[i][1] = 4
	}
	for _, tt := range []struct {
		rows [][]float64
		p    float64
		part string
	}{
		{nil, .9, "at least 3 units"}, {good()[:2], .9, "at least 3 units"}, {good(), 1, "coverage"},
		{[][]float64{{}, {}, {}}, .9, "no bands"}, {short, .9, "unit 4 has 2 bands"}, {flat, .9, "band 2 has the same"},
		{with(1, 2, math.NaN()), .9, "unit 2, band 3"}, {with(0, 0, math.Inf(1)), .9, "unit 1, band 1"}, {with(4, 1, 1e300), .9, "unit 5, band 2"},
	} {
		if _, err := Simultaneous(tt.rows, tt.p, .9, SimultaneousOptions{Replicates: 50, Draws: 50}); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("want %q: %v", tt.part, err)
		}
	}
	v, err := Simultaneous(good(), .99, .9, SimultaneousOptions{Replicates: 50, Draws: 50})
	if err != nil || len(v.Warnings) != 2 {
		t.Errorf("%q, %v", v.Warnings, err)
	}
	// copies of one band are no obstacle
	copies := good()
	for _, row := range copies {
		row[1], row[2] = row[0], -row[0]
	}
	if v, err = Simultaneous(copies, .9, .9, SimultaneousOptions{}); err != nil || math.IsNaN(v.K) || math.Abs(v.K/v.Separate-1) > 0.2 {
		t.Errorf("copies: %v against %v, %v", v.K, v.Separate, err)
	}
}

func TestQuantileSelects(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-3, 3), 1, 40).Draw(t, "xs")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		sorted := slices.Sorted(slices.Values(xs))
		want := sorted[max(0, int(math.Ceil(p*float64(len(xs))))-1)]
		if got := quantile(xs, p); got != want {
			t.Fatalf("%v, want %v", got, want)
		}
	})
}

func BenchmarkSimultaneous(b *testing.B) {
	rows := randomRows(50, testBands, 1)
	for b.Loop() {
		if _, err := Simultaneous(rows, .95, .95, SimultaneousOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
