package pairing

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"alike/spc/sample"
)

// A Point is the best pairing at one tolerance.
type Point struct {
	Tolerance float64
	Pairs     int
	Total     float64 // sum of the mismatches
	Worst     float64 // largest mismatch
}

// Curve returns the best pairing at each of the tolerances, in their order: what
// a tighter tolerance costs in pairs. The tolerance of the options is not read.
//
// A pairing that is best at one tolerance and whose worst pair would do at a
// tighter one is best there too, so equal points are found without a new search;
// the time is that of Match for each point that differs.
func Curve(t Table, tolerances []float64, o Options) ([]Point, error) {
	if len(tolerances) == 0 {
		return nil, errors.New("the curve needs at least one tolerance")
	}
	for i, v := range tolerances {
		if !(v >= 0) {
			return nil, fmt.Errorf("tolerance %d is %v: give a number from 0 up", i+1, v)
		}
	}
	order := make([]int, len(tolerances))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case tolerances[a] > tolerances[b]:
			return -1
		case tolerances[a] < tolerances[b]:
			return 1
		}
		return 0
	})
	points := make([]Point, len(tolerances))
	last, free := Point{Tolerance: -1}, math.Inf(1)
	for _, i := range order {
		if tolerances[i] < free || last.Tolerance < 0 {
			o.Tolerance = tolerances[i]
			r, err := Match(t, o)
			if err != nil {
				return nil, err
			}
			last = Point{tolerances[i], len(r.Pairs), r.Total, r.Worst}
			free = r.worstFree(o)
		}
		points[i] = last
		points[i].Tolerance = tolerances[i]
	}
	return points, nil
}

// worstFree is the worst mismatch of the pairs that were not fixed.
func (r Result) worstFree(o Options) float64 {
	fixed := map[string]bool{}
	for _, p := range o.Fixed {
		fixed[p[0]] = true
		fixed[p[1]] = true
	}
	worst := 0.0
	for _, p := range r.Pairs {
		if !fixed[p.A] {
			worst = math.Max(worst, p.Mismatch)
		}
	}
	return worst
}

// A Yield is how many pairs to expect from buying more drivers like those measured.
type Yield struct {
	Pool       int     // drivers matched together
	Pairs      float64 // mean number of pairs from one pool
	PerHundred float64 // the same per hundred drivers; 50 when all find a partner
	Low, High  float64 // 5th and 95th percentile over the pools, per hundred drivers
	Draws      int
	Warnings   []string
}

// PerHundred estimates the pairs within the tolerance per hundred drivers bought,
// when they are matched in pools of the given size (0 for 100, or all there are):
// the mean over random pools without replacement from the drivers of the table.
// Fixed and excluded ids are not read. Larger pools match better, so the size
// belongs to the answer; from the drivers of one batch it cannot tell how batches
// differ.
func PerHundred(t Table, pool int, tolerance float64, draws int, seed uint64) (Yield, error) {
	if err := t.check(); err != nil {
		return Yield{}, err
	}
	n := len(t.IDs)
	if pool == 0 {
		pool = min(100, n)
	}
	switch {
	case n < 2:
		return Yield{}, fmt.Errorf("a yield needs at least 2 drivers, has %d", n)
	case pool < 2 || pool > n:
		return Yield{}, fmt.Errorf("a pool of %d cannot be drawn from %d drivers: give a size from 2 to %d", pool, n, n)
	case !(tolerance >= 0):
		return Yield{}, fmt.Errorf("tolerance %v is not a number from 0 up", tolerance)
	case draws < 1 || draws > 100000:
		return Yield{}, fmt.Errorf("%d draws: give a number from 1 to 100000", draws)
	}
	y := Yield{Pool: pool, Draws: draws}
	if pool == n {
		y.Draws = 1
	}
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	var counts []float64
	for range y.Draws {
		counts = append(counts, float64(t.pairsAmong(rng.Perm(n)[:pool], tolerance)))
	}
	y.Pairs = sample.Mean(counts)
	slices.Sort(counts)
	per := 100 / float64(pool)
	y.PerHundred = per * y.Pairs
	y.Low, y.High = per*counts[(len(counts)-1)*5/100], per*counts[len(counts)-1-(len(counts)-1)*5/100]
	if n < 30 {
		y.Warnings = append(y.Warnings, fmt.Sprintf("Only %d drivers: a batch can differ much from what they show.", n))
	}
	if pool > n/2 {
		y.Warnings = append(y.Warnings, fmt.Sprintf("Pools of %d out of %d drivers share most of them: low and high lie too close together.", pool, n))
	}
	return y, nil
}

// pairsAmong counts the most pairs within the tolerance among some drivers.
func (t Table) pairsAmong(some []int, tolerance float64) int {
	g := newGraph(len(some), func(i, j int) float64 {
		if t.Mismatch[some[i]][some[j]] <= tolerance {
			return 0
		}
		return math.Inf(1)
	})
	mates, _ := g.optimum()
	n := 0
	for i, j := range mates {
		if j > i {
			n++
		}
	}
	return n
}
