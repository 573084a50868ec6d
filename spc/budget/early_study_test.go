//go:build study

package budget

import (
	"fmt"
	"testing"
)

// TestStudyOfEarlyAlarms tells how a mean run length reads to who watches a board for a
// while only: boards differ by the luck of their baselines, and those whose luck is bad
// cry first, so that the first alarms of the first units come oftener than one in the
// mean. Run it with
//
//	go test -tags study -run StudyOfEarlyAlarms -timeout 1h -v ./spc/budget
func TestStudyOfEarlyAlarms(t *testing.T) {
	const boards = 60
	for _, p := range processes() {
		if p.name != "workshop, all together too" {
			continue
		}
		s := study{process: p, n: 40, every: 500, futures: 30, histories: 150}
		var lives [boards][]float64
		each(boards, func(i int) {
			base, r := s.calibrate(t, i)
			for k := range s.futures {
				lives[i] = append(lives[i], float64(s.firstAlarm(base, r, s.future(i, k))))
			}
		})
		for _, watched := range []float64{30, 65, 120, 300, 1e9} {
			units, first, sum, n := 0.0, 0.0, 0.0, 0.0
			for _, b := range lives {
				for _, v := range b {
					units, sum, n = units+min(v, watched), sum+v, n+1
					if v <= watched {
						first++
					}
				}
			}
			fmt.Printf("watched for %.0f units: one first alarm in %.0f units, %.0f %% of boards have had it; mean to the first %.0f\n", watched, units/first, 100*first/n, sum/n)
		}
	}
}
