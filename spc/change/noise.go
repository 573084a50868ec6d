package change

import "math"

// A noise is draws of n standard normals each, kept as running sums (n+1 long,
// from 0) and sums of squares. All tests of one stream share them, so that the
// indices of a set are judged by the same draws.
type noise struct {
	n, draws int
	sums     [][]float64
	squares  []float64
}

func newNoise(n, draws int, seed uint64) *noise {
	rng := newRand(seed)
	z := &noise{n: n, draws: draws, sums: make([][]float64, draws), squares: make([]float64, draws)}
	for b := range draws {
		s := make([]float64, n+1)
		for i := range n {
			v := rng.NormFloat64()
			s[i+1] = s[i] + v
			z.squares[b] += v * v
		}
		z.sums[b] = s
	}
	return z
}

// exceed counts the draws with a contrast as large as the given bound of the draw.
func (z *noise) exceed(known bool, bound func(sums []float64, squares float64) float64) int {
	n, hits := z.n, 0
	weight := weights(n, known)
	for b, s := range z.sums {
		limit := bound(s, z.squares[b]) * (1 - 1e-12)
		for j := range n {
			v := s[n] - s[j]
			if !known {
				v = s[n]*float64(j)/float64(n) - s[j]
			}
			if math.Abs(v*weight[j]) >= limit && weight[j] > 0 {
				hits++
				break
			}
		}
	}
	return hits
}

// weights returns what turns a running sum into a contrast.
func weights(n int, known bool) []float64 {
	w := make([]float64, n)
	for j := range n {
		switch {
		case known:
			w[j] = 1 / math.Sqrt(float64(n-j))
		case j > 0:
			w[j] = math.Sqrt(float64(n) / (float64(j) * float64(n-j)))
		}
	}
	return w
}

// A given is what the data tell under a change after value k: the contrast of
// every split is mean[j] plus weighted noise around the levels of k.
type given struct {
	k      int
	known  bool
	mean   []float64
	weight []float64
	sigma  float64 // 0: the noise has the sum of squares ss
	ss     float64
	most   float64 // largest contrast of the data
}

func (f *finder) given(k int, ss, most float64) given {
	n := len(f.y)
	g := given{k: k, known: f.known, mean: make([]float64, n), weight: weights(n, f.known), sigma: f.sigma, ss: ss, most: most * (1 - 1e-12)}
	for j := range n {
		g.mean[j] = f.c[k] * overlap(n, j, k, f.known)
	}
	return g
}

// overlap returns d_j·d_k.
func overlap(n, j, k int, known bool) float64 {
	if j > k {
		j, k = k, j
	}
	r := float64(n-k) / float64(n-j)
	if !known {
		r *= float64(j) / float64(k)
	}
	return math.Sqrt(r)
}

// beaten tells whether at least so many draws have a split as good as the best one
// of the data, which is what a change after value k would lead one to expect.
func (z *noise) beaten(g given, enough int) bool {
	hits := 0
	for b, s := range z.sums {
		if hits+z.draws-b < enough {
			return false
		}
		if g.reaches(s, z.squares[b]) {
			if hits++; hits >= enough {
				return true
			}
		}
	}
	return false
}

// reaches tells whether any contrast of the data set drawn reaches the largest of
// the real one. The noise is taken around the segment means: the sum of the first
// j residuals is s_j - j·(mean before) up to k and mirrored after it. With a known
// level before, the values before keep their noise.
func (g given) reaches(s []float64, squares float64) bool {
	n, k := len(s)-1, g.k
	before, after := 0.0, (s[n]-s[k])/float64(n-k)
	if !g.known {
		before = s[k] / float64(k)
	}
	factor := g.sigma
	if factor == 0 {
		free := squares - after*after*float64(n-k) - before*before*float64(k)
		factor = math.Sqrt(g.ss / free)
	}
	// Residual sums: up to k without the mean before, afterwards what is left of
	// the segment after; end is the sum over all.
	end := 0.0
	if g.known {
		end = s[k]
	}
	for j := range k {
		v := end - (s[j] - before*float64(j))
		if math.Abs(g.mean[j]+factor*g.weight[j]*v) >= g.most {
			return true
		}
	}
	for j := k; j < n; j++ {
		v := end - (end + s[j] - s[k] - after*float64(j-k))
		if math.Abs(g.mean[j]+factor*g.weight[j]*v) >= g.most {
			return true
		}
	}
	return false
}
