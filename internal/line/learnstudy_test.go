//go:build study

package line_test

import (
	"encoding/gob"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"alike/internal/line"
	"alike/internal/sim"
)

var (
	learnBaselines = flag.Int("baselines", 400, "good baselines of TestStudyOfLearning")
	learnSeed      = flag.Uint64("workshops", 77, "seed of the workshops of TestStudyOfLearning")
	learnLeaks     = flag.Int("leaks", 300, "workshops that are seen with a leak too")
	learnKeep      = flag.String("readings", "", "file that keeps the simulated units of TestStudyOfLearning")
)

const learnUnits = 60

// A learnHistory is a workshop's first units, with the same units under a leak.
type learnHistory struct {
	Good  [][]float32
	Leaks [][][]float32 // glue gap on the left, pad leak on both
}

// TestStudyOfLearning counts what the self-starting charts cry wolf over the first units of
// many workshops, and how soon they see a leak of 1 dB below 100 Hz.
func TestStudyOfLearning(t *testing.T) {
	product := sim.TB40()
	p := simulated(product)
	setup, err := p.SetUp()
	if err != nil {
		t.Fatal(err)
	}
	all := learnHistories(t, setup, product)
	fmt.Printf("%d workshops of %d good units, budget one false alarm in %d units: %.1f expected at most\n",
		len(all), learnUnits, setup.FalseAlarms, float64(len(all)*learnUnits)/float64(setup.FalseAlarms))
	rules, kinds := map[string]int{}, map[string]int{}
	alarms, within := 0, make([]int, 4)
	left := 0
	for _, h := range all {
		said := learnt(t, setup, h.Good)
		last := -100
		for i, s := range said {
			if !s.Learnt {
				left++
			}
			if len(s.Fired) == 0 {
				continue
			}
			if i-last > 5 {
				alarms++
				within[i/15]++
				rule, key, _ := strings.Cut(s.Fired[0], " ")
				rules[rule]++
				kinds[kindOf(key)]++
			}
			last = i
		}
	}
	fmt.Printf("alarms %d, by quarter of the units %v; by rule %v; by stream %v; units not learnt %d of %d\n", alarms, within, rules, kinds, left, len(all)*learnUnits)
	for k, name := range []string{"glue gap, left", "pad leak, both"} {
		for _, from := range []int{8, 12, 20, 40} {
			var delays []int
			early := 0
			for _, h := range all[:min(*learnLeaks, len(all))] {
				rows := slices.Concat(h.Good[:from], h.Leaks[k][from:])
				seen := math.MaxInt
				for i, s := range learnt(t, setup, rows) {
					if len(s.Fired) > 0 && i >= from && seen == math.MaxInt {
						seen = i - from + 1
					} else if len(s.Fired) > 0 && i < from {
						early++
					}
				}
				delays = append(delays, seen)
			}
			slices.Sort(delays)
			share := func(n int) float64 {
				i, _ := slices.BinarySearch(delays, n+1)
				return 100 * float64(i) / float64(len(delays))
			}
			middle := fmt.Sprint(delays[len(delays)/2])
			if delays[len(delays)/2] == math.MaxInt {
				middle = "not reached"
			}
			fmt.Printf("%s, 1 dB below 100 Hz from unit %d on: seen within 1/2/3/5/10/20 units %.0f/%.0f/%.0f/%.0f/%.0f/%.0f %%, median %s\n", name, from+1,
				share(1), share(2), share(3), share(5), share(10), share(20), middle)
		}
	}
}

func kindOf(key string) string {
	parts := strings.Split(key, "/")
	if len(parts) < 3 {
		return key
	}
	var hz float64
	fmt.Sscanf(parts[2], "%g", &hz)
	if strings.HasSuffix(parts[2], "k") {
		hz *= 1000
	}
	switch {
	case hz < 200:
		return parts[0] + " below 200 Hz"
	case hz < 2000:
		return parts[0] + " to 2 kHz"
	}
	return parts[0] + " above"
}

func learnHistories(t *testing.T, setup *line.Setup, product *sim.Product) []learnHistory {
	if *learnKeep != "" {
		if f, err := os.Open(*learnKeep); err == nil {
			defer f.Close()
			var out []learnHistory
			if err := gob.NewDecoder(f).Decode(&out); err != nil {
				t.Fatal(err)
			}
			return out
		}
	}
	glue, pad := leakOf(func(gap float64) sim.Change {
		return func(ch int, q sim.Params) sim.Params {
			if ch != 0 {
				return q
			}
			return q.GlueGap(sim.Slit{Width: 15e-3, Gap: gap, Depth: 3e-3})
		}
	}), leakOf(func(gap float64) sim.Change {
		return func(ch int, q sim.Params) sim.Params {
			return q.PadLeak(sim.Slit{Width: 20e-3, Gap: gap, Depth: 15e-3})
		}
	})
	out := make([]learnHistory, *learnBaselines)
	var group sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			for n := range next {
				h := learnHistory{Leaks: make([][][]float32, 2)}
				for i := range learnUnits {
					key := sim.Key{Seed: *learnSeed, Lot: n, Unit: i}
					h.Good = append(h.Good, unitOf(t, setup, product, key))
					if n >= *learnLeaks {
						continue
					}
					h.Leaks[0] = append(h.Leaks[0], unitOf(t, setup, product, key, glue))
					h.Leaks[1] = append(h.Leaks[1], unitOf(t, setup, product, key, pad))
				}
				out[n] = h
			}
		})
	}
	for n := range out {
		next <- n
	}
	close(next)
	group.Wait()
	if *learnKeep != "" {
		f, err := os.Create(*learnKeep)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := gob.NewEncoder(f).Encode(out); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func leakOf(leak func(gap float64) sim.Change) sim.Change {
	low, high := 0.05e-3, 3e-3
	for range 30 {
		mid := (low + high) / 2
		if bassLoss(func(q sim.Params) sim.Params { return leak(mid)(0, q) }) < -1 {
			high = mid
		} else {
			low = mid
		}
	}
	return leak(high)
}
