package budget

import (
	"context"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"

	"alike/spc/chart"
	"alike/spc/multi"

	"gonum.org/v1/gonum/floats"
)

// A record is a unit that was a worse sight than all before it on its board.
type record struct {
	unit     int // from 1
	severity float64
}

// A history is one simulated board: its records in order, apart for the rules that go
// by width, those that go by length of a run and the chart of all streams together, and
// how many units it saw.
type history struct {
	width, length, together []record
	units                   int
}

// A stretch is where rules fire: log chances, apart for the two sorts of rules, since
// lengths can only grow by whole units, and for the chart of all streams together minus
// its limit, so that less is rarer there too.
type stretch struct{ width, length, together float64 }

// never is a together that no sight reaches.
var never = math.Inf(-1)

// run returns the number of units to the first alarm, and false when the history ended
// before one.
func (h history) run(s stretch) (units int, fired bool) {
	units = h.units
	for i, rs := range [3][]record{h.width, h.length, h.together} {
		for _, r := range rs {
			if r.severity <= [3]float64{s.width, s.length, s.together}[i] {
				units, fired = min(units, r.unit), true
				break
			}
		}
	}
	return units, fired
}

// A simulation is what histories are made of.
type simulation struct {
	rows    [][]float64 // Σ of squares over rows is 1 per stream
	skews   []skew
	n       int // units of each baseline
	horizon int
	scale   *scale
	stop    float64 // a history ends at a sight of this severity
	lambda  float64 // of the chart of all streams together; 0 for none
	seed    uint64
}

// histories simulates count boards on all processors. Each has a stream of random
// numbers of its own, so that the result does not depend on how they are shared out.
// Done, if not nil, is told after each; the error is ctx's.
func (m simulation) histories(ctx context.Context, count int, done func()) ([]history, error) {
	out := make([]history, count)
	var next atomic.Int64
	var wg sync.WaitGroup
	var mu sync.Mutex
	for range min(runtime.GOMAXPROCS(0), count) {
		wg.Go(func() {
			w := m.worker()
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= count {
					return
				}
				out[i] = w.history(rand.New(rand.NewPCG(m.seed, uint64(i))))
				if done != nil {
					mu.Lock()
					done()
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	return out, ctx.Err()
}

// A worker holds the buffers of one goroutine.
type worker struct {
	simulation
	x             []float64
	base          [][]float64 // by stream
	center, sigma []float64
	bends         []bend
	tracks        []track
	z             []float64
	standard      [][]float64 // the baseline by unit, standardised
}

func (m simulation) worker() *worker {
	streams := len(m.rows[0])
	w := &worker{
		simulation: m, x: make([]float64, streams), base: make([][]float64, streams),
		center: make([]float64, streams), sigma: make([]float64, streams), bends: make([]bend, streams), tracks: make([]track, streams),
		z: make([]float64, streams),
	}
	if m.lambda > 0 {
		w.standard = make([][]float64, m.n)
		for u := range w.standard {
			w.standard[u] = make([]float64, streams)
		}
	}
	for j := range w.base {
		w.base[j] = make([]float64, m.n)
	}
	return w
}

// unit makes one: a mixture of the rows with independent standard normal weights.
func (w *worker) unit(rng *rand.Rand) []float64 {
	clear(w.x)
	for _, row := range w.rows {
		floats.AddScaled(w.x, rng.NormFloat64(), row)
	}
	for j, b := range w.bends {
		if b.c != 0 {
			w.x[j] = b.of(w.x[j])
		}
	}
	return w.x
}

// history makes a baseline, sets the limits from it, and lets units come until one is
// a sight rare enough to stop at, or the horizon.
func (w *worker) history(rng *rand.Rand) history {
	for _, s := range w.skews {
		b := s.bend(rng)
		for _, j := range s.streams {
			w.bends[j] = b
		}
	}
	for u := range w.n {
		for j, v := range w.unit(rng) {
			w.base[j][u] = v
		}
	}
	for j, xs := range w.base {
		e, err := chart.EstimateFrom(xs)
		if err != nil {
			panic("budget: a simulated baseline has no spread")
		}
		w.center[j], w.sigma[j] = e.Center, 1/e.Sigma
	}
	clear(w.tracks)
	together := w.together()
	h := history{}
	var worst stretch
	for h.units < w.horizon && worst.width > w.stop && worst.length > w.stop {
		h.units++
		var sight stretch
		for j, v := range w.unit(rng) {
			w.z[j] = (v - w.center[j]) * w.sigma[j]
			width, length := w.scale.push(&w.tracks[j], w.z[j])
			sight.width, sight.length = math.Min(sight.width, width), math.Min(sight.length, length)
		}
		if sight.width < worst.width {
			worst.width = sight.width
			h.width = append(h.width, record{h.units, sight.width})
		}
		if sight.length < worst.length {
			worst.length = sight.length
			h.length = append(h.length, record{h.units, sight.length})
		}
		if together == nil {
			continue
		}
		if v := -together.Push(w.z); v < worst.together {
			worst.together = v
			h.together = append(h.together, record{h.units, v})
		}
	}
	return h
}

// together fits the chart of all streams to the simulated baseline, nil for none.
func (w *worker) together() *multi.TogetherReader {
	if w.lambda == 0 {
		return nil
	}
	for u, row := range w.standard {
		for j := range row {
			row[j] = (w.base[j][u] - w.center[j]) * w.sigma[j]
		}
	}
	t, err := multi.FitTogether(w.standard, w.lambda)
	if err != nil {
		panic("budget: " + err.Error())
	}
	return t.NewReader()
}

// mean returns the mean run length at a stretch and its standard error. Histories
// that ended without an alarm count as the horizon, plus what those that came half as
// far still had to go on average: far out the hazard is nearly constant.
func mean(hs []history, s stretch, horizon int) (mean, se float64) {
	sum, square, cut := 0.0, 0.0, 0.0
	late, events := 0.0, 0.0
	for _, h := range hs {
		n, fired := h.run(s)
		x := float64(n)
		sum, square = sum+x, square+x*x
		if !fired {
			cut++
		}
		if n > horizon/2 {
			late += x - float64(horizon/2)
			if fired {
				events++
			}
		}
	}
	n := float64(len(hs))
	mean = sum / n
	se = math.Sqrt(math.Max(0, square/n-mean*mean) / n)
	if cut > 0 { // no alarm far out counts as one, which leaves the mean on the short side
		mean += cut / n * late / math.Max(1, events)
	}
	return mean, se
}
