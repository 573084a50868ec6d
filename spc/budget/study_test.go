//go:build study

package budget

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
	"testing"
	"text/tabwriter"

	"alike/internal/sim"
	"alike/spc/band"
	"alike/spc/chart"
)

// TestStudy proves the promise at full size, one to two hours on two cores:
//
//	go test -tags study -run Study -timeout 5h -v ./spc/budget
//
// Boards of 98 streams are asked for 500 units. For each kind of process and size of
// baseline many baselines are drawn, each is calibrated on its own, and units of the
// true process come until chart.Reader sees the first false alarm. The table it prints
// is kept in testdata/study.txt.
func TestStudy(t *testing.T) {
	const every, boards, futures, histories = 500.0, 100, 10, 120
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "PROCESS\tBASELINE\tMEAN RUN LENGTH\tSE\tMEDIAN WIDTH\tEVEN SPLIT: MEAN\tSE")
	for _, p := range processes() {
		for _, n := range []int{60, 30, 200} {
			s := study{process: p, n: n, every: every, futures: futures, histories: histories}
			s.run(t, boards)
			mean, se := s.summary(func(b board) float64 { return b.calibrated })
			even, evenSE := s.summary(func(b board) float64 { return b.even })
			fmt.Fprintf(w, "%s\t%d\t%.0f\t%.0f\t%.2f\t%.0f\t%.0f\n", p.name, n, mean, se, s.width(), even, evenSE)
			w.Flush()
			if math.Abs(mean-every) > 0.1*every+2*se {
				t.Errorf("%s, %d units: mean run length %.0f (se %.0f), asked %v", p.name, n, mean, se, every)
			}
		}
	}
	power(t, w)
}

// A process makes units of 98 streams that stand still.
type process struct {
	name string
	unit func(rng *rand.Rand, x []float64)
}

const studyStreams = 98

func processes() []process {
	equal := func(rho float64) func(*rand.Rand, []float64) {
		return func(rng *rand.Rand, x []float64) {
			common := math.Sqrt(rho) * rng.NormFloat64()
			for j := range x {
				x[j] = common + math.Sqrt(1-rho)*rng.NormFloat64()
			}
		}
	}
	pool := workshop(8000)
	return []process{
		{"independent", equal(0)},
		{"correlation 0.9", equal(0.9)},
		{"a tenth skew", skewed},
		{"workshop", func(rng *rand.Rand, x []float64) { copy(x, pool[rng.IntN(len(pool))]) }},
	}
}

// skewed has neighbouring streams that go together, and every tenth one is log-normal
// with a skewness from 0.3 to 0.95: a process unlike the workshop, on which the prior of
// skewness was chosen.
func skewed(rng *rand.Rand, x []float64) {
	z := rng.NormFloat64()
	for j := range x {
		z = 0.8*z + 0.6*rng.NormFloat64()
		x[j] = z
		if j%10 == 4 {
			x[j] = math.Exp((0.1 + 0.02*float64(j/10)) * z)
		}
	}
}

// workshop returns units of the simulated workshop as 98 streams: deviations of two
// channels, balance per band, sensitivities, roughnesses and their balance.
func workshop(units int) [][]float64 {
	p := sim.TB40()
	bands := p.Bands()
	target := make([]float64, len(bands))
	anchor := make([]bool, len(bands))
	for i, l := range p.Target.Levels(bands) {
		target[i] = l.DB
		anchor[i] = bands[i].Nominal() >= p.Anchor[0] && bands[i].Nominal() <= p.Anchor[1]
	}
	out := make([][]float64, units)
	each(units, func(u int) {
		unit := p.Draw(sim.Key{Seed: 77, Lot: 1, Unit: u})
		var r [2]band.Reading
		for ch := range r {
			var seats [][]float64
			for seat := 1; seat <= sim.Seatings; seat++ {
				var levels []float64
				for _, l := range band.Levels(unit.Curve(ch, 1, seat), bands) {
					levels = append(levels, l.DB)
				}
				seats = append(seats, levels)
			}
			var err error
			if r[ch], err = band.Read(bands, band.Average(seats), target, anchor); err != nil {
				panic(err)
			}
		}
		x := append(append([]float64(nil), r[0].Deviation...), r[1].Deviation...)
		for i := range bands {
			x = append(x, r[0].Deviation[i]+r[0].Offset-r[1].Deviation[i]-r[1].Offset)
		}
		out[u] = append(x, r[0].Sensitivity, r[1].Sensitivity, r[0].Roughness, r[1].Roughness, r[0].Sensitivity-r[1].Sensitivity)
	})
	return out
}

// each calls do for 0 to n-1 on all processors.
func each(n int, do func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

// A board is what came of one baseline: mean run lengths over its futures.
type board struct{ calibrated, even, width float64 }

type study struct {
	process
	n         int
	every     float64
	futures   int
	histories int
	boards    []board
}

func (s *study) run(t *testing.T, count int) {
	s.boards = make([]board, count)
	each(count, func(i int) {
		rng := rand.New(rand.NewPCG(uint64(s.n), uint64(i)))
		base := make([][]float64, s.n)
		for u := range base {
			base[u] = make([]float64, studyStreams)
			s.unit(rng, base[u])
		}
		r, err := Calibrate(t.Context(), base, Options{Every: s.every, Histories: s.histories, Seed: uint64(i)})
		if err != nil {
			t.Error(err)
			return
		}
		e, _ := chart.EstimateFrom(column(base, 0))
		even, err := chart.Stretched(r.Even, float64(s.n), e.Freedom)
		if err != nil {
			t.Error(err)
			return
		}
		b := board{width: r.Rules[0].Width}
		x := make([]float64, studyStreams)
		next := func() []float64 { s.unit(rng, x); return x }
		for range s.futures {
			b.calibrated += float64(firstAlarm(base, r.Rules, next)) / float64(s.futures)
		}
		b.even = float64(firstAlarm(base, even, next))
		s.boards[i] = b
	})
}

func (s *study) summary(of func(board) float64) (mean, se float64) {
	var sum, square float64
	for _, b := range s.boards {
		v := of(b)
		sum, square = sum+v, square+v*v
	}
	n := float64(len(s.boards))
	return sum / n, math.Sqrt((square/n - sum*sum/n/n) / n)
}

func (s *study) width() float64 {
	var ws []float64
	for _, b := range s.boards {
		ws = append(ws, b.width)
	}
	return median(ws)
}

func median(xs []float64) float64 {
	ys := append([]float64(nil), xs...)
	for i := range ys {
		for k := i; k > 0 && ys[k] < ys[k-1]; k-- {
			ys[k], ys[k-1] = ys[k-1], ys[k]
		}
	}
	return ys[len(ys)/2]
}

// power lets one sigma be taken from ten neighbouring bands of the left channel after
// the baseline, and counts the units until the board says so: calibrated, and with the
// false alarms split evenly.
func power(t *testing.T, w *tabwriter.Writer) {
	const boards, n, from, bands = 200, 60, 3, 10
	fmt.Fprintln(w, "\nPROCESS\tUNITS UNTIL A LEAK OF 1 SIGMA IN 10 BANDS IS SEEN\tSE\tEVEN SPLIT\tSE")
	for _, p := range processes() {
		sigma := make([]float64, studyStreams)
		rng := rand.New(rand.NewPCG(5, 5))
		var sum, square [studyStreams]float64
		x := make([]float64, studyStreams)
		for range 4000 {
			p.unit(rng, x)
			for j, v := range x {
				sum[j], square[j] = sum[j]+v, square[j]+v*v
			}
		}
		for j := range sigma {
			sigma[j] = math.Sqrt(square[j]/4000 - sum[j]*sum[j]/4000/4000)
		}
		seen, even := make([]float64, boards), make([]float64, boards)
		each(boards, func(i int) {
			rng := rand.New(rand.NewPCG(99, uint64(i)))
			base := make([][]float64, n)
			for u := range base {
				base[u] = make([]float64, studyStreams)
				p.unit(rng, base[u])
			}
			r, err := Calibrate(t.Context(), base, Options{Histories: 200, Seed: uint64(i)})
			if err != nil {
				t.Error(err)
				return
			}
			e, _ := chart.EstimateFrom(column(base, 0))
			split, _ := chart.Stretched(r.Even, n, e.Freedom)
			y := make([]float64, studyStreams)
			next := func() []float64 {
				p.unit(rng, y)
				for j := from; j < from+bands; j++ {
					y[j] -= sigma[j]
				}
				return y
			}
			for range 5 {
				seen[i] += float64(firstAlarm(base, r.Rules, next)) / 5
				even[i] += float64(firstAlarm(base, split, next)) / 5
			}
		})
		a, aSE := moments(seen)
		b, bSE := moments(even)
		fmt.Fprintf(w, "%s\t%.1f\t%.1f\t%.1f\t%.1f\n", p.name, a, aSE, b, bSE)
		w.Flush()
		if a > b {
			t.Errorf("%s: calibrated limits see the leak after %.1f units, an even split after %.1f", p.name, a, b)
		}
	}
}

func moments(xs []float64) (mean, se float64) {
	s := study{boards: make([]board, len(xs))}
	for i, x := range xs {
		s.boards[i].calibrated = x
	}
	return s.summary(func(b board) float64 { return b.calibrated })
}
