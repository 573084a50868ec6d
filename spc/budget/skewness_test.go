package budget

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// scipy 1.10.1: scipy.stats.skew([156, 162, 168, 182, 186, 190, 190, 196, 202, 210, 214,
// 220, 226, 230, 230, 236, 236, 242, 246, 270], bias=False).
func TestSkewness(t *testing.T) {
	xs := []float64{156, 162, 168, 182, 186, 190, 190, 196, 202, 210, 214, 220, 226, 230, 230, 236, 236, 242, 246, 270}
	if got, want := skewness(xs), -0.04881231857245566; math.Abs(got-want) > 1e-12 {
		t.Errorf("%.16g, want %.16g", got, want)
	}
}

// A bend has mean 0, variance 1 and the skewness drawn, by quadrature over the normal
// density.
func TestBendHasItsMoments(t *testing.T) {
	normal := distuv.UnitNormal
	for _, want := range []float64{-1.5, -0.7, -0.1, 0, 0.3, 0.66, 1.2, 1.5} {
		b := skew{share: 1, mean: want}.bend(rand.New(rand.NewPCG(1, 1)))
		for power, moment := range []float64{1, 0, 1, want} {
			got := quad.Fixed(func(x float64) float64 { return math.Pow(b.of(x), float64(power)) * normal.Prob(x) }, -9, 9, 400, nil, 0)
			if math.Abs(got-moment) > 1e-7 {
				t.Errorf("skewness %v: moment %d is %v, want %v", want, power, got, moment)
			}
		}
	}
}

// Of 40 streams with 200 units four are exponential (skewness 2): they are known to be
// skew, and few of the others are thought so.
func TestSkewsFindsTheSkewStreams(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	base := correlated(rng, 200, 40, 0.3)
	for _, r := range base {
		for j := range 4 {
			r[10*j] = rng.ExpFloat64()
		}
	}
	others := 0.0
	for j, s := range skews(base) {
		if j%10 == 0 {
			if s.share < 0.99 || math.Abs(s.mean-2) > 0.8 {
				t.Errorf("stream %d: %+v", j, s)
			}
			continue
		}
		others += s.share / 36
	}
	if others > 0.15 {
		t.Errorf("normal streams are thought skew with chance %.2f", others)
	}
}

// Nothing but normal streams: little more is thought skew than the prior says, also from
// few units.
func TestSkewsOfNormalStreams(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for _, n := range []int{10, 30, 200} {
		sum := 0.0
		for range 50 {
			for _, s := range skews(correlated(rng, n, 40, 0.3)) {
				sum += s.share / 40 / 50
			}
		}
		if sum > 0.15 {
			t.Errorf("%d units: share %.3f", n, sum)
		}
	}
}
