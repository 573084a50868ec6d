package budget

import (
	"math"
	"math/rand/v2"

	"alike/spc/sample"

	"gonum.org/v1/gonum/stat"
)

// Far limits depend greatly on skewness. A bass level that a pad seals well or less
// well, or a root mean square, reaches farther to one side: with the skewness 0.7 of
// such a stream a limit at five sigmas is crossed 400 times as often as by a normal one.
// A baseline of 30 units tells little of a single stream's skewness, so each stream's is
// known only with its uncertainty, and every simulated board draws from that.
//
// What is built alike has the same shape, so that the left and the right channel tell of
// one skewness together; the difference of two that are built alike has none.
//
// Prior: the skewness of most streams is within 0.15 or so of 0 and is taken to be
// 0; the others' is about 0, give or take 0.5. How many the others are is estimated from
// all streams of the baseline together, as if one of twenty had been seen before; and apart
// from them for the streams that lean by their nature, of which one of two had been. The
// numbers were chosen on the simulated workshop (testdata/study.txt), where ten of 98
// streams have a skewness of 0.3 to 0.8.
const (
	small  = 0.15
	spread = 0.5
	most   = 1.5 // skewness that the simulation goes along with
)

// A prior is how many skew groups were as if seen before, of how many.
type prior struct{ skew, of float64 }

var usual, leant = prior{1, 20}, prior{1, 2}

// A skew is what a baseline leaves open about the skewness of streams that are alike: 0
// with chance 1-share, else normal.
type skew struct {
	streams         []int
	share, mean, sd float64
}

// skews returns what is known about the skewness of each group of streams. Alike and lean
// are as in Options.
func skews(baseline [][]float64, alike []int, lean []bool) []skew {
	out := groups(alike, len(baseline[0]))
	odds := make([]float64, len(out)) // likelihood of skew against normal
	of := map[prior][]int{}
	for k, s := range out {
		var g float64
		for _, j := range s.streams {
			g += skewness(column(baseline, j)) / float64(len(s.streams))
		}
		noise := skewNoise(baseline, s.streams)
		flat, wide := small*small+noise, spread*spread+noise
		odds[k] = math.Sqrt(flat/wide) * math.Exp(g*g/2*(1/flat-1/wide))
		keep := spread * spread / wide
		out[k].mean, out[k].sd = g*keep, math.Sqrt(noise*keep)
		p := usual
		if lean != nil && lean[s.streams[0]] {
			p = leant
		}
		of[p] = append(of[p], k)
	}
	for p, ks := range of {
		p.shares(out, odds, ks)
	}
	return out
}

// shares estimates how many of the groups ks are skew, and with it each one's chance, by
// expectation and maximisation in turn.
func (p prior) shares(out []skew, odds []float64, ks []int) {
	share := p.skew / p.of
	for range 100 {
		sum := p.skew
		for _, k := range ks {
			out[k].share = 1
			if o := odds[k]; !math.IsInf(o, 1) {
				out[k].share = share * o / (share*o + 1 - share)
			}
			sum += out[k].share
		}
		share = sum / (float64(len(ks)) + p.of)
	}
}

// groups sorts streams by what they are alike with, in order of appearance.
func groups(alike []int, streams int) []skew {
	var out []skew
	at := map[int]int{}
	for j := range streams {
		if alike == nil {
			out = append(out, skew{streams: []int{j}})
			continue
		}
		g := alike[j]
		if g == 0 {
			continue
		}
		k, ok := at[g]
		if !ok {
			k = len(out)
			at[g], out = k, append(out, skew{})
		}
		out[k].streams = append(out[k].streams, j)
	}
	return out
}

// skewNoise is the variance of the mean sample skewness of normal streams: that of one
// for n values (Fisher 1930), and for two of correlation ρ the covariance ρ³ times that
// (exact for large n; both from memory).
func skewNoise(baseline [][]float64, streams []int) float64 {
	n := float64(len(baseline))
	one := 6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3))
	sum := 0.0
	for _, i := range streams {
		for _, j := range streams {
			r := 1.0
			if i != j {
				r = stat.Correlation(column(baseline, i), column(baseline, j), nil)
			}
			sum += r * r * r
		}
	}
	return one * math.Max(sum, 1) / float64(len(streams)*len(streams))
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
