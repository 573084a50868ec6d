package cause_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"alike/spc/cause"

	"gonum.org/v1/gonum/mat"
)

func symmetric(rows [][]float64) *mat.SymDense {
	out := mat.NewSymDense(len(rows), nil)
	for i, r := range rows {
		for j := range i + 1 {
			out.SetSym(i, j, r[j])
		}
	}
	return out
}

// numpy.linalg.cholesky and scipy.optimize.nnls: testdata/general.py.
func TestWeighBesideScipy(t *testing.T) {
	data, err := os.ReadFile("testdata/general.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Fraction                    int
		Changes, Covariance, Shapes [][]float64
		Fits                        []struct {
			Amounts         []float64
			Rest, Explained float64
		}
	}
	if err := json.Unmarshal(data, &cases); err != nil || len(cases) != 10 {
		t.Fatal(len(cases), err)
	}
	for k, c := range cases {
		var signatures []cause.Signature
		for i, s := range c.Shapes {
			signatures = append(signatures, cause.Signature{Key: fmt.Sprint(i), Shape: s})
		}
		got, err := cause.Weigh(c.Changes, symmetric(c.Covariance), c.Fraction, signatures)
		if err != nil || len(got) != len(c.Fits) {
			t.Fatal(k, got, err)
		}
		for i, g := range got {
			var at int
			if _, err := fmt.Sscan(g.Key, &at); err != nil {
				t.Fatal(err)
			}
			want := c.Fits[at]
			near(t, fmt.Sprint(k, " rest"), g.Rest, want.Rest, 1e-8)
			near(t, fmt.Sprint(k, " explained"), g.Explained, want.Explained, 1e-8)
			near(t, fmt.Sprint(k, " behind"), g.Behind, g.Rest-got[0].Rest, 1e-12)
			for j, a := range g.Amounts {
				near(t, fmt.Sprint(k, " amount"), a, want.Amounts[j], 1e-7)
			}
			if i > 0 && g.Rest < got[i-1].Rest {
				t.Errorf("%d: not in order", k)
			}
		}
	}
}

// Bands that go together by nature tell less than they seem to: the change is a common
// level, which scatters greatly, and a small dip, which does not. Band by band the level
// has it; by the covariance the dip.
func TestWeighCountsWhatGoesTogetherOnce(t *testing.T) {
	const n = 12
	level, dip, change := make([]float64, n), make([]float64, n), make([]float64, n)
	cov, sd := mat.NewSymDense(n, nil), make([]float64, n)
	for i := range n {
		level[i] = 1
		dip[i] = 0
		change[i] = 0.5
		for j := range i + 1 {
			cov.SetSym(i, j, 0.25)
		}
		cov.SetSym(i, i, 0.2501)
		sd[i] = 0.5
	}
	dip[5], change[5] = -1, 0.5-0.45
	both := []cause.Signature{{Key: "level", Shape: level}, {Key: "dip", Shape: dip}}
	if f := cause.Fits(change, sd, both); f[0].Key != "level" || !(f[0].Explained > 0.8) {
		t.Errorf("%+v", f[0])
	}
	got, err := cause.Weigh([][]float64{change}, cov, 3, both)
	if err != nil || got[0].Key != "dip" || !(got[1].Behind > cause.Apart) {
		t.Errorf("%+v (%v)", got, err)
	}
}

func TestWeighLeavesOutWhatItCannotUse(t *testing.T) {
	s := []cause.Signature{{Key: "a", Shape: []float64{1, math.NaN(), 1}}, {Key: "b", Shape: []float64{1, 1, -1}}}
	cov := mat.NewSymDense(3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1})
	got, err := cause.Weigh([][]float64{{1, 5, 1}}, cov, 1, s)
	if err != nil || got[0].Key != "a" || math.Abs(got[0].Amounts[0]-1) > 1e-12 || got[0].Rest > 1e-12 || got[1].Explained > 1e-12 {
		t.Errorf("%+v (%v)", got, err)
	}
	if _, err := cause.Weigh([][]float64{{math.NaN(), 5, math.Inf(1)}}, cov, 1, s); err == nil {
		t.Error("no error without a band")
	}
	cov.SetSym(0, 2, 50)
	if _, err := cause.Weigh([][]float64{{1, 5, 1}}, cov, 1, s); err == nil {
		t.Error("no error for a covariance that is none")
	}
	if got, err := cause.Weigh([][]float64{{0, 0, 0}}, mat.NewSymDense(3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}), 1, s); err != nil || got[0].Explained != 0 || got[0].Behind != 0 {
		t.Errorf("%+v (%v)", got, err)
	}
}
