package chart_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"alike/spc/chart"
)

// The work of a whole board, as testdata/beside_numpy.py does it too: 72 streams of
// 100 000 units, limits from the first 50. The script gives both the same numbers and
// compares the signals found; alone the benchmark draws its own.
const besideStreams, besideUnits, besideBase = 72, 100_000, 50

func beside(b *testing.B) [][]float64 {
	b.Helper()
	out := make([][]float64, besideStreams)
	rng := rand.New(rand.NewPCG(1, 2))
	raw, err := os.ReadFile(os.Getenv("ALIKE_BESIDE"))
	if err != nil && os.Getenv("ALIKE_BESIDE") != "" {
		b.Fatal(err)
	}
	for i := range out {
		out[i] = make([]float64, besideUnits)
		for j := range out[i] {
			if raw == nil {
				out[i][j] = rng.NormFloat64()
				continue
			}
			out[i][j] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*(i*besideUnits+j):]))
		}
	}
	return out
}

func BenchmarkBeside(b *testing.B) {
	data := beside(b)
	run := func(name string, stream func(xs []float64) (signals int)) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			signals := 0
			for b.Loop() {
				signals = 0
				for _, xs := range data {
					signals += stream(xs)
				}
			}
			b.ReportMetric(float64(signals), "signals")
			b.ReportMetric(besideStreams*besideUnits*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
	estimate := func(xs []float64) chart.Estimate {
		e, err := chart.EstimateFrom(xs[:besideBase])
		if err != nil {
			b.Fatal(err)
		}
		return e
	}
	run("individuals", func(xs []float64) (signals int) {
		e := estimate(xs)
		lower, upper := e.Center-3*e.Sigma, e.Center+3*e.Sigma
		for _, x := range xs {
			if x < lower || x > upper {
				signals++
			}
		}
		return signals
	})
	run("ewma", func(xs []float64) (signals int) {
		e := estimate(xs)
		c, err := chart.EWMA(xs, chart.EWMAOptions{Center: &e.Center, Sigma: &e.Sigma, Lambda: 0.2, Width: 3})
		if err != nil {
			b.Fatal(err)
		}
		for _, p := range c.Points {
			signals += len(p.Signals)
		}
		return signals
	})
	run("rules", func(xs []float64) (signals int) {
		e := estimate(xs)
		d := chart.NewReader(chart.Nelson())
		for _, x := range xs {
			for fired := d.Push((x - e.Center) / e.Sigma); fired != 0; fired &= fired - 1 {
				signals++
			}
		}
		return signals
	})
}
