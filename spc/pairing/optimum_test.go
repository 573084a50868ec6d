package pairing

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// prove checks matching and duals against each other over every edge of the graph
// (complementary slackness), which is a proof that the matching is the best there
// is: nothing of the search is trusted.
func prove(g graph, m *matcher) error {
	largest := 0.0
	for i := range g.n {
		for j := range i {
			if c := g.cost(i, j); !math.IsInf(c, 1) {
				largest = math.Max(largest, c)
			}
		}
	}
	s := newScale(g.n, largest)
	for v := range g.n {
		if m.dual[v] < 0 || m.mate[v] < 0 && m.dual[v] != 0 && len(m.edges) > 0 {
			return fmt.Errorf("vertex %d: dual %d, mate %d", v, m.dual[v], m.mate[v])
		}
	}
	holding := make([][]int32, g.n) // blossoms around a vertex, from the outermost
	for b := g.n; b < len(m.parent); b++ {
		if m.base[b] < 0 {
			continue
		}
		in := m.leaves(int32(b), nil)
		matched := 0
		inside := map[int32]bool{}
		for _, v := range in {
			inside[v] = true
			holding[v] = append(holding[v], int32(b))
		}
		for _, v := range in {
			if e := m.mate[v]; e >= 0 && inside[m.other(e, v)] {
				matched++
			}
		}
		if m.z[b] < 0 || len(in)%2 == 0 || m.z[b] > 0 && matched != len(in)-1 {
			return fmt.Errorf("blossom %d: z %d, %d vertices, %d matched inside", b, m.z[b], len(in), matched)
		}
	}
	for i := range g.n {
		for j := range i {
			c := g.cost(i, j)
			if math.IsInf(c, 1) {
				continue
			}
			slack := m.dual[i] + m.dual[j] - 2*s.weight(c)
			for _, a := range holding[i] {
				for _, b := range holding[j] {
					if a == b {
						slack += 2 * m.z[a]
					}
				}
			}
			matched := m.mate[i] >= 0 && m.other(m.mate[i], int32(i)) == int32(j)
			if slack < 0 || matched && slack != 0 {
				return fmt.Errorf("edge %d-%d: slack %d, matched %v", i, j, slack, matched)
			}
		}
	}
	return nil
}

// result counts pairs and adds their costs, and fails on a matching that is none.
func result(t interface{ Fatalf(string, ...any) }, g graph, mates []int) (pairs int, total float64) {
	for i, j := range mates {
		if j < 0 {
			continue
		}
		if mates[j] != i || j == i {
			t.Fatalf("%d goes with %d, which goes with %d", i, j, mates[j])
		}
		if j < i {
			c := g.cost(i, j)
			if math.IsInf(c, 1) {
				t.Fatalf("%d and %d are forbidden", i, j)
			}
			pairs++
			total += c
		}
	}
	return pairs, total
}

// exhaust finds the best by going through every matching, set by set.
func exhaust(g graph) (pairs int, total float64) {
	type best struct {
		pairs int
		total float64
	}
	of := make([]best, 1<<g.n)
	for set := 1; set < 1<<g.n; set++ {
		i := bits.Len(uint(set)) - 1
		b := of[set&^(1<<i)]
		for j := range i {
			if c := g.cost(i, j); set>>j&1 == 1 && !math.IsInf(c, 1) {
				o := of[set&^(1<<i)&^(1<<j)]
				o.pairs, o.total = o.pairs+1, o.total+c
				if o.pairs > b.pairs || o.pairs == b.pairs && o.total < b.total {
					b = o
				}
			}
		}
		of[set] = b
	}
	last := of[1<<g.n-1]
	return last.pairs, last.total
}

// Thousands of graphs of up to 12 vertices against all their matchings, thin and
// full, with many ties and without, also when the search starts from one or two
// neighbours only.
func TestAgainstAllMatchings(t *testing.T) {
	seen := 0
	check := func(t interface{ Fatalf(string, ...any) }, g graph) {
		seen++
		wantPairs, wantTotal := exhaust(g)
		mates, m := g.optimum()
		pairs, total := result(t, g, mates)
		if pairs != wantPairs || total != wantTotal {
			t.Fatalf("%d pairs of %v, all matchings give %d of %v", pairs, total, wantPairs, wantTotal)
		}
		if err := prove(g, m); err != nil {
			t.Fatalf("%v", err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 9).Draw(t, "n")
		most := rapid.SampledFrom([]int{0, 1, 3, 20, 1000}).Draw(t, "most")
		density := rapid.IntRange(0, 10).Draw(t, "density")
		costs := make([]float64, n*n)
		for i := range costs {
			costs[i] = float64(rapid.IntRange(0, most).Draw(t, "c"))
			if rapid.IntRange(0, 9).Draw(t, "edge") >= density {
				costs[i] = math.Inf(1)
			}
		}
		g := newGraph(n, func(i, j int) float64 { return costs[i*n+j] })
		g.thin, g.closest = rapid.SampledFrom([]int{0, 48}).Draw(t, "thin"), rapid.IntRange(1, 3).Draw(t, "closest")
		check(t, g)
	})
	rng := rand.New(rand.NewPCG(5, 6))
	for range 4000 {
		n := 4 + rng.IntN(9)
		most, density := 1+rng.IntN(1+rng.IntN(200)), rng.Float64()
		costs := make([]float64, n*n)
		for i := range costs {
			costs[i] = float64(rng.IntN(most))
			if rng.Float64() > density {
				costs[i] = math.Inf(1)
			}
		}
		g := newGraph(n, func(i, j int) float64 { return costs[i*n+j] })
		if rng.IntN(2) == 0 {
			g.thin, g.closest, g.rounds = 0, 1+rng.IntN(3), 1+rng.IntN(3)
		}
		check(t, g)
	}
	if seen < 4000 {
		t.Errorf("only %d graphs", seen)
	}
}

// generator is the one of testdata/networkx_match.py.
type generator uint64

func (x *generator) draw() int {
	*x = 6364136223846793005**x + 1442695040888963407
	return int(*x >> 33)
}

func graphOf(kind string, n int, seed uint64, tolerance float64) graph {
	x := generator(seed)
	costs := make([]float64, n*n)
	set := func(i, j int, c float64) {
		if c > tolerance {
			c = math.Inf(1)
		}
		costs[i*n+j], costs[j*n+i] = c, c
	}
	points := make([][2]int, n)
	if kind == "plane" || kind == "clumps" {
		for i := range points {
			points[i] = [2]int{x.draw() % 2000, x.draw() % 2000}
			if kind == "clumps" {
				points[i][0] += 10000 * (i % 7)
			}
		}
	}
	for i := range n {
		for j := i + 1; j < n; j++ {
			switch kind {
			case "uniform":
				set(i, j, float64(x.draw()%1000))
			case "few":
				set(i, j, float64(x.draw()%4))
			default:
				a, b := points[i], points[j]
				set(i, j, math.Abs(float64(a[0]-b[0]))+math.Abs(float64(a[1]-b[1])))
			}
		}
	}
	return newGraph(n, func(i, j int) float64 { return costs[i*n+j] })
}

// Graphs of up to 200 vertices whose optimum networkx 2.8 found (see the script),
// each proven by its duals besides, from the whole graph and from few neighbours.
func TestAgainstNetworkx(t *testing.T) {
	rows := load(t, "networkx.csv")
	if len(rows) != 77 {
		t.Fatalf("%d graphs", len(rows))
	}
	for _, r := range rows {
		n, tolerance := int(number(t, r[3])), number(t, r[5])
		for _, closest := range []int{n, 5} {
			g := graphOf(r[2], n, uint64(number(t, r[4])), tolerance)
			g.thin, g.closest = 0, closest
			mates, m := g.optimum()
			pairs, total := result(t, g, mates)
			if pairs != int(number(t, r[6])) || total != number(t, r[7]) {
				t.Errorf("graph %s (%s, %d vertices, tolerance %v): %d pairs of %v, want %s of %s", r[1], r[2], n, tolerance, pairs, total, r[6], r[7])
			}
			if err := prove(g, m); err != nil {
				t.Errorf("graph %s: %v", r[1], err)
			}
		}
	}
}

// drivers returns curves like those of real drivers: a common scatter of level and
// tilt and a little of everything else, in dB over 20 bands.
func drivers(n int, seed uint64) []Unit {
	rng := rand.New(rand.NewPCG(seed, 0))
	units := make([]Unit, n)
	for i := range units {
		level, tilt := rng.NormFloat64(), rng.NormFloat64()
		units[i].ID = fmt.Sprintf("D%04d", i+1)
		for b := range 20 {
			x := float64(b)/10 - 1
			units[i].Levels = append(units[i].Levels, 90+level+0.8*tilt*x+0.3*rng.NormFloat64()+0.5*rng.NormFloat64()*math.Exp(-8*(x+0.6)*(x+0.6)))
		}
	}
	return units
}

// Driver-like tables of 300 prove themselves, with a tolerance that leaves some
// unpaired and without.
func TestDriversProveThemselves(t *testing.T) {
	table, err := Mismatches(drivers(300, 1), Measure{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tolerance := range []float64{0.3, 0.45, 0.6, math.Inf(1)} {
		g := newGraph(300, func(i, j int) float64 {
			if c := table.Mismatch[i][j]; c <= tolerance {
				return c
			}
			return math.Inf(1)
		})
		mates, m := g.optimum()
		pairs, total := result(t, g, mates)
		t.Logf("tolerance %v: %d pairs, total %.2f dB", tolerance, pairs, total)
		if err := prove(g, m); err != nil {
			t.Errorf("tolerance %v: %v", tolerance, err)
		}
		whole := g
		whole.thin = 300
		mates, _ = whole.optimum()
		if p, s := result(t, whole, mates); p != pairs || math.Abs(s-total) > 1e-9 {
			t.Errorf("tolerance %v: %d pairs of %v from neighbours, %d of %v from all", tolerance, pairs, total, p, s)
		}
	}
}

// benchmark: driver-like curves, and points without structure, each with a
// tolerance that binds and with none.
func BenchmarkMatch(b *testing.B) {
	for _, n := range []int{125, 250, 500, 1000, 2000} {
		table, err := Mismatches(drivers(n, 1), Measure{})
		if err != nil {
			b.Fatal(err)
		}
		for _, tolerance := range []float64{0.45, math.Inf(1)} {
			b.Run(fmt.Sprintf("drivers=%d/tolerance=%v", n, tolerance), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Match(table, Options{Tolerance: tolerance}); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

// The hardest kinds: costs without any structure, whole graph at once.
func BenchmarkWholeGraph(b *testing.B) {
	for _, n := range []int{125, 500, 1000, 2000} {
		for _, kind := range []string{"uniform", "few", "clumps"} {
			g := graphOf(kind, n, 1, math.Inf(1))
			g.thin = n
			b.Run(fmt.Sprintf("%s=%d", kind, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					g.optimum()
				}
			})
		}
	}
}
