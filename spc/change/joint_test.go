package change

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// drawRows returns n rows of d bands with neighbouring correlation rho, heavy
// tails when nu is small (Student's t), and after k a step of the given size that
// falls off over the bands.
func drawRows(rng *rand.Rand, n, d, k int, size, rho, nu float64) [][]float64 {
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = make([]float64, d)
		chi := 1.0
		if !math.IsInf(nu, 1) {
			chi = 0
			for range int(nu) {
				v := rng.NormFloat64()
				chi += v * v / nu
			}
		}
		last := rng.NormFloat64()
		for b := range d {
			if b > 0 {
				last = rho*last + math.Sqrt(1-rho*rho)*rng.NormFloat64()
			}
			rows[i][b] = last / math.Sqrt(chi)
			if i >= k {
				rows[i][b] += size * math.Exp(-float64(b)/float64(d)*3)
			}
		}
	}
	return rows
}

type jointCase struct {
	rows, cov, shrunk [][]float64
	stat              map[int]float64
	best              int
	lambda, exact     float64
}

func jointCases(t *testing.T) map[string]*jointCase {
	cases := map[string]*jointCase{}
	for _, r := range table(t, "joint.csv") {
		c := cases[r[1]]
		if c == nil {
			c = &jointCase{stat: map[int]float64{}}
			cases[r[1]] = c
		}
		v := numbers(t, r[2:])
		switch r[0] {
		case "row":
			c.rows = append(c.rows, v)
		case "cov":
			c.cov = append(c.cov, v)
		case "shrunk":
			c.shrunk = append(c.shrunk, v)
		case "stat":
			c.stat[int(v[0])] = v[1]
		case "best":
			c.best = int(v[0])
		case "lambda":
			c.lambda = v[0]
		case "exact":
			c.exact = v[0]
		}
	}
	return cases
}

func symmetric(rows [][]float64) *mat.SymDense {
	m := mat.NewSymDense(len(rows), nil)
	for i := range rows {
		for j := range i + 1 {
			m.SetSym(i, j, rows[i][j])
		}
	}
	return m
}

// Statistics by explicit Mahalanobis distances, shrinkage and an exact permutation
// p-value, all by numpy beside (testdata/joint.py).
func TestJointComputedBeside(t *testing.T) {
	cases := jointCases(t)
	c := cases["given"]
	cov := symmetric(c.cov)
	for _, tt := range []struct {
		name   string
		before []float64
		want   map[int]float64
	}{{"unknown level", nil, c.stat}, {"known level", []float64{90, 90, 90, 90, 90}, cases["level"].stat}} {
		f, err := newJointFinder(c.rows, JointOptions{Covariance: cov, Before: tt.before})
		if err != nil {
			t.Fatal(err)
		}
		if len(tt.want) != len(c.rows)-f.first() {
			t.Fatalf("%d statistics", len(tt.want))
		}
		for index, w := range tt.want {
			near(t, tt.name, f.stat[index-1], w, 1e-8*w)
		}
	}
	s, err := FindJoint(c.rows, JointOptions{Covariance: cov})
	if err != nil {
		t.Fatal(err)
	}
	if s.Index != c.best || s.N != 30 || s.Bands != 5 || s.Shrinkage != 0 {
		t.Errorf("%+v, want index %d", s, c.best)
	}
	mean := 0.0
	for _, r := range c.rows[:s.Index-1] {
		mean += r[1] / float64(s.Index-1)
	}
	near(t, "before in band 2", s.Before[1], mean, 1e-9)
	near(t, "difference", s.Difference[1], s.After[1]-s.Before[1], 1e-12)
	near(t, "error", s.Error[1], math.Sqrt(c.cov[1][1]*(1/float64(s.Index-1)+1/float64(31-s.Index))), 1e-9)

	f, err := newJointFinder(c.rows, JointOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shrinkage", f.shrinkage, c.lambda, 1e-9)
	shrunk, _, err := Shrink(f.centre(c.rows))
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.shrunk {
		for j := range c.shrunk {
			near(t, "shrunk covariance", shrunk.At(i, j), c.shrunk[i][j], 1e-9)
		}
	}

	tiny := cases["tiny"]
	s, err = FindJoint(tiny.rows, JointOptions{Covariance: symmetric(tiny.cov), Draws: 20000})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "p of five rows", s.P, tiny.exact, 4*math.Sqrt(tiny.exact*(1-tiny.exact)/20000))
}

// One band is the ordinary case.
func TestOneBandAgreesWithFind(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	agree := 0
	for range 30 {
		xs := stream(rng, 40, 22, 1.5)
		rows := make([][]float64, len(xs))
		for i, x := range xs {
			rows[i] = []float64{x}
		}
		a, err := Find(xs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := FindJoint(rows, JointOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if a.Index != b.Index || math.Abs(a.After-b.After[0]) > 1e-12 {
			t.Fatalf("%+v against %+v", a, b)
		}
		if math.Abs(float64(len(a.Set)-len(b.Set))) <= 2 {
			agree++
		}
	}
	// The sets come from different tests (normal draws, permutations).
	if agree < 26 {
		t.Errorf("sets of about one size in %d of 30", agree)
	}
}

// The joint set holds the truth as often as it says: estimated covariance, more
// bands than rows, heavy tails; and the test keeps its level.
func TestJointCoverage(t *testing.T) {
	level := func(d int) []float64 { return make([]float64, d) }
	for _, tt := range []struct {
		name      string
		n, d, k   int
		size, rho float64
		nu        float64
		before    bool
	}{
		{"few bands", 30, 5, 12, 1, 0.6, math.Inf(1), false},
		{"more bands than rows", 20, 31, 8, 1.5, 0.8, math.Inf(1), false},
		{"no step to speak of", 30, 5, 12, 0.2, 0.6, math.Inf(1), false},
		{"heavy tails", 30, 8, 20, 1, 0.6, 3, false},
		{"known level", 30, 8, 12, 1, 0.6, math.Inf(1), true},
		{"known level, early", 20, 8, 2, 1, 0.6, math.Inf(1), true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(uint64(tt.n), uint64(tt.d)))
			const runs = 500
			in, alarms, near := 0, 0, 0
			for range runs {
				o := JointOptions{Draws: 99, Seed: rng.Uint64()}
				if tt.before {
					o.Before = level(tt.d)
				}
				f, err := newJointFinder(drawRows(rng, tt.n, tt.d, tt.k, tt.size, tt.rho, tt.nu), o)
				if err != nil {
					t.Fatal(err)
				}
				if f.allows(tt.k) {
					in++
				}
				if d := f.best - tt.k; d*d <= 4 {
					near++
				}
				f, err = newJointFinder(drawRows(rng, tt.n, tt.d, tt.n, 0, tt.rho, tt.nu), o)
				if err != nil {
					t.Fatal(err)
				}
				if f.p() <= 0.05 {
					alarms++
				}
			}
			t.Logf("held %d, false alarms %d, within two of the truth %d of %d", in, alarms, near, runs)
			if in < 458 || alarms > 42 {
				t.Errorf("held %d, false alarms %d of %d", in, alarms, runs)
			}
		})
	}
}

// With a known level, rows that were all off it from the first are found: nothing
// but mirroring at the level can show that.
func TestAllRowsOffTheKnownLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	for range 5 {
		rows := drawRows(rng, 20, 6, 0, 2, 0.5, math.Inf(1))
		s, err := FindJoint(rows, JointOptions{Before: make([]float64, 6)})
		if err != nil || s.Index > 3 || s.P > 0.01 {
			t.Errorf("index %d, p %v, %v", s.Index, s.P, err)
		}
		if s.Set[0] != 1 || s.Set[len(s.Set)-1] > 15 {
			t.Errorf("set %v", s.Set)
		}
	}
}

// Bands together find a step that single bands do not: one sigma in each of ten
// independent bands, 30 rows.
func TestBandsTogetherSeeMore(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	joint, single, size := 0, 0, 0
	for range 60 {
		rows := drawRows(rng, 30, 10, 15, 0, 0, math.Inf(1))
		xs := make([]float64, 30)
		for i := range rows {
			for b := range rows[i] {
				if i >= 15 {
					rows[i][b]++
				}
			}
			xs[i] = rows[i][0]
		}
		s, err := FindJoint(rows, JointOptions{Draws: 99})
		if err != nil {
			t.Fatal(err)
		}
		size += len(s.Set)
		if s.Index == 16 {
			joint++
		}
		u, err := Find(xs, Options{Draws: 99})
		if err != nil {
			t.Fatal(err)
		}
		if u.Index == 16 {
			single++
		}
	}
	t.Logf("exactly right: together %d, alone %d of 60; mean set %.1f", joint, single, float64(size)/60)
	if joint < 40 || single > 35 || size > 60*4 {
		t.Errorf("exactly right: together %d, alone %d of 60; mean set %.1f", joint, single, float64(size)/60)
	}
}

// Exact multiples of 1/64 on top of 1e12 give the same answer to the last digit.
func TestJointAtLargeLevel(t *testing.T) {
	rows := drawRows(rand.New(rand.NewPCG(6, 2)), 20, 3, 9, 2, 0.5, math.Inf(1))
	moved := make([][]float64, len(rows))
	for i := range rows {
		for b := range rows[i] {
			rows[i][b] = math.Round(rows[i][b]*64) / 64
			moved[i] = append(moved[i], rows[i][b]+1e12)
		}
	}
	a, err := FindJoint(rows, JointOptions{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := FindJoint(moved, JointOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if a.Index != b.Index || a.P != b.P || !slices.Equal(a.Set, b.Set) || a.Shrinkage != b.Shrinkage {
		t.Errorf("%+v became %+v", a, b)
	}
}
