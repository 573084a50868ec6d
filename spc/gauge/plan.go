package gauge

import (
	"errors"
	"fmt"
	"math/rand/v2"
)

// A Run is one seating of a study: which unit, by whom, and which of the unit's
// trials by that person it is, from 1.
type Run struct {
	Part     string
	Operator string
	Trial    int
}

// Largest design that Plan makes; a longer study is not finished by anyone.
const mostRuns = 5000

// Plan returns the runs of a crossed study in random order. The order is random
// within each round: in a round every operator seats every part once, so that a slow
// drift of the gauge spreads over parts and operators alike and two seatings of a part
// by one person lie apart (randomised blocks; e.g. NIST/SEMATECH e-Handbook 5.3.3.2).
// The same seed gives the same order.
func Plan(parts, operators []string, trials int, seed uint64) ([]Run, error) {
	switch {
	case len(parts) < 2:
		return nil, fmt.Errorf("a study needs at least 2 units, has %d: choose units that span what the line makes", len(parts))
	case len(operators) == 0:
		return nil, errors.New("a study needs at least 1 operator")
	case trials < 1 || len(operators) == 1 && trials < 2:
		return nil, fmt.Errorf("%d seatings of each unit by each operator are too few: use 2 or more", trials)
	case len(parts)*len(operators)*trials > mostRuns:
		return nil, fmt.Errorf("%d runs are more than anyone finishes: use at most %d", len(parts)*len(operators)*trials, mostRuns)
	}
	for name, list := range map[string][]string{"unit": parts, "operator": operators} {
		seen := map[string]bool{}
		for _, x := range list {
			if x == "" || seen[x] {
				return nil, fmt.Errorf("%s %q is empty or named twice", name, x)
			}
			seen[x] = true
		}
	}
	return order(parts, operators, trials, seed), nil
}

// Order returns the runs of a study that is not about who measures: every part is seated
// in every round, in random order as in Plan, and the operator stays empty.
func Order(parts []string, trials int, seed uint64) ([]Run, error) {
	seen := map[string]bool{}
	for _, p := range parts {
		if p == "" || seen[p] {
			return nil, fmt.Errorf("unit %q is empty or named twice", p)
		}
		seen[p] = true
	}
	switch {
	case trials < 1:
		return nil, fmt.Errorf("%d seatings of each unit are too few: use 1 or more", trials)
	case len(parts)*trials > mostRuns:
		return nil, fmt.Errorf("%d runs are more than anyone finishes: use at most %d", len(parts)*trials, mostRuns)
	}
	return order(parts, []string{""}, trials, seed), nil
}

func order(parts, operators []string, trials int, seed uint64) []Run {
	r := rand.New(rand.NewPCG(seed, 0x67617567)) // a stream of its own
	var runs []Run
	for trial := 1; trial <= trials; trial++ {
		from := len(runs)
		for _, o := range operators {
			for _, p := range parts {
				runs = append(runs, Run{p, o, trial})
			}
		}
		round := runs[from:]
		for i := len(round) - 1; i > 0; i-- { // Fisher and Yates, written out so that no library changes the order
			k := r.IntN(i + 1)
			round[i], round[k] = round[k], round[i]
		}
	}
	return runs
}
