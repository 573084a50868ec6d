package line_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"alike/internal/sim"
	"alike/spc/band"
	"alike/spc/cause"
	"alike/spc/change"
	"alike/spc/sample"

	"gonum.org/v1/gonum/mat"
)

// sizedFaults are the faults of the simulated product at a share of the size of its
// signature; what is there or not has one size only.
var sizedFaults = []struct {
	key   string
	sizes []float64
	fault func(size float64) func(sim.Params) sim.Params
}{
	{"pad-leak", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { return p.PadLeak(sim.Slit{Width: 20e-3, Gap: s * 0.8e-3, Depth: 15e-3}) }
	}},
	{"glue-gap", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { return p.GlueGap(sim.Slit{Width: 15e-3, Gap: s * 0.5e-3, Depth: 3e-3}) }
	}},
	{"foam-dense", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { p.Rf *= 1 + 0.8*s; p.Mf *= 1 + 0.2*s; return p }
	}},
	{"foam-missing", []float64{1}, func(float64) func(sim.Params) sim.Params { return sim.Params.FoamMissing }},
	{"plate-missing", []float64{1}, func(float64) func(sim.Params) sim.Params { return sim.Params.PlateMissing }},
	{"mesh-blocked", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { return p.MeshBlocked(0.4 * s) }
	}},
	{"mesh-missing", []float64{1}, func(float64) func(sim.Params) sim.Params { return sim.Params.MeshMissing }},
	{"sensitivity-low", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { return p.ScaleBl(1 - 0.1*s) }
	}},
	{"cone-heavy", []float64{0.5, 1, 1.5}, func(s float64) func(sim.Params) sim.Params {
		return func(p sim.Params) sim.Params { return p.ScaleMms(1 + 0.1*s) }
	}},
}

// A ranking is one line of the table: how often a fault was ranked first among nine.
type ranking struct {
	key                       string
	size                      float64
	units, of                 int
	physical, learnt, allNine int
	settled, odd              int // of the learnings
}

// drawn returns the levels of the left of units with a fault, three seatings each.
func drawn(p *sim.Product, seed uint64, from, n int, fault func(sim.Params) sim.Params) [][]float64 {
	bands := p.Bands()
	var out [][]float64
	for i := range n {
		u := p.Draw(sim.Key{Seed: seed, Lot: 1, Unit: from + i}, func(channel int, q sim.Params) sim.Params {
			if channel != 0 || fault == nil {
				return q
			}
			return fault(q)
		})
		levels := make([]float64, len(bands))
		for s := range sim.Seatings {
			for b, l := range band.Levels(u.Curve(0, 1, s+1), bands) {
				levels[b] += l.DB / sim.Seatings
			}
		}
		out = append(out, levels)
	}
	return out
}

// means returns the mean of each band.
func means(rows [][]float64) []float64 {
	out := make([]float64, len(rows[0]))
	for b := range out {
		xs := make([]float64, len(rows))
		for i, r := range rows {
			xs[i] = r[b]
		}
		out[b] = sample.Mean(xs)
	}
	return out
}

// covarianceOf is the shrunk one that findings use.
func covarianceOf(t *testing.T, rows [][]float64) *mat.SymDense {
	m := means(rows)
	d := mat.NewDense(len(rows), len(m), nil)
	for i, r := range rows {
		for b := range m {
			d.Set(i, b, r[b]-m[b])
		}
	}
	v, _, err := change.Shrink(d)
	if err != nil {
		t.Fatal(err)
	}
	out := mat.NewSymDense(len(m), nil)
	out.CopySym(v)
	return out
}

// rankFaults learns every fault of the simulator from three units of its signature's size,
// then plants it in other units, at other sizes, and counts how often each sort of
// signature is ranked first: the model's own, the learnt one among the model's others, and
// the learnt one among learnt ones only.
func rankFaults(t *testing.T, rounds int, seed uint64, after []int) []ranking {
	p := sim.TB40()
	physical := map[string]cause.Signature{}
	var order []string
	for _, g := range p.Signatures() {
		physical[g.Key] = cause.Signature{Key: g.Key, Words: g.Words, Check: g.Check, Shape: g.DB}
		order = append(order, g.Key)
	}
	table := map[string]*ranking{}
	var rows []*ranking
	for round := range rounds {
		s := seed<<16 | uint64(round)
		good := drawn(p, s, 0, 40, nil)
		covariance := covarianceOf(t, good)
		usual := means(good)
		learnt, settled, odd := map[string]cause.Signature{}, map[string]bool{}, map[string]bool{}
		for i, f := range sizedFaults {
			var built []cause.Built
			for k, r := range drawn(p, s, 100+10*i, 3, f.fault(1)) {
				built = append(built, cause.Built{Name: fmt.Sprint(k), Levels: r})
			}
			l, err := cause.Learn(built, good, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			g := physical[f.key]
			g.Shape = l.Shape
			learnt[f.key], settled[f.key], odd[f.key] = g, l.Settled, l.Odd >= 0
		}
		for i, f := range sizedFaults {
			for k, size := range f.sizes {
				for m, n := range after {
					name := fmt.Sprint(f.key, size, n)
					row := table[name]
					if row == nil {
						row = &ranking{key: f.key, size: size, units: n}
						table[name], rows = row, append(rows, row)
					}
					bad := means(drawn(p, s, 1000+100*i+30*k+15*m, n, f.fault(size)))
					d := make([]float64, len(bad))
					for b := range bad {
						d[b] = bad[b] - usual[b]
					}
					v := mat.NewSymDense(len(d), nil)
					v.ScaleSym(1/float64(len(good))+1/float64(n), covariance)
					first := func(pick func(key string) cause.Signature) bool {
						var all []cause.Signature
						for _, key := range order {
							all = append(all, pick(key))
						}
						w, err := cause.Weigh([][]float64{d}, v, p.Fraction, all)
						if err != nil {
							t.Fatal(err)
						}
						return w[0].Key == f.key
					}
					count := func(n *int, yes bool) {
						if yes {
							*n++
						}
					}
					row.of++
					count(&row.settled, settled[f.key])
					count(&row.odd, odd[f.key])
					count(&row.physical, first(func(key string) cause.Signature { return physical[key] }))
					count(&row.learnt, first(func(key string) cause.Signature {
						if key == f.key {
							return learnt[key]
						}
						return physical[key]
					}))
					count(&row.allNine, first(func(key string) cause.Signature { return learnt[key] }))
				}
			}
		}
	}
	var out []ranking
	for _, r := range rows {
		out = append(out, *r)
	}
	return out
}

func rankTable(rows []ranking) string {
	var b strings.Builder
	line := func(cells ...any) { fmt.Fprintf(&b, "%-16s %5v %6v %7v %10v %8v %11v %8v %5v\n", cells...) }
	line("fault", "size", "units", "rounds", "the model's", "learnt", "all learnt", "settled", "odd")
	var sum ranking
	share := func(n, of int) string { return fmt.Sprintf("%.0f %%", 100*float64(n)/float64(of)) }
	for _, r := range rows {
		line(r.key, r.size, r.units, r.of, share(r.physical, r.of), share(r.learnt, r.of), share(r.allNine, r.of), share(r.settled, r.of), share(r.odd, r.of))
		sum.of, sum.physical, sum.learnt, sum.allNine = sum.of+r.of, sum.physical+r.physical, sum.learnt+r.learnt, sum.allNine+r.allNine
		sum.settled, sum.odd = sum.settled+r.settled, sum.odd+r.odd
	}
	line("all", "", "", sum.of, share(sum.physical, sum.of), share(sum.learnt, sum.of), share(sum.allNine, sum.of), share(sum.settled, sum.of), share(sum.odd, sum.of))
	return b.String()
}

// Three units built faulty teach as much as the model itself knows: with ten units after a
// change the learnt signature is ranked first about as often as the model's. The whole
// table is testdata/faultrank.txt.
func TestLearntFaultsAreRankedFirst(t *testing.T) {
	t.Parallel()
	rows := rankFaults(t, 3, 1, []int{10})
	of, physical, learnt, all := 0.0, 0.0, 0.0, 0.0
	for _, r := range rows {
		of, physical, learnt, all = of+float64(r.of), physical+float64(r.physical), learnt+float64(r.learnt), all+float64(r.allNine)
	}
	if of != 63 || math.Min(learnt, all)/of < 0.85 || physical/of < 0.85 {
		t.Errorf("of %v changes the model's signature was first in %v, the learnt one in %v, among learnt ones in %v\n%s", of, physical, learnt, all, rankTable(rows))
	}
	t.Log("\n" + rankTable(rows))
}
