//go:build study

package line_test

import (
	"fmt"
	"testing"
)

// TestStudyOfLearntFaults prints how often a learnt signature is ranked first. Run it with
//
//	nice -n 19 go test -tags study -run TestStudyOfLearntFaults -v ./internal/line
//
// Its table is testdata/faultrank.txt.
func TestStudyOfLearntFaults(t *testing.T) {
	fmt.Println(rankTable(rankFaults(t, 60, 2, []int{1, 3, 10})))
}
