package multi_test

import (
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"alike/spc/multi"

	"pgregory.net/rapid"
)

// The decomposition of one row against testdata/reference.py (numpy and scipy:
// matrix square root, and T² with the column left out).
func TestParts(t *testing.T) {
	groups := make([][][]float64, 6)
	for _, r := range table(t, "groups.csv") {
		groups[int(r[0])-1] = append(groups[int(r[0])-1], r[1:])
	}
	m, err := multi.FitGroups(groups)
	if err != nil {
		t.Fatal(err)
	}
	rows := table(t, "parts.csv")
	x := []float64{rows[0][0], rows[1][0], rows[2][0]}
	compare(t, []check{{"T²", m.T2(x), rows[0][4], 1e-9}})
	for i, p := range m.Parts(x) {
		compare(t, []check{{"share", p.Share, rows[i][1], 1e-9}, {"alone", p.Alone, rows[i][2], 1e-9}, {"given", p.Given, rows[i][3], 1e-9}, {"column", float64(p.Column), float64(i), 0}})
	}
}

// Shares add up to T²; a column alone is its own T²; for two columns the first and
// the conditional term of the other add up to T² (Mason, Young and Tracy 1995).
func TestPartsLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.IntRange(1, 7).Draw(t, "columns")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		m, err := multi.Fit(bandRows(rng, p+20, p, 0.9), rapid.SampledFrom([]multi.Kind{multi.Sample, multi.Successive, multi.Shrunk}).Draw(t, "kind"))
		if err != nil {
			t.Fatal(err)
		}
		x := normals(rng, 1, p)[0]
		t2, sum := m.T2(x), 0.0
		parts := m.Parts(x)
		for _, q := range parts {
			sum += q.Share
			if q.Share < 0 || q.Given < 0 || q.Given > t2*(1+1e-9) || q.Alone > t2*(1+1e-9) {
				t.Fatalf("T² %v, part %+v", t2, q)
			}
		}
		if math.Abs(sum-t2) > 1e-9*(1+t2) {
			t.Fatalf("shares add up to %v, T² is %v", sum, t2)
		}
		if p == 2 && math.Abs(parts[0].Alone+parts[1].Given-t2) > 1e-9*(1+t2) {
			t.Fatalf("%+v do not make %v", parts, t2)
		}
	})
}

// A fault in one of many bands is named, also when it only breaks the usual
// pattern; and several goroutines may ask at once.
func TestPartsNameTheColumn(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	rows := bandRows(rng, 200, 10, 0.9)
	m, err := multi.Fit(rows, multi.Sample)
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for k := range 4 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			x := append([]float64(nil), rows[k]...)
			x[6] += 3
			best := 0
			parts := m.Parts(x)
			for i, p := range parts {
				if p.Share > parts[best].Share {
					best = i
				}
			}
			if best != 6 || parts[6].Given < 20 {
				t.Errorf("row %d: largest share in column %d, parts %+v", k, best, parts)
			}
		}()
	}
	wg.Wait()
}
