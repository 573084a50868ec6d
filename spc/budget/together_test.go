package budget

import (
	"math"
	"math/rand/v2"
	"testing"

	"alike/spc/chart"
	"alike/spc/multi"
)

// firstOfAll is firstAlarm with the chart of all streams together beside the rules; it
// says whether that one was first.
func firstOfAll(base [][]float64, r Result, next func() []float64) (units int, together bool) {
	streams := len(base[0])
	z := make([]float64, streams)
	centers, sigmas, readers := make([]float64, streams), make([]float64, streams), make([]*chart.Reader, streams)
	for j := range streams {
		e, err := chart.EstimateFrom(column(base, j))
		if err != nil {
			panic(err)
		}
		centers[j], sigmas[j], readers[j] = e.Center, e.Sigma, chart.NewReader(r.Rules)
	}
	whole := r.Together.NewReader()
	for n := 1; ; n++ {
		fired := false
		for j, x := range next() {
			z[j] = (x - centers[j]) / sigmas[j]
			fired = readers[j].Push(z[j]) != 0 || fired
		}
		if over := whole.Push(z) >= r.Limit; fired || over || n == 100_000 {
			return n, over && !fired
		}
	}
}

// The promise holds for all rules and the chart of all streams together, and that one has
// no more than its share of first alarms. 400 runs are read by readers of their own.
func TestBoardsWithAllStreamsTogetherKeepTheirRunLength(t *testing.T) {
	const every, boards, streams, units = 60.0, 100, 16, 40
	rng := rand.New(rand.NewPCG(12, 1))
	var sum, square, first float64
	for i := range boards {
		base := correlated(rng, units, streams, 0.5)
		r, err := Calibrate(t.Context(), base, Options{Every: every, Histories: 150, Seed: uint64(i), Together: true})
		if err != nil {
			t.Fatal(err)
		}
		for range 4 {
			n, whole := firstOfAll(base, r, func() []float64 { return correlated(rng, 1, streams, 0.5)[0] })
			sum, square = sum+float64(n)/4, square+float64(n*n)/4
			if whole {
				first++
			}
		}
	}
	mean := sum / boards
	se := math.Sqrt((square/boards - mean*mean) / boards)
	t.Logf("mean run length %.1f (se %.1f), asked %v; first alarm by all together in %.3f", mean, se, every, first/4/boards)
	if math.Abs(mean-every) > 0.1*every+3*se {
		t.Errorf("mean run length %.1f (se %.1f), asked %v", mean, se, every)
	}
	if share := first / 4 / boards; share < 0.015 || share > 0.13 {
		t.Errorf("the chart of all streams has %.2f of the first alarms, meant are %v", share, togetherShare)
	}
}

// What it is for: a drift of half a sigma in every one of twenty streams that usually go
// their own ways. The board finds it sooner with the chart of all streams than without,
// at the same mean run length to a false alarm.
func TestAllStreamsTogetherFindASmallDriftSooner(t *testing.T) {
	const every, boards, streams = 100.0, 40, 20
	rng := rand.New(rand.NewPCG(13, 1))
	delay := [2]float64{}
	for i := range boards {
		base := correlated(rng, 40, streams, 0)
		for k, with := range []bool{false, true} {
			r, err := Calibrate(t.Context(), base, Options{Every: every, Histories: 100, Seed: uint64(i), Together: with})
			if err != nil {
				t.Fatal(err)
			}
			if !with {
				r.Together, r.Limit = &multi.Together{Lambda: 0.2, Streams: streams, Whiten: make([]float64, streams*(streams+1)/2)}, math.Inf(1)
			}
			for range 5 {
				n, _ := firstOfAll(base, r, func() []float64 {
					u := correlated(rng, 1, streams, 0)[0]
					for j := range u {
						u[j] += 0.6
					}
					return u
				})
				delay[k] += float64(n) / boards / 5
			}
		}
	}
	t.Logf("found after %.1f units without and %.1f with it", delay[0], delay[1])
	if delay[1] > 0.85*delay[0] {
		t.Errorf("found after %.1f units without and %.1f with it", delay[0], delay[1])
	}
}
