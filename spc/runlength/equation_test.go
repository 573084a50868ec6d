package runlength

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/mat"

	"alike/spc/chart"
)

// Twice the nodes change nothing.
func TestMoreNodes(t *testing.T) {
	for _, lambda := range []float64{0.02, 0.1, 0.5, 0.95} {
		for _, shift := range []float64{0, 0.4, 2} {
			limit := 3 * chart.EWMAFactor(lambda, 1, true)
			same(t, averaging(shift, lambda), 0, widening(limit, lambda, true))
			if lambda >= 0.1 {
				same(t, averaging(shift, lambda), 0, widening(limit, lambda, false))
			}
		}
	}
	for _, p := range []int{2, 3, 9, 40} {
		for _, lambda := range []float64{0.1, 0.5} {
			radius := math.Sqrt(float64(p)+10) * chart.EWMAFactor(lambda, 1, true)
			same(t, radial(p, lambda, radius), 0, widening(radius, lambda, true))
		}
	}
	for _, h := range []float64{0.1, 1, 5, 30} {
		for _, shift := range []float64{-1, 0, 1} {
			same(t, summing(shift, 0.5), h/2, []float64{h})
		}
	}
}

func same(t *testing.T, w walk, start float64, limits []float64) {
	t.Helper()
	once := w.rising(start, limits)
	w.finer = 2
	if twice := w.rising(start, limits); math.Abs(once/twice-1) > 1e-9 {
		t.Errorf("limit %v, sd %v: %.12g, with twice the nodes %.12g", limits[len(limits)-1], w.sd, once, twice)
	}
}

// The simulation that stands in for very small lambdas, where the equation still
// works.
func TestSimulatedEWMA(t *testing.T) {
	for _, steady := range []bool{true, false} {
		limits := widening(2.7*chart.EWMAFactor(0.1, 1, true), 0.1, steady)
		got, err := simulateEWMA(0.8, 0.1, limits, Simulation{Seed: 6})
		if err != nil {
			t.Fatal(err)
		}
		want, err := EWMA(0.8, 0.1, 2.7, steady, Simulation{})
		if err != nil || math.Abs(got.ARL-want.ARL) > 4*got.SE || got.SE > 0.01*want.ARL {
			t.Errorf("steady %v: simulated %+v, computed %+v, %v", steady, got, want, err)
		}
	}
}

// Elimination without subtraction against gonum's LU, and where LU fails: the time
// of a walk of n+1 places with steps up p and down 1-p, held at the lower end, has
// a closed form that passes 1e16.
func TestEliminate(t *testing.T) {
	const n = 40
	k := mat.NewDense(n, n, nil)
	leave := make([]float64, n)
	for i := range n {
		for j := range n {
			k.Set(i, j, 0.9/n*(1+0.5*math.Sin(float64(i*j))))
		}
		leave[i] = 1 - mat.Sum(k.RowView(i))
	}
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		ones.SetVec(i, 1)
		for j := range n {
			a.Set(i, j, -k.At(i, j))
		}
		a.Set(i, i, 1-k.At(i, i))
	}
	var want mat.VecDense
	if err := want.SolveVec(a, ones); err != nil {
		t.Fatal(err)
	}
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = mat.Row(nil, i, k)
	}
	for i, v := range eliminate(rows, leave) {
		if math.Abs(v/want.AtVec(i)-1) > 1e-12 {
			t.Errorf("place %d: %v, want %v", i, v, want.AtVec(i))
		}
	}

	// Up 0.1, down 0.9 (stay at 0): the expected time up by one place is
	// u₀ = 10, uᵢ = (1 + 0.9·uᵢ₋₁)/0.1.
	rows, leave = make([][]float64, n), make([]float64, n)
	sum, u := 0.0, 10.0
	for i := range n {
		rows[i] = make([]float64, n)
		if i+1 < n {
			rows[i][i+1] = 0.1
		} else {
			leave[i] = 0.1
		}
		rows[i][max(0, i-1)] += 0.9
		if i > 0 {
			u = (1 + 0.9*u) / 0.1
		}
		sum += u
	}
	if got := eliminate(rows, leave)[0]; math.Abs(got/sum-1) > 1e-12 || sum < 1e30 {
		t.Errorf("%v, want %v", got, sum)
	}
}

// Survival and the interpolated density against scipy (testdata/ncx2.csv). The
// density of the length y at y² = x is 2y times that of the square.
func TestFarChiSquare(t *testing.T) {
	f, err := os.Open("testdata/ncx2.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		v := [5]float64{}
		for i, s := range row {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		p, d, x := int(v[0]), v[1], v[2]
		if got := survivalFar(x, p, d); math.Abs(got/v[3]-1) > 1e-8 {
			t.Errorf("p %d, d %v: P(X > %v) = %v, want %v", p, d, x, got, v[3])
		}
		y := math.Sqrt(x)
		law := newLengths(p, y*math.Sqrt(d))
		if got := law.density(y, math.Sqrt(d)) / (2 * y); math.Abs(got/v[4]-1) > 1e-7 {
			t.Errorf("p %d, d %v: density at %v %v, want %v", p, d, x, got, v[4])
		}
	}
}

// The published rules without those that follow steps need few states.
func TestStatesAreFew(t *testing.T) {
	var rules []chart.Rule
	for _, r := range chart.Nelson() {
		if r.Zoned() {
			rules = append(rules, r)
		}
	}
	c, ok := build(0, rules)
	if n := len(c.to) / len(c.p); !ok || n > 723 { // 935 when flags of no more use are kept
		t.Errorf("%d states, ok %v", n, ok)
	}
}
