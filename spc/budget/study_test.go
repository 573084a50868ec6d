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

// TestStudy proves the promise at full size, about half an hour on two quiet cores:
//
//	go test -tags study -run Study -timeout 8h -v ./spc/budget
//
// Boards of 98 streams are asked for 500 units. For each kind of process and size of
// baseline many baselines are drawn, each is calibrated on its own, and units of the
// true process come until chart.Reader sees the first false alarm. The table it prints
// is kept in testdata/study.txt.
func TestStudy(t *testing.T) {
	const every, boards, futures, histories = 500.0, 100, 10, 150
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "PROCESS\tBASELINE\tMEAN RUN LENGTH\tSE\tMEDIAN WIDTH\tEVEN SPLIT: MEAN\tSE")
	for _, p := range processes() {
		for _, n := range []int{30, 60, 200} {
			s := study{process: p, n: n, every: every, futures: futures, histories: histories}
			s.run(t, boards)
			mean, se := s.mean()
			even, evenSE := s.fixed(s.evenRules(t), 1000)
			fmt.Fprintf(w, "%s\t%d\t%.0f\t%.0f\t%.2f\t%.0f\t%.0f\n", p.name, n, mean, se, s.width(), even, evenSE)
			w.Flush()
			if p.asked && math.Abs(mean-every) > 0.1*every+2*se {
				t.Errorf("%s, %d units: mean run length %.0f (se %.0f), asked %v", p.name, n, mean, se, every)
			}
		}
	}
	power(t, w)
}

// A process makes units of 98 streams that stand still.
type process struct {
	name  string
	asked bool // the promise is made for such ones
	unit  func(rng *rand.Rand, x []float64)
}

const studyStreams, studyBands = 98, 31

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
		{"independent", true, equal(0)},
		{"correlation 0.9", true, equal(0.9)},
		{"workshop", true, func(rng *rand.Rand, x []float64) { copy(x, pool[rng.IntN(len(pool))]) }},
		{"a tenth skew", false, skewed},
	}
}

// skewed has neighbouring bands that go together, and every fifth one of both channels is
// log-normal with a skewness from 0.3 to 0.95: a process unlike the workshop, on which
// the prior of skewness was chosen.
func skewed(rng *rand.Rand, x []float64) {
	at := func(c, i int) int {
		if i < studyBands {
			return c*studyBands + i
		}
		return 3*studyBands + 2*(i-studyBands) + c
	}
	for c := range 2 {
		z := rng.NormFloat64()
		for i := range studyBands + 2 {
			z = 0.8*z + 0.6*rng.NormFloat64()
			x[at(c, i)] = z
			if i%5 == 4 {
				x[at(c, i)] = math.Exp((0.1 + 0.04*float64(i/5)) * z)
			}
		}
	}
	for i := range studyBands {
		x[2*studyBands+i] = x[i] - x[studyBands+i]
	}
	x[97] = x[93] - x[94]
}

// studyAlike says which streams of a unit are built alike: those of the two channels.
func studyAlike() []int {
	out := make([]int, studyStreams)
	for i := range studyBands {
		out[i], out[studyBands+i] = i+1, i+1
	}
	out[93], out[94], out[95], out[96] = 100, 100, 101, 101
	return out
}

// studyLeaning has the bands below 200 Hz and the roughnesses.
func studyLeaning() []bool {
	out := make([]bool, studyStreams)
	for i := range 10 {
		out[i], out[studyBands+i] = true, true
	}
	out[95], out[96] = true, true
	return out
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

// A board is what came of one baseline: mean run lengths over its futures with its own
// limits, and with limits that are the same for all boards.
type board struct{ calibrated, same, width float64 }

type study struct {
	process
	n         int
	every     float64
	futures   int
	histories int
	boards    []board
	same      []chart.Rule
}

// run fills boards. The limits that are the same for all are those of the first board:
// boards differ far more by the luck of their baselines than by their limits, and the
// same limits, whose mean is quickly known, take that luck out (a control variate).
func (s *study) run(t *testing.T, count int) {
	s.boards = make([]board, count)
	_, first := s.calibrate(t, -1)
	s.same = first.Rules
	each(count, func(i int) {
		base, r := s.calibrate(t, i)
		b := board{width: r.Rules[0].Width}
		for k := range s.futures {
			b.calibrated += float64(firstAlarm(base, r.Rules, s.future(i, k))) / float64(s.futures)
			b.same += float64(firstAlarm(base, s.same, s.future(i, k))) / float64(s.futures)
		}
		s.boards[i] = b
	})
}

func (s *study) calibrate(t *testing.T, i int) ([][]float64, Result) {
	base := s.baseline(rand.New(rand.NewPCG(uint64(s.n), uint64(i))))
	r, err := Calibrate(t.Context(), base, Options{Every: s.every, Histories: s.histories, Seed: uint64(i), Alike: studyAlike(), Lean: studyLeaning()})
	if err != nil {
		t.Fatal(err)
	}
	return base, r
}

func (s *study) baseline(rng *rand.Rand) [][]float64 {
	base := make([][]float64, s.n)
	for u := range base {
		base[u] = make([]float64, studyStreams)
		s.unit(rng, base[u])
	}
	return base
}

// future returns what makes the units that come after board i's baseline.
func (s *study) future(i, k int) func() []float64 {
	rng := rand.New(rand.NewPCG(uint64(i)<<8|uint64(k), uint64(s.n)|1<<40))
	x := make([]float64, studyStreams)
	return func() []float64 { s.unit(rng, x); return x }
}

// mean returns the mean run length of calibrated boards and its standard error.
func (s *study) mean() (mean, se float64) {
	known, knownSE := s.fixed(s.same, 6000)
	var gain []float64
	for _, b := range s.boards {
		gain = append(gain, b.calibrated-b.same)
	}
	more, moreSE := moments(gain)
	return known + more, math.Hypot(knownSE, moreSE)
}

// fixed returns the mean run length of boards that all have the same rules.
func (s *study) fixed(rules []chart.Rule, count int) (mean, se float64) {
	runs := make([]float64, count)
	each(count, func(i int) {
		base := s.baseline(rand.New(rand.NewPCG(uint64(s.n)|1<<41, uint64(i))))
		runs[i] = float64(firstAlarm(base, rules, s.future(i, 200)))
	})
	return moments(runs)
}

// evenRules shares the false alarms out evenly over charts and rules.
func (s *study) evenRules(t *testing.T) []chart.Rule {
	e, err := chart.EstimateFrom(column(s.baseline(rand.New(rand.NewPCG(1, 1))), 0))
	if err != nil {
		t.Fatal(err)
	}
	rules, err := chart.Stretched(1/(s.every*studyStreams*float64(len(chart.Keys))), float64(s.n), e.Freedom)
	if err != nil {
		t.Fatal(err)
	}
	return rules
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
	const boards, n, from, bands = 100, 60, 3, 10
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
			r, err := Calibrate(t.Context(), base, Options{Histories: 200, Seed: uint64(i), Alike: studyAlike(), Lean: studyLeaning()})
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
			for range 10 {
				seen[i] += float64(firstAlarm(base, r.Rules, next)) / 10
				even[i] += float64(firstAlarm(base, split, next)) / 10
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
	var sum, square float64
	for _, x := range xs {
		sum, square = sum+x, square+x*x
	}
	n := float64(len(xs))
	return sum / n, math.Sqrt((square/n - sum*sum/n/n) / n)
}
