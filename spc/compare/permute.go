package compare

import (
	"math"
	"math/rand/v2"
)

// A Permutation is a test of several batches over all bands at once.
type Permutation struct {
	// Statistic is the share of the squared deviations that lies between the
	// batches, averaged over the bands: 0 when all means agree, 1 when nothing is
	// left within.
	Statistic float64
	P         float64
	Exact     bool    // every arrangement was counted, not drawn
	Draws     int     // arrangements counted or drawn
	Least     float64 // smallest P there could be
}

// A shuffle holds rows with every band centred and scaled to the sum of squares 1,
// which no exchange of units between batches changes.
type shuffle struct {
	rows  [][]float64
	batch []int // of each row
	sizes []int
	sums  [][]float64
}

// test exchanges units between the batches: when batches do not matter every
// arrangement is as likely as the real one, whatever the distribution and however
// the bands hang together. Unequal spread in batches of unequal size can still
// show as a difference (Anderson, Austral Ecology 26 (2001) 32-46, from memory).
// When there are no more arrangements than draws, all are counted.
func (s *shuffle) test(draws int, seed uint64) Permutation {
	p := Permutation{Statistic: s.statistic()}
	limit := p.Statistic * (1 - 1e-12)
	if all := s.arrangements(draws + 1); all > 0 {
		hits := 0
		s.each(0, append([]int(nil), s.sizes...), func() {
			if s.statistic() >= limit {
				hits++
			}
		})
		p.P, p.Exact, p.Draws, p.Least = float64(hits)/float64(all), true, all, 1/float64(all)
		return p
	}
	rng := rand.New(rand.NewPCG(seed, 0x626174636865))
	hits := 0
	for range draws {
		rng.Shuffle(len(s.batch), func(i, j int) { s.batch[i], s.batch[j] = s.batch[j], s.batch[i] })
		if s.statistic() >= limit {
			hits++
		}
	}
	p.P, p.Draws, p.Least = float64(hits+1)/float64(draws+1), draws, 1/float64(draws+1)
	return p
}

// statistic returns Σ over batches of |sum of rows|²/size, per band.
func (s *shuffle) statistic() float64 {
	for _, sum := range s.sums {
		clear(sum)
	}
	for i, row := range s.rows {
		sum := s.sums[s.batch[i]]
		for b, v := range row {
			sum[b] += v
		}
	}
	total := 0.0
	for g, sum := range s.sums {
		square := 0.0
		for _, v := range sum {
			square += v * v
		}
		total += square / float64(s.sizes[g])
	}
	return total / float64(len(s.rows[0]))
}

// arrangements returns the number of ways to deal the rows into batches of these
// sizes, 0 when there are more than the given number.
func (s *shuffle) arrangements(most int) int {
	ways, left := 1.0, len(s.rows)
	for _, n := range s.sizes {
		for i := range n {
			ways *= float64(left-i) / float64(i+1)
		}
		left -= n
		if ways > float64(most)+0.5 {
			return 0
		}
	}
	return int(math.Round(ways))
}

// each deals row i and the rest in every way that the room left in the batches
// allows, and calls do for each.
func (s *shuffle) each(i int, room []int, do func()) {
	if i == len(s.batch) {
		do()
		return
	}
	for g := range room {
		if room[g] > 0 {
			room[g]--
			s.batch[i] = g
			s.each(i+1, room, do)
			room[g]++
		}
	}
}
