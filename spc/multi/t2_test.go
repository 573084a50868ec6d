package multi_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"alike/spc/chart"
	"alike/spc/multi"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// table reads a CSV file of testdata into rows of numbers, without its head; rows
// end at their first empty cell.
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		nums := []float64{}
		for _, s := range row {
			if s == "" {
				break
			}
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			nums = append(nums, v)
		}
		out = append(out, nums)
	}
	return out
}

type check struct {
	what           string
	got, want, tol float64
}

func compare(t *testing.T, cs []check) {
	t.Helper()
	for _, c := range cs {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s = %.9g, want %v", c.what, c.got, c.want)
		}
	}
}

func values(c multi.Chart) []float64 {
	out := make([]float64, len(c.Points))
	for i, p := range c.Points {
		out[i] = p.Value
	}
	return out
}

func fired(c multi.Chart) []int {
	var out []int
	for _, p := range c.Points {
		if p.Signals != nil {
			out = append(out, p.Index)
		}
	}
	return out
}

func normals(rng *rand.Rand, n, p int) [][]float64 {
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = make([]float64, p)
		for j := range rows[i] {
			rows[i][j] = rng.NormFloat64()
		}
	}
	return rows
}

// T² of fifteen rows by the sample covariance and by successive differences,
// computed with numpy; the limits' formulas are those of Tracy, Young and Mason
// (1992) and e-Handbook 6.5.4.3, from memory, evaluated with scipy. For two columns
// the first is (m-1)²/m·(1-α^(2/(m-3))): 7.0016573 at α 0.01.
func TestIndividuals(t *testing.T) {
	rows := table(t, "t2-individuals.csv")
	c, err := multi.T2(rows, multi.Options{Alpha: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{.20158, 1.40267, 2.79864, 3.17621, .00215, 1.24333, 2.99578, .47298, 1.17400, 2.53578, 3.25370, .57079, 7.05775, .45076, .66386}
	sum := 0.0
	for i, v := range values(c) {
		sum += v
		compare(t, []check{{"T²", v, want[i], 5.1e-6}})
	}
	m := c.Model
	compare(t, []check{
		{"sum of T²", sum, 28, 1e-9}, // (m-1)p
		{"mean A", m.Center[0], 10.086667, 5e-7}, {"mean B", m.Center[1], 4.993333, 5e-7},
		{"variance A", m.Covariance.At(0, 0), .08266667, 5e-9}, {"covariance", m.Covariance.At(0, 1), .03919048, 5e-9}, {"variance B", m.Covariance.At(1, 1), .0792381, 5e-9},
		{"limit", c.Points[0].Upper, 7.001657, 5e-7},
	})
	if !slices.Equal(fired(c), []int{13}) || c.LimitSE != 0 {
		t.Errorf("signals at %v, limit error %v; want [13], 0", fired(c), c.LimitSE)
	}
	for _, w := range []struct{ alpha, one, two float64 }{{.05, 5.135694, 8.743042}, {.01, 7.001657, 15.395036}, {.0027, 8.190722, 22.163050}} {
		one, err1 := multi.PhaseI(15, 2, w.alpha)
		two, err2 := multi.PhaseII(15, 2, w.alpha)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		compare(t, []check{{"phase I limit", one, w.one, 6e-7}, {"phase II limit", two, w.two, 6e-7}})
	}

	c, err = multi.T2(rows, multi.Options{Kind: multi.Successive})
	if err != nil {
		t.Fatal(err)
	}
	want = []float64{.13374, .95868, 1.88599, 1.94822, .00126, .74931, 2.55576, .40006, .87777, 1.72943, 1.93316, .37861, 6.30264, .37560, .59840}
	for i, v := range values(c) {
		compare(t, []check{{"T² by differences", v, want[i], 5.1e-6}})
	}
	m = c.Model
	compare(t, []check{{"variance A", m.Covariance.At(0, 0), .14107143, 5e-9}, {"covariance", m.Covariance.At(0, 1), .06607143, 5e-9}, {"variance B", m.Covariance.At(1, 1), .09821429, 5e-9}})
	if !(c.LimitSE > 0) {
		t.Error("a simulated limit has no error")
	}
}

// New rows are judged by the limit for new rows, rows of the baseline by theirs,
// and a frozen model gives the same.
func TestBaselineAndLater(t *testing.T) {
	rows := table(t, "t2-individuals.csv")
	more := append(slices.Clone(rows), []float64{11.6, 5}, []float64{10.1, 5})
	a, err := multi.T2(more, multi.Options{Baseline: 15, Alpha: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	frozen, err := multi.NewModel(a.Model.Frozen())
	if err != nil {
		t.Fatal(err)
	}
	b, err := multi.T2(more[15:], multi.Options{Model: frozen, Alpha: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range a.Points {
		limit := 7.001657
		if i >= 15 {
			limit = 15.395036
			compare(t, []check{{"frozen T²", b.Points[i-15].Value, p.Value, 1e-9}, {"frozen limit", b.Points[i-15].Upper, p.Upper, 1e-9}})
		}
		compare(t, []check{{"limit", p.Upper, limit, 5e-7}})
	}
	if !slices.Equal(fired(a), []int{13, 16}) {
		t.Errorf("signals at %v, want [13 16]", fired(a))
	}
}

// Subgroups of unequal size against testdata/reference.py; at equal sizes the
// limits are p(m∓1)(n-1)/(mn-m-p+1)·F (Montgomery, from memory): m 20, n 3, p 2,
// alpha 0.001, with F(.001; 2, 39) = 8.289502 by scipy.
func TestGroups(t *testing.T) {
	groups := make([][][]float64, 6)
	for _, r := range table(t, "groups.csv") {
		groups[int(r[0])-1] = append(groups[int(r[0])-1], r[1:])
	}
	within, err := multi.T2Groups(groups, multi.Options{Alpha: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	ahead, err := multi.T2Groups(groups, multi.Options{Alpha: 0.01, Model: within.Model})
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range table(t, "groups-t2.csv") {
		compare(t, []check{
			{"T²", within.Points[i].Value, w[0], 1e-9}, {"limit within", within.Points[i].Upper, w[1], 1e-8},
			{"T² of a later group", ahead.Points[i].Value, w[0], 1e-9}, {"limit ahead", ahead.Points[i].Upper, w[2], 1e-8},
		})
	}

	rng := rand.New(rand.NewPCG(1, 1))
	equal := make([][][]float64, 20)
	for i := range equal {
		equal[i] = normals(rng, 3, 2)
	}
	c, err := multi.T2Groups(equal, multi.Options{Alpha: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	d, err := multi.T2Groups(equal, multi.Options{Alpha: 0.001, Model: c.Model})
	if err != nil {
		t.Fatal(err)
	}
	const f = 8.289502
	compare(t, []check{{"equal sizes within", c.Points[0].Upper, 2 * 19 * 2.0 / 39 * f, 2e-5}, {"equal sizes ahead", d.Points[0].Upper, 2 * 21 * 2.0 / 39 * f, 2e-5}})
}

// The chance of a false alarm is the one stated, for each kind of limit, over many
// baselines of a correlated process.
func TestFalseAlarms(t *testing.T) {
	const m, p, alpha, runs = 20, 3, 0.05, 1500
	rng := rand.New(rand.NewPCG(10, 20))
	rows := func(n int) [][]float64 {
		out := normals(rng, n, p)
		for _, r := range out {
			r[0], r[1], r[2] = 80+r[0], 3*r[0]+r[1], r[0]-r[1]+0.3*r[2]
		}
		return out
	}
	var inside, later [2][]float64 // per kind: share of alarms per baseline
	var groupsIn, groupsLater []float64
	successive := multi.Options{Alpha: alpha, Kind: multi.Successive, Baseline: m}
	limits, err := multi.T2(rows(2*m), successive) // once: its limits do not depend on the data
	if err != nil {
		t.Fatal(err)
	}
	over := func(points []chart.Point, limit func(i int) float64) float64 {
		n := 0.0
		for i, p := range points {
			if p.Value > limit(i) {
				n++
			}
		}
		return n / float64(len(points))
	}
	for range runs {
		x := rows(2 * m)
		c, err := multi.T2(x, multi.Options{Alpha: alpha, Baseline: m})
		if err != nil {
			t.Fatal(err)
		}
		own := func(from int) func(int) float64 {
			return func(i int) float64 { return c.Points[from+i].Upper }
		}
		inside[0] = append(inside[0], over(c.Points[:m], own(0)))
		later[0] = append(later[0], over(c.Points[m:], own(m)))
		fit, err := multi.Fit(x[:m], multi.Successive)
		if err != nil {
			t.Fatal(err)
		}
		points := make([]chart.Point, 2*m)
		for i, r := range x {
			points[i].Value = fit.T2(r)
		}
		inside[1] = append(inside[1], over(points[:m], func(int) float64 { return limits.Points[0].Upper }))
		later[1] = append(later[1], over(points[m:], func(int) float64 { return limits.Points[m].Upper }))

		groups := [][][]float64{x[:4], x[4:10], x[10:13], x[13:20], x[20:24], x[24:31], x[31:35], x[35:40]}
		g, err := multi.T2Groups(groups, multi.Options{Alpha: alpha, Baseline: 4})
		if err != nil {
			t.Fatal(err)
		}
		groupsIn = append(groupsIn, over(g.Points[:4], func(i int) float64 { return g.Points[i].Upper }))
		groupsLater = append(groupsLater, over(g.Points[4:], func(i int) float64 { return g.Points[4+i].Upper }))
	}
	slack := 0.0
	for name, shares := range map[string][]float64{
		"sample, baseline": inside[0], "sample, later": later[0], "successive, baseline": inside[1], "successive, later": later[1],
		"groups, baseline": groupsIn, "groups, later": groupsLater,
	} {
		sum, sq := 0.0, 0.0
		for _, v := range shares {
			sum, sq = sum+v, sq+v*v
		}
		mean := sum / runs
		se := math.Sqrt((sq/runs - mean*mean) / runs)
		slack = 0
		if strings.HasPrefix(name, "successive") {
			slack = 0.004 // the simulated limit's own error
		}
		if math.Abs(mean-alpha) > 4*se+slack {
			t.Errorf("%s: false alarms %.4f (se %.4f), stated %v", name, mean, se, alpha)
		}
	}
}

// T² by the sample and successive covariances, its limits' signals and the subgroup
// chart do not change under an invertible linear map and a shift of the columns.
func TestLinearMaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.IntRange(1, 4).Draw(t, "columns")
		n := rapid.IntRange(p+3, 15).Draw(t, "rows")
		seed := rapid.Uint64().Draw(t, "seed")
		rng := rand.New(rand.NewPCG(seed, 0))
		rows := normals(rng, n, p)
		a := mat.NewDense(p, p, nil)
		for i := range p {
			for j := range p {
				a.Set(i, j, rapid.Float64Range(-2, 2).Draw(t, "a"))
			}
			a.Set(i, i, a.At(i, i)+rapid.SampledFrom([]float64{-7, 7}).Draw(t, "diagonal"))
		}
		if mat.Cond(a, 2) > 1e4 {
			return
		}
		moved := make([][]float64, n)
		for i, r := range rows {
			var v mat.VecDense
			v.MulVec(a, mat.NewVecDense(p, r))
			moved[i] = make([]float64, p)
			for j := range p {
				moved[i][j] = v.AtVec(j) + float64(10*j)
			}
		}
		same := func(x, y multi.Chart, err1, err2 error) {
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			for i, v := range values(x) {
				if w := y.Points[i].Value; math.Abs(v-w) > 1e-6*(1+v) {
					t.Fatalf("T² of row %d: %v, mapped %v", i+1, v, w)
				}
				if math.Abs(x.Points[i].Upper-y.Points[i].Upper) > 1e-9 {
					t.Fatalf("limit %v, mapped %v", x.Points[i].Upper, y.Points[i].Upper)
				}
			}
		}
		x, err1 := multi.T2(rows, multi.Options{})
		y, err2 := multi.T2(moved, multi.Options{})
		same(x, y, err1, err2)
		few := multi.Simulation{Baselines: 20}
		x, err1 = multi.T2(rows, multi.Options{Kind: multi.Successive, Simulation: few})
		y, err2 = multi.T2(moved, multi.Options{Kind: multi.Successive, Simulation: few})
		same(x, y, err1, err2)
		if n/2 >= p+2 {
			x, err1 = multi.T2Groups([][][]float64{rows[:n/2], rows[n/2:]}, multi.Options{})
			y, err2 = multi.T2Groups([][][]float64{moved[:n/2], moved[n/2:]}, multi.Options{})
			same(x, y, err1, err2)
		}
		x, err1 = multi.MEWMA(rows, multi.MEWMAOptions{Lambda: 0.3, Limit: 10})
		y, err2 = multi.MEWMA(moved, multi.MEWMAOptions{Lambda: 0.3, Limit: 10})
		same(x, y, err1, err2)
	})
}

// A known covariance gives the quantile of chi-squared (from any table: 11.829 for
// 2 columns at 0.0027).
func TestKnown(t *testing.T) {
	m, err := multi.NewModel(multi.Frozen{Kind: multi.Known, Center: []float64{1, 2}, Covariance: mat.NewSymDense(2, []float64{4, 1, 1, 9})})
	if err != nil {
		t.Fatal(err)
	}
	c, err := multi.T2([][]float64{{1, 2}, {3, 2}}, multi.Options{Model: m})
	if err != nil {
		t.Fatal(err)
	}
	// inverse of {4 1; 1 9} is {9 -1; -1 4}/35: T² of (2, 0) is 36/35.
	compare(t, []check{{"T²", c.Points[1].Value, 36.0 / 35, 1e-12}, {"T² of the centre", c.Points[0].Value, 0, 0}, {"limit", c.Points[0].Upper, 11.829, 5e-4}, {"median", c.Points[0].Center, 1.38629, 5e-6}})
}

// Columns that agree to one part in ten thousand are still told apart, to six digits:
// they make the same T² as the one and the difference between them.
func TestNearlyEqualColumns(t *testing.T) {
	rows := normals(rand.New(rand.NewPCG(15, 5)), 20, 2)
	want, err := multi.T2(rows, multi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	column(rows, 1, func(r []float64) float64 { return r[0] + 1e-4*r[1] })
	got, err := multi.T2(rows, multi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range values(want) {
		compare(t, []check{{"T²", got.Points[i].Value, v, 1e-6 * (1 + v)}})
	}
}

// Columns of any unit and size give finite numbers.
func TestScalesOfColumns(t *testing.T) {
	rows := normals(rand.New(rand.NewPCG(5, 5)), 20, 3)
	want, err := multi.T2(rows, multi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	column(rows, 0, func(r []float64) float64 { return r[0] * 1e149 })
	column(rows, 1, func(r []float64) float64 { return r[1] * 1e-140 })
	column(rows, 2, func(r []float64) float64 { return 1e9 + r[2] })
	got, err := multi.T2(rows, multi.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range values(want) {
		compare(t, []check{{"T²", got.Points[i].Value, v, 1e-5 * v}})
	}
}

func Benchmark72Columns(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	rows := normals(rng, 400, 72)
	m, err := multi.Fit(rows, multi.Sample)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("T2", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			m.T2(rows[7])
		}
	})
	b.Run("parts", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			m.Parts(rows[7])
		}
	})
	b.Run("chart of 400", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := multi.T2(rows, multi.Options{}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("shrunk limits of 40", func(b *testing.B) {
		for b.Loop() {
			if _, err := multi.T2(rows[:40], multi.Options{Kind: multi.Shrunk}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
