package compare

import (
	"fmt"
	"slices"
)

// Holm adjusts p-values for being several: rejecting where the adjusted value is
// at most alpha errs anywhere with a chance of at most alpha, however the tests
// hang together (Holm, Scand. J. Statist. 6 (1979) 65-70). The order is kept. It
// panics on a value outside 0 to 1.
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			panic(fmt.Sprintf("compare: p-value %v is outside 0 to 1", v))
		}
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	adjusted := make([]float64, len(p))
	running := 0.0
	for rank, i := range order {
		running = max(running, min(1, float64(len(p)-rank)*p[i]))
		adjusted[i] = running
	}
	return adjusted
}
