package budget

import (
	"math"
	"math/rand/v2"

	"alike/spc/sample"
)

// Far limits depend greatly on skewness. A bass level that a pad seals well or less
// well, or a root mean square, reaches farther to one side: with the skewness 0.7 of
// such a stream a limit at five sigmas is crossed 400 times as often as by a normal one.
// A baseline of 30 units tells little of a single stream's skewness, so each stream's is
// known only with its uncertainty, and every simulated board draws from that.
//
// Prior: the skewness of most streams is within 0.15 or so of 0 and is taken to be
// 0; the others' is about 0, give or take 0.5. How many the others are is estimated from
// all streams of the baseline together, as if two of twenty had been seen before. The
// numbers were chosen on the simulated workshop (testdata/study.txt), where ten of 98
// streams have a skewness of 0.3 to 0.8.
const (
	small  = 0.15
	spread = 0.5
	seen   = 2.0 // skew streams
	before = 20.0
	most   = 1.5 // skewness that the simulation goes along with
)

// A skew is what a baseline leaves open about one stream's skewness: 0 with chance
// 1-share, else normal.
type skew struct{ share, mean, sd float64 }

// skews returns what is known about each stream's skewness.
func skews(baseline [][]float64) []skew {
	n := float64(len(baseline))
	// Variance of the sample skewness of n normal values (Fisher 1930; from memory).
	noise := 6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3))
	flat, wide := small*small+noise, spread*spread+noise
	keep := spread * spread / wide
	odds := make([]float64, len(baseline[0])) // likelihood of skew against normal
	out := make([]skew, len(odds))
	for j := range out {
		g := skewness(column(baseline, j))
		odds[j] = math.Sqrt(flat/wide) * math.Exp(g*g/2*(1/flat-1/wide))
		out[j] = skew{mean: g * keep, sd: math.Sqrt(noise * keep)}
	}
	share := seen / before
	for range 100 {
		sum := 0.0
		for j, o := range odds {
			out[j].share = 1
			if !math.IsInf(o, 1) {
				out[j].share = share * o / (share*o + 1 - share)
			}
			sum += out[j].share
		}
		share = (sum + seen) / (float64(len(odds)) + before)
	}
	return out
}

// skewness is the sample skewness corrected for n.
func skewness(xs []float64) float64 {
	n, m := float64(len(xs)), sample.Mean(xs)
	s2, s3 := 0.0, 0.0
	for _, x := range xs {
		d := x - m
		s2, s3 = s2+d*d, s3+d*d*d
	}
	return s3 / n / math.Pow(s2/n, 1.5) * math.Sqrt(n*(n-1)) / (n - 2)
}

// A bend makes a standard normal value skew: (x + c(x²-1))/√(1+2c²), which has mean 0
// and variance 1.
type bend struct{ c, scale float64 }

// bend draws one skewness and returns the bend that has it.
func (s skew) bend(rng *rand.Rand) bend {
	if rng.Float64() >= s.share {
		return bend{0, 1}
	}
	want := math.Max(-most, math.Min(most, s.mean+s.sd*rng.NormFloat64()))
	// (6c + 8c³)/(1+2c²)^1.5 = want; it grows with c, and is 1.96 at 1/2.
	lo, hi := 0.0, 0.5
	for range 30 {
		c := (lo + hi) / 2
		if (6*c+8*c*c*c)/math.Pow(1+2*c*c, 1.5) < math.Abs(want) {
			lo = c
		} else {
			hi = c
		}
	}
	return bend{math.Copysign(lo, want), 1 / math.Sqrt(1+2*lo*lo)}
}

func (b bend) of(x float64) float64 { return (x + b.c*(x*x-1)) * b.scale }
