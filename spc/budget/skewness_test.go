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
	for j, s := range skews(base, nil, nil) {
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
			for _, s := range skews(correlated(rng, n, 40, 0.3), nil, nil) {
				sum += s.share / 40 / 50
			}
		}
		if sum > 0.15 {
			t.Errorf("%d units: share %.3f", n, sum)
		}
	}
}

// What is built alike tells of one skewness together: two streams that are the same tell
// no more than one, two independent ones have half the noise, and a difference has none.
func TestSkewsOfStreamsBuiltAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	base := correlated(rng, 60, 5, 0)
	for _, r := range base {
		r[1] = r[0]
	}
	got := skews(base, []int{1, 1, 2, 2, 0}, nil)
	one := skews(base, []int{1, 0, 0, 0, 0}, nil)
	if len(got) != 2 || len(one) != 1 || len(skews(base, nil, nil)) != 5 {
		t.Fatalf("%+v %+v", got, one)
	}
	if math.Abs(got[0].mean-one[0].mean) > 1e-9 || math.Abs(got[0].sd-one[0].sd) > 1e-9 {
		t.Errorf("a stream twice: %+v, once: %+v", got[0], one[0])
	}
	if !(got[1].sd < 0.85*got[0].sd) {
		t.Errorf("two independent streams leave %.3f open, one %.3f", got[1].sd, got[0].sd)
	}
}

// The noise of the mean skewness of two correlated normal streams, beside simulation.
func TestSkewNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	const n, count = 60, 4000
	for _, rho := range []float64{0, 0.8} {
		noise, square := 0.0, 0.0
		for range count {
			base := correlated(rng, n, 2, rho)
			g := (skewness(column(base, 0)) + skewness(column(base, 1))) / 2
			noise, square = noise+skewNoise(base, []int{0, 1})/count, square+g*g/count
		}
		if math.Abs(noise/square-1) > 0.09 { // se 2.5 % and the finite n
			t.Errorf("correlation %v: %.4f, simulated %.4f", rho, noise, square)
		}
	}
}

// Streams that lean by nature are thought skew on less evidence, and the others are
// judged apart from them.
func TestSkewsOfLeaningStreams(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	base := correlated(rng, 60, 40, 0)
	lean := make([]bool, 40)
	for _, r := range base {
		for j := range 8 {
			r[j] = math.Exp(0.2 * r[j]) // skewness 0.61
		}
	}
	mean := func(lean []bool, from, to int) (share float64) {
		for _, s := range skews(base, nil, lean)[from:to] {
			share += s.share / float64(to-from)
		}
		return share
	}
	before, others := mean(nil, 0, 8), mean(nil, 8, 40)
	for j := range 8 {
		lean[j] = true
	}
	if after := mean(lean, 0, 8); after < before+0.1 {
		t.Errorf("share %.2f when they are known to lean, %.2f before", after, before)
	}
	if after := mean(lean, 8, 40); after > others {
		t.Errorf("the others: share %.3f beside streams known to lean, %.3f before", after, others)
	}
}
