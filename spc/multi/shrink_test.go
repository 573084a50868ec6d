package multi_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"alike/spc/multi"

	"pgregory.net/rapid"
)

// Ledoit-Wolf against scikit-learn (testdata/reference.py): fewer rows than
// columns, more, and none to be kept of the covariance.
func TestLedoitWolf(t *testing.T) {
	cases := make([][][]float64, 3)
	for _, r := range table(t, "bands.csv") {
		cases[int(r[0])] = append(cases[int(r[0])], r[1:])
	}
	for i, w := range table(t, "shrunk.csv") {
		m, err := multi.Fit(cases[i], multi.Shrunk)
		if err != nil {
			t.Fatal(err)
		}
		compare(t, []check{{"weight", m.Shrinkage, w[1], 1e-10}})
		p := len(m.Center)
		for j := range p {
			for k := range p {
				compare(t, []check{{"covariance", m.Covariance.At(j, k), w[2+j*p+k], 1e-10}})
			}
		}
	}
}

// bandRows draws rows of neighbouring bands that move together (correlation
// r^distance), as frequency responses do.
func bandRows(rng *rand.Rand, n, p int, r float64) [][]float64 {
	rows := normals(rng, n, p)
	for _, x := range rows {
		for j := 1; j < p; j++ {
			x[j] = r*x[j-1] + math.Sqrt(1-r*r)*x[j]
		}
	}
	return rows
}

// Few rows for the columns: the rate of false alarms over many baselines stays
// within the factor that the doc comment states, in the baseline and later.
func TestShrunkFalseAlarms(t *testing.T) {
	for _, tt := range []struct {
		m, p      int
		r         float64
		baselines int
	}{{12, 20, 0.9, 80}, {16, 8, 0.95, 80}, {15, 24, 0.5, 60}} {
		const alpha, later = 0.05, 200
		rng := rand.New(rand.NewPCG(30, 30))
		var in, out float64
		for k := range tt.baselines {
			rows := bandRows(rng, tt.m+later, tt.p, tt.r)
			c, err := multi.T2(rows, multi.Options{Kind: multi.Shrunk, Baseline: tt.m, Alpha: alpha, Simulation: multi.Simulation{Seed: uint64(k), Baselines: 100}})
			if err != nil {
				t.Fatal(err)
			}
			for _, i := range fired(c) {
				if i <= tt.m {
					in += 1 / float64(tt.m*tt.baselines)
				} else {
					out += 1 / float64(later*tt.baselines)
				}
			}
		}
		// A thousand rows of baselines have a standard error of 0.007.
		if math.Abs(in-alpha) > 0.03 || out < alpha/1.6 || out > alpha*1.6 {
			t.Errorf("%+v: false alarms %.4f in the baseline, %.4f later, stated %v", tt, in, out, alpha)
		}
	}
}

// Rows that set a shrunk model are measured by the others: the chart's values are
// those of models fitted without them.
func TestShrunkLeavesOneOut(t *testing.T) {
	rows := bandRows(rand.New(rand.NewPCG(2, 9)), 9, 12, 0.9)
	c, err := multi.T2(rows, multi.Options{Kind: multi.Shrunk, Baseline: 8, Simulation: multi.Simulation{Baselines: 20}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		m, err := multi.Fit(slices.Concat(rows[:i], rows[i+1:8]), multi.Shrunk)
		if err != nil {
			t.Fatal(err)
		}
		compare(t, []check{{"T²", c.Points[i].Value, m.T2(rows[i]), 1e-9}})
	}
	product := 1.0
	for _, v := range values(c)[:8] {
		product *= v
	}
	compare(t, []check{{"middle", c.Model.Middle, math.Pow(product, 1.0/8), 1e-9}, {"later T²", c.Points[8].Value, c.Model.T2(rows[8]), 1e-9}})
	// A frozen model draws the same limit, and limits follow the middle.
	f := c.Model.Frozen()
	f.Middle *= 2
	double, err := multi.NewModel(f)
	if err != nil {
		t.Fatal(err)
	}
	d, err := multi.T2(rows[8:], multi.Options{Model: double, Simulation: multi.Simulation{Baselines: 20}})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{{"limit at twice the middle", d.Points[0].Upper, 2 * c.Points[8].Upper, 1e-6}})
	m, err := multi.NewModel(c.Model.Frozen())
	if err != nil {
		t.Fatal(err)
	}
	d, err = multi.T2(rows[8:], multi.Options{Model: m, Simulation: multi.Simulation{Baselines: 20}})
	if err != nil {
		t.Fatal(err)
	}
	compare(t, []check{{"frozen T²", d.Points[0].Value, c.Points[8].Value, 1e-8}, {"frozen limit", d.Points[0].Upper, c.Points[8].Upper, 1e-6}})
}

// The simulated limit against a known one: with the sample covariance's own law
// PhaseI and PhaseII hold, and shrinking by nothing leaves it. Successive
// differences of two rows a time have no formula, but the standard error covers the
// spread between seeds.
func TestSimulatedLimits(t *testing.T) {
	rows := normals(rand.New(rand.NewPCG(6, 6)), 15, 2)
	var uppers []float64
	se := 0.0
	for seed := range 12 {
		c, err := multi.T2(rows, multi.Options{Kind: multi.Successive, Alpha: 0.02, Simulation: multi.Simulation{Seed: uint64(seed), Baselines: 400}})
		if err != nil {
			t.Fatal(err)
		}
		uppers = append(uppers, c.Points[0].Upper)
		se += c.LimitSE / 12
	}
	sum, sq := 0.0, 0.0
	for _, u := range uppers {
		sum, sq = sum+u, sq+u*u
	}
	sd := math.Sqrt((sq - sum*sum/12) / 11)
	// LimitSE is the larger of the two limits', that of new rows.
	if sd > 1.5*se || sd == 0 {
		t.Errorf("limits vary by %.4f between seeds, stated at most %.4f", sd, se)
	}
}

// The shrunk T² does not change when all columns are scaled alike, shifted, or
// turned; nor its limits.
func TestShrunkLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.IntRange(2, 9).Draw(t, "columns")
		n := rapid.IntRange(4, 12).Draw(t, "rows")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		rows := bandRows(rng, n, p, 0.9)
		scale := rapid.SampledFrom([]float64{-1e-100, 0.3, 1e100}).Draw(t, "scale")
		angle := rapid.Float64Range(0, 7).Draw(t, "angle")
		moved := make([][]float64, n)
		for i, r := range rows {
			x := append([]float64(nil), r...)
			x[0], x[1] = math.Cos(angle)*r[0]-math.Sin(angle)*r[1], math.Sin(angle)*r[0]+math.Cos(angle)*r[1]
			for j := range x {
				x[j] = scale * (x[j] + float64(j))
			}
			moved[i] = x
		}
		o := multi.Options{Kind: multi.Shrunk, Simulation: multi.Simulation{Baselines: 20}}
		a, errA := multi.T2(rows, o)
		b, errB := multi.T2(moved, o)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		if math.Abs(a.Model.Shrinkage-b.Model.Shrinkage) > 1e-9 {
			t.Fatalf("weight %v, moved %v", a.Model.Shrinkage, b.Model.Shrinkage)
		}
		for i, v := range values(a) {
			if w := b.Points[i]; math.Abs(v-w.Value) > 1e-7*(1+v) || math.Abs(a.Points[i].Upper-w.Upper) > 1e-6*w.Upper {
				t.Fatalf("point %+v, moved %+v", a.Points[i], w)
			}
		}
	})
}

// Columns of very different spread are warned about: shrinking would drown one.
func TestShrunkWarnsOfScales(t *testing.T) {
	rows := bandRows(rand.New(rand.NewPCG(7, 7)), 6, 8, 0.9)
	m, err := multi.Fit(rows, multi.Shrunk)
	if err != nil || m.Warnings != nil {
		t.Errorf("warnings %q, %v", m.Warnings, err)
	}
	column(rows, 3, func(r []float64) float64 { return 100 * r[3] })
	m, err = multi.Fit(rows, multi.Shrunk)
	if err != nil || len(m.Warnings) != 1 {
		t.Errorf("warnings %q, %v", m.Warnings, err)
	}
}
