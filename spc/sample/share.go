package sample

import (
	"fmt"

	"gonum.org/v1/gonum/mathext"
)

// Share returns the share good/of with its exact two-sided confidence interval
// after Clopper and Pearson (Biometrika 26 (1934) 404-413): the interval covers the
// true share with at least the confidence asked for, also for a handful of units.
func Share(good, of int, confidence float64) (share, low, high float64, err error) {
	if good < 0 || of < 1 || good > of {
		return 0, 0, 0, fmt.Errorf("%d of %d is not a share", good, of)
	}
	if !(confidence > 0 && confidence < 1) {
		return 0, 0, 0, fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	k, n, tail := float64(good), float64(of), (1-confidence)/2
	high = 1
	if good > 0 {
		low = mathext.InvRegIncBeta(k, n-k+1, tail)
	}
	if good < of {
		high = mathext.InvRegIncBeta(k+1, n-k, 1-tail)
	}
	return k / n, low, high, nil
}
