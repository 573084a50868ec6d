package cause_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"alike/spc/cause"

	"pgregory.net/rapid"
)

// reference is testdata/reference.json, made by the script beside it with scipy and
// numpy.
type reference struct {
	Fits []struct {
		Columns [][]float64
		B, X    []float64
		Rest    float64
	}
	Rotations []struct {
		Values       []float64
		Labels       []string
		Split        int
		Explained, P float64
	}
}

func beside(t *testing.T) (r reference) {
	t.Helper()
	data, err := os.ReadFile("testdata/reference.json")
	if err == nil {
		err = json.Unmarshal(data, &r)
	}
	if err != nil || len(r.Fits) != 24 || len(r.Rotations) != 12 {
		t.Fatal(len(r.Fits), len(r.Rotations), err)
	}
	return r
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
		t.Errorf("%s: %v, want %v within %g", what, got, want, tol)
	}
}

// scipy.optimize.nnls.
func TestNonNegativeBesideScipy(t *testing.T) {
	for i, f := range beside(t).Fits {
		x, rest, err := cause.NonNegative(f.Columns, f.B)
		if err != nil {
			t.Fatal(i, err)
		}
		near(t, fmt.Sprint("rest ", i), rest, f.Rest, 1e-9)
		for j := range x {
			near(t, fmt.Sprint("x ", i, j), x[j], f.X[j], 1e-7)
		}
	}
}

func TestNonNegativeAtTheEdges(t *testing.T) {
	one := []float64{1, 2, 2}
	for _, tt := range []struct {
		name    string
		columns [][]float64
		b, x    []float64
		rest    float64
	}{
		{"nothing to fit", nil, []float64{3, 4}, nil, 5},
		{"nothing to explain", [][]float64{one}, []float64{0, 0, 0}, []float64{0}, 0},
		{"the other way", [][]float64{one}, []float64{-1, -2, -2}, []float64{0}, 3},
		{"a column of zeros", [][]float64{{0, 0, 0}, one}, []float64{2, 4, 4}, []float64{0, 2}, 0},
		{"the same twice", [][]float64{one, one}, []float64{2, 4, 4}, []float64{2, 0}, 0},
		{"more columns than rows", [][]float64{{1}, {2}, {-1}}, []float64{4}, []float64{4, 0, 0}, 0},
	} {
		x, rest, err := cause.NonNegative(tt.columns, tt.b)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		near(t, tt.name, rest, tt.rest, 1e-12)
		for j, v := range tt.x {
			near(t, tt.name, x[j], v, 1e-12)
		}
	}
}

// What makes x the least: it is not negative, no gradient points to more, and none
// differs from zero where x is above (Karush, Kuhn and Tucker).
func TestNonNegativeIsTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 12).Draw(t, "rows"), rapid.IntRange(0, 8).Draw(t, "cols")
		value := rapid.Map(rapid.IntRange(-9, 9), func(v int) float64 { return float64(v) / 4 })
		vector := rapid.SliceOfN(value, rows, rows)
		b := vector.Draw(t, "b")
		columns := make([][]float64, cols)
		for j := range columns {
			columns[j] = vector.Draw(t, "column")
		}
		x, rest, err := cause.NonNegative(columns, b)
		if err != nil {
			t.Fatal(err)
		}
		r := append([]float64(nil), b...)
		for j, c := range columns {
			if !(x[j] >= 0) {
				t.Fatalf("x = %v", x)
			}
			for i := range c {
				r[i] -= x[j] * c[i]
			}
		}
		size := 0.0
		for _, v := range r {
			size += v * v
		}
		if math.Abs(math.Sqrt(size)-rest) > 1e-9*(1+rest) {
			t.Fatalf("rest %v, want %v", rest, math.Sqrt(size))
		}
		for j, c := range columns {
			g := 0.0
			for i := range c {
				g += c[i] * r[i]
			}
			if g > 1e-7 || x[j] > 0 && g < -1e-7 {
				t.Fatalf("gradient %v at x = %v", g, x[j])
			}
		}
	})
}

func known5() []cause.Signature {
	var out []cause.Signature
	for _, k := range []string{"pad leak", "dense foam", "no plate", "weak magnet", "heavy cone"} {
		out = append(out, cause.Signature{Key: k, Words: k, Check: "look", Shape: faults[k]})
	}
	return out
}

func level(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

// A change put together of two faults comes apart into them, and what is put on one
// band remains there.
func TestMixTakesApart(t *testing.T) {
	sd := level(31, 0.3)
	change := make([]float64, 31)
	for i := range change {
		change[i] = 0.5*faults["pad leak"][i] + 2*faults["dense foam"][i]
	}
	m := cause.Mix(change, sd, known5())
	if len(m.Parts) != 2 || m.Parts[0].Key != "dense foam" || m.Parts[1].Key != "pad leak" || m.Bands != 31 {
		t.Fatalf("%+v", m.Parts)
	}
	near(t, "foam", m.Parts[0].Amount, 2, 1e-9)
	near(t, "pad", m.Parts[1].Amount, 0.5, 1e-9)
	near(t, "explained", m.Explained, 1, 1e-12)
	near(t, "shares", m.Parts[0].Share+m.Parts[1].Share, 1, 1e-12)
	change[28] += 3
	m = cause.Mix(change, sd, known5())
	if m.LeftAt != 28 || !(m.Left[28] > 2.5) || !(m.Explained < 0.98) {
		t.Errorf("left at %d: %v, explained %v", m.LeftAt, m.Left[28], m.Explained)
	}
}

func TestMixLeavesOutWhatItCannotUse(t *testing.T) {
	sd, change := level(31, 0.3), append([]float64(nil), faults["pad leak"]...)
	sd[0], sd[1], change[2] = math.NaN(), 0, math.NaN()
	m := cause.Mix(change, sd, known5())
	if m.Bands != 28 || len(m.Parts) != 1 || m.Parts[0].Key != "pad leak" {
		t.Fatalf("%d bands, %+v", m.Bands, m.Parts)
	}
	if !math.IsNaN(m.Left[0]) || !math.IsNaN(m.Left[1]) || !math.IsNaN(m.Left[2]) || math.IsNaN(m.Left[3]) {
		t.Errorf("left %v", m.Left[:4])
	}
	none := cause.Mix(level(31, 0), level(31, 0), known5())
	if none.Bands != 0 || none.LeftAt != -1 || none.Explained != 0 || none.Parts != nil {
		t.Errorf("%+v", none)
	}
	up := make([]float64, 31)
	for i, v := range faults["pad leak"] {
		up[i] = -v
	}
	if m := cause.Mix(up, level(31, 0.3), known5()[:1]); m.Parts != nil || m.Explained != 0 {
		t.Errorf("a leak does not raise bass: %+v", m.Parts)
	}
}

// Scaling the change scales the amounts; scaling sd changes nothing.
func TestMixScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		scale := rapid.Float64Range(0.01, 100).Draw(t, "scale")
		weight := rapid.Float64Range(0.01, 100).Draw(t, "weight")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		change, times := make([]float64, 31), make([]float64, 31)
		for i := range change {
			change[i] = faults["no plate"][i] + 0.2*rng.NormFloat64()
			times[i] = scale * change[i]
		}
		a, b := cause.Mix(change, level(31, 0.3), known5()), cause.Mix(times, level(31, 0.3*weight), known5())
		if len(a.Parts) != len(b.Parts) || math.Abs(a.Explained-b.Explained) > 1e-9 {
			t.Fatalf("%+v\n%+v", a.Parts, b.Parts)
		}
		sum := 0.0
		for i, p := range a.Parts {
			sum += p.Share
			if math.Abs(p.Amount*scale-b.Parts[i].Amount) > 1e-9*scale {
				t.Fatalf("%v, %v", p.Amount*scale, b.Parts[i].Amount)
			}
		}
		if math.Abs(sum-a.Explained) > 1e-9 {
			t.Fatalf("shares add up to %v, explained %v", sum, a.Explained)
		}
	})
}

func TestConfusable(t *testing.T) {
	all := known5()
	twin := append([]float64(nil), faults["pad leak"]...)
	for i := range twin {
		twin[i] = 1.5*twin[i] + 0.02*float64(i%3)
	}
	all = append(all, cause.Signature{Key: "glue gap", Words: "glue gap", Shape: twin})
	sd := level(31, 0.3)
	got := cause.Confusable(sd, all)
	if len(got) != 1 || got[0].A != "pad leak" || got[0].B != "glue gap" || !(got[0].Share > 0.99 && got[0].Share < 1) {
		t.Fatalf("%+v", got)
	}
	// So many units of the first fault leave by the second a remainder of √n·|rest|/sd;
	// half of it must be 1.96, the normal quantile.
	m := cause.Mix(faults["pad leak"], sd, all[5:])
	rest := 0.0
	for _, v := range m.Left {
		rest += v * v / 0.09
	}
	if n := got[0].Units; !(math.Sqrt(n*rest)/2 >= 1.9599 && math.Sqrt((n-1)*rest)/2 < 1.96) {
		t.Errorf("%v units for a remainder of %v", n, rest)
	}
	same := []cause.Signature{{Key: "a", Shape: []float64{1, 2}}, {Key: "b", Shape: []float64{2, 4}}, {Key: "c", Shape: []float64{-1, -2}}, {Key: "d", Shape: []float64{0, 0}}}
	if got := cause.Confusable([]float64{1, 1}, same); len(got) != 1 || got[0].B != "b" || !math.IsInf(got[0].Units, 1) {
		t.Errorf("%+v", got)
	}
}

// The rotation test by brute force in numpy.
func TestCoincideBesideNumpy(t *testing.T) {
	for i, r := range beside(t).Rotations {
		got, err := cause.Coincide(r.Values, r.Split, nil, []cause.Factor{{Key: "k", Labels: r.Labels}})
		if err != nil || len(got) != 1 {
			t.Fatal(i, got, err)
		}
		near(t, fmt.Sprint("explained ", i), got[0].Explained, r.Explained, 1e-12)
		near(t, fmt.Sprint("p ", i), got[0].P, r.P, 1e-12)
	}
}

func labels(n int, edges ...int) []string {
	out := make([]string, n)
	k := 0
	for i := range out {
		for k < len(edges) && i >= edges[k] {
			k++
		}
		out[i] = fmt.Sprint("B", k)
	}
	return out
}

func TestCoincideRanks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	n, split := 100, 60
	values := make([]float64, n)
	for i := range values {
		values[i] = 0.5 * rng.NormFloat64()
		if i >= split {
			values[i] += 2
		}
	}
	got, err := cause.Coincide(values, split, []int{59, 60, 61}, []cause.Factor{
		{"far", labels(n, 20)}, {"near", labels(n, 66)}, {"culprit", labels(n, 60)},
		{"often", labels(n, 8, 16, 24, 32, 40, 48, 56, 64, 72, 80, 88, 96)}, {"never", labels(n)}, {"unknown", make([]string, n)},
	})
	if err != nil || len(got) != 4 {
		t.Fatal(got, err)
	}
	var order []string
	for _, c := range got {
		order = append(order, c.Key)
	}
	if order[0] != "culprit" || order[1] != "near" {
		t.Errorf("order %v", order)
	}
	c := got[0]
	if c.P != 0.01 || c.At != 60 || c.From != "B0" || c.To != "B1" || !c.Within || c.Adjusted != 0.04 || c.Units != 100 || c.Labels != 2 {
		t.Errorf("%+v", c)
	}
	if got[1].Within || got[1].At != 66 || !(got[1].P > c.P) {
		t.Errorf("%+v", got[1])
	}
	for _, bad := range []struct {
		values []float64
		split  int
		want   string
	}{
		{values[:7], 3, "at least 8"}, {level(20, 1), 3, "do not vary"}, {values, 100, "not among"}, {values, -1, "not among"},
		{append([]float64{math.NaN()}, values...), 3, "value 1"},
	} {
		if _, err := cause.Coincide(bad.values, bad.split, nil, nil); err == nil || !strings.Contains(err.Error(), bad.want) {
			t.Errorf("%v, want %q", err, bad.want)
		}
	}
}

// A batch that begins anywhere is called a coincidence at 5 % in 5 % of streams at
// most, however the values hang together: here a step, at which a free permutation
// would fire in most.
func TestCoincideKeepsItsLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, runs = 60, 4000
	hits := 0
	values := make([]float64, n)
	for range runs {
		at := rng.IntN(n)
		for i := range values {
			values[i] = rng.NormFloat64()
			if (i-at+n)%n < n/2 {
				values[i] += 3
			}
		}
		edge := rng.IntN(n)
		f := make([]string, n)
		for i := range f {
			f[i] = fmt.Sprint((i-edge+n)%n < 20)
		}
		c, err := cause.Coincide(values, 1, nil, []cause.Factor{{"f", f}})
		if err != nil {
			t.Fatal(err)
		}
		if c[0].P <= 0.05 {
			hits++
		}
	}
	// 0.05 has a standard error of 0.0034.
	if share := float64(hits) / runs; share > 0.061 || share < 0.035 {
		t.Errorf("fires in %v", share)
	}
}
