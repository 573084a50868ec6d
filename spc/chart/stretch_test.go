package chart_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"alike/spc/chart"

	"gonum.org/v1/gonum/stat/distuv"
)

// Published chances of the rules at one point of a known process: the normal
// tails, 2/n! rising or falling (n! orders), 2·Eₙ/n! alternating with the zigzag
// numbers (Nelson 1984 prints 0.0046 for fourteen; OEIS A000111 for E₁₄).
func TestChanceOfPublishedRules(t *testing.T) {
	inf := math.Inf(1)
	p1 := 2*distuv.UnitNormal.CDF(1) - 1
	want := map[chart.Key]float64{
		chart.Beyond:      2 * distuv.UnitNormal.CDF(-3),
		chart.SameSide:    1.0 / 256,
		chart.Trend:       2.0 / 720,
		chart.Alternating: 2 * 199360981.0 / 87178291200,
		chart.Hugging:     math.Pow(p1, 15),
		chart.Avoiding:    math.Pow(1-p1, 8),
	}
	for _, r := range chart.Nelson() {
		w, ok := want[r.Key]
		if !ok {
			continue
		}
		if got := chart.Chance(r, inf, inf); math.Abs(got/w-1) > 1e-9 {
			t.Errorf("%s: %.8g, want %.8g", r.Key, got, w)
		}
	}
}

// With centre and sigma from a baseline, beyond is a t tail when sigma is the
// standard deviation: P(|x-x̄| > w·s) = 2·P(t > w/√(1+1/n)) with n-1 degrees of
// freedom (prediction interval of one value, any handbook).
func TestBeyondIsAPredictionInterval(t *testing.T) {
	for _, n := range []float64{5, 20, 60} {
		for _, alpha := range []float64{0.01, 1e-4, 1e-6} {
			rules, err := chart.Stretched(alpha, n, n-1)
			if err != nil {
				t.Fatal(err)
			}
			want := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(1-alpha/2) * math.Sqrt(1+1/n)
			if got := rules[0].Width; math.Abs(got/want-1) > 2e-4 {
				t.Errorf("n=%v alpha=%v: width %.5f, want %.5f", n, alpha, got, want)
			}
		}
	}
}

// Every stretched rule keeps its chance, over many baselines, on simulated
// streams: a test of the integrals and of the reader together. Baselines of 20.
func TestStretchedRulesKeepTheirChance(t *testing.T) {
	const n, alpha, baselines, units = 20, 2e-3, 4000, 300
	e := chart.Estimate{}
	rng := rand.New(rand.NewPCG(21, 4))
	base := make([]float64, n)
	var fired [8]float64
	var square [8]float64
	var points float64
	var rules []chart.Rule
	for range baselines {
		for i := range base {
			base[i] = rng.NormFloat64()
		}
		var err error
		if e, err = chart.EstimateFrom(base); err != nil {
			t.Fatal(err)
		}
		if rules == nil {
			if rules, err = chart.Stretched(alpha, n, e.Freedom); err != nil {
				t.Fatal(err)
			}
		}
		d := chart.NewReader(rules)
		var hits [8]float64
		for u := range units {
			bits := d.Push((rng.NormFloat64() - e.Center) / e.Sigma)
			if u < 40 { // windows filled
				continue
			}
			points++
			for i := range rules {
				hits[i] += float64(bits >> i & 1)
			}
		}
		for i, h := range hits {
			fired[i] += h
			square[i] += h * h
		}
	}
	for i, r := range rules {
		rate := fired[i] / points
		mean := fired[i] / baselines
		se := math.Sqrt((square[i]/baselines-mean*mean)/baselines) / (units - 40)
		want := chart.Chance(r, n, e.Freedom)
		// The chi-square stands in for the moving range's own law: 15 % allowed.
		if math.Abs(rate-want) > 4*se+0.15*want {
			t.Errorf("%s (%d of %d, width %.3f): fired at %.5f of points, want %.5f (se %.5f)", r.Key, r.Count, r.Of, r.Width, rate, want, se)
		}
		if want > alpha*(1+1e-6) || r.Width > 0 && r.Key != chart.Hugging && r.Key != chart.Avoiding && want < 0.999*alpha {
			t.Errorf("%s: chance %.6f for alpha %v", r.Key, want, alpha)
		}
	}
}

func TestStretchedRefuses(t *testing.T) {
	for _, tt := range [][3]float64{{0, 20, 10}, {0.2, 20, 10}, {math.NaN(), 20, 10}, {0.01, 1, 10}, {0.01, 20, 0}, {0.01, math.NaN(), 3}} {
		if _, err := chart.Stretched(tt[0], tt[1], tt[2]); err == nil {
			t.Errorf("%v accepted", tt)
		}
	}
}

func BenchmarkStretched(b *testing.B) {
	for b.Loop() {
		if _, err := chart.Stretched(2.5e-6, 40, 24); err != nil {
			b.Fatal(err)
		}
	}
}
