package sampling

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Pull draws k of n things at random, each set of k with the same chance, and returns
// their indices in the order drawn. The same seed draws the same: ChaCha8 numbers, of
// which those that would favour small remainders are thrown away, drive the first k
// steps of the Fisher-Yates exchange (Knuth, The Art of Computer Programming 2, 3.4.2,
// algorithm P). Errors: k below 0 or beyond n.
func Pull(seed [32]byte, n, k int) ([]int, error) {
	if k < 0 || k > n {
		return nil, fmt.Errorf("%d of %d cannot be drawn: ask for 0 to %d", k, n, n)
	}
	source := rand.NewChaCha8(seed)
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	for i := range k {
		j := i + below(source, n-i)
		all[i], all[j] = all[j], all[i]
	}
	return all[:k], nil
}

// below returns a number from 0 to n-1, each with the same chance. It is written out so
// that a draw can be repeated with any later version of the library.
func below(source *rand.ChaCha8, n int) int {
	size := uint64(n)
	limit := math.MaxUint64 - math.MaxUint64%size
	for {
		if x := source.Uint64(); x < limit {
			return int(x % size)
		}
	}
}
