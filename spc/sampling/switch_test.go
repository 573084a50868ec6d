package sampling_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"alike/spc/sampling"
)

// lots reads a history: a letter per lot, oldest first. a is accepted and r refused with
// acceptance number 0; A is accepted, and would be one step tighter, B is accepted but
// would not be, R is refused, with acceptance number 2.
func lots(t *testing.T, text string) []sampling.Inspection {
	t.Helper()
	var out []sampling.Inspection
	for _, r := range text {
		lot, ok := map[rune]sampling.Inspection{
			'a': {Accept: 0, Accepted: true}, 'r': {Accept: 0}, 'A': {Accept: 2, Accepted: true, Tighter: true},
			'B': {Accept: 2, Accepted: true}, 'R': {Accept: 2},
		}[r]
		if !ok {
			t.Fatalf("no lot %q", r)
		}
		out = append(out, lot)
	}
	return out
}

// The switching rules of ISO 2859-1:1999, 9.3, from memory: each rule at both sides of
// its edge.
func TestSwitching(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		history string
		wanted  bool // reduced inspection
		want    sampling.Severity
		score   int
		stopped bool
	}{
		{"", true, "normal", 0, false},
		{"r", true, "normal", 0, false},
		{"rr", true, "tightened", 0, false},                   // 2 of 2
		{"raaar", true, "tightened", 0, false},                // 2 of 5
		{"raaaar", true, "normal", 0, false},                  // 2 of 6
		{"rraaaa", true, "tightened", 0, false},               // 4 in a row do not relax
		{"rraaaaa", true, "normal", 0, false},                 // 5 do
		{"rraaaaraaaa", true, "tightened", 0, false},          // a row that was broken
		{"rraaaaaa", true, "normal", 2, false},                // the score begins anew
		{strings.Repeat("a", 14), true, "normal", 28, false},  // 2 for each
		{strings.Repeat("a", 15), true, "reduced", 0, false},  // 30
		{strings.Repeat("a", 15), false, "normal", 30, false}, // nobody wants it
		{strings.Repeat("a", 14) + "ra", true, "normal", 2, false},
		{strings.Repeat("A", 9), true, "normal", 27, false},      // 3 for each
		{strings.Repeat("A", 10), true, "reduced", 0, false},     // 30
		{strings.Repeat("A", 9) + "B", true, "normal", 0, false}, // accepted, but not one step tighter
		{strings.Repeat("a", 15) + "aaa", true, "reduced", 0, false},
		{strings.Repeat("a", 15) + "r", true, "normal", 0, false},  // one refused lot ends it
		{strings.Repeat("a", 15) + "rr", true, "normal", 0, false}, // the refusal before the switch does not count
		{"rr" + "rrrr", true, "tightened", 0, false},
		{"rr" + "rrrrr", true, "tightened", 0, true}, // 5 refused under tightened
		{"rr" + "rarararar", true, "tightened", 0, true},
	} {
		name := fmt.Sprintf("%s %v", c.history, c.wanted)
		got := sampling.Next(lots(t, c.history), sampling.Line{Steady: true, WantReduced: c.wanted})
		if got.Severity != c.want || got.Score != c.score || got.Stopped != c.stopped || got.Why == "" {
			t.Errorf("%s: %+v, want %s, score %d, stopped %v", name, got, c.want, c.score, c.stopped)
		}
	}
	if got := sampling.Next(lots(t, strings.Repeat("a", 20)), sampling.Line{WantReduced: true}); got.Severity != sampling.Normal {
		t.Errorf("reduced although production is not steady: %+v", got)
	}
}

// Risks are those of scipy 1.x, hypergeom.sf and .cdf, in testdata/risks.py.
func TestRisksOfALot(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/risks.txt")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for row := range strings.Lines(string(text)) {
		var lot int
		var p sampling.Plan
		var w sampling.Wish
		var producer, consumer float64
		if _, err := fmt.Sscan(row, &lot, &p.Sample, &p.Accept, &w.Good, &w.Bad, &producer, &consumer); err != nil {
			continue // the head
		}
		n++
		a, b, err := p.RisksLot(lot, w)
		if err != nil || math.Abs(a-producer) > 1e-12 || math.Abs(b-consumer) > 1e-12*consumer+1e-15 {
			t.Errorf("%s: %v and %v (%v)", strings.TrimSpace(row), a, b, err)
		}
	}
	if n != 8 {
		t.Errorf("%d rows", n)
	}
	if _, _, err := (sampling.Plan{Sample: 5}).RisksLot(10, sampling.Wish{Good: 0, Bad: 1.5}); err == nil {
		t.Error("a fraction of 1.5 is taken")
	}
	if _, _, err := (sampling.Plan{Sample: 50}).RisksLot(10, sampling.Wish{Bad: 1}); err == nil {
		t.Error("a sample beyond the lot is taken")
	}
}

// What holds for any plan under any severity: tightened never lets more lots through,
// reduced never takes more units nor breaks the promise to the producer unless the
// normal plan does.
func TestSeveritiesOfAnyPlan(t *testing.T) {
	t.Parallel()
	w := sampling.Wish{Good: 0.02, ProducerRisk: 0.05, Bad: 0.15, ConsumerRisk: 0.1}
	for lot := 20; lot <= 300; lot += 7 {
		f, err := sampling.FindLot(lot, w)
		if err != nil {
			t.Fatal(err)
		}
		tight, less := f.Under(sampling.Tightened, lot, w), f.Under(sampling.Reduced, lot, w)
		if f.Under(sampling.Normal, lot, w) != f.Plan {
			t.Errorf("lot %d: normal changes the plan", lot)
		}
		for d := range lot + 1 {
			a, _ := f.AcceptLot(lot, d)
			b, err := tight.AcceptLot(lot, d)
			if err != nil || b > a+1e-12 {
				t.Fatalf("lot %d, %d defective: tightened %+v accepts with %v, normal %+v with %v (%v)", lot, d, tight, b, f.Plan, a, err)
			}
		}
		if less.Sample != max(1, int(math.Ceil(0.4*float64(f.Sample)-1e-9))) || less.Accept > f.Accept {
			t.Errorf("lot %d: reduced is %+v of %+v", lot, less, f.Plan)
		}
		if p, _, err := less.RisksLot(lot, w); err != nil || p > w.ProducerRisk+1e-9 {
			t.Errorf("lot %d: reduced %+v has producer's risk %v (%v)", lot, less, p, err)
		}
		if tight == f.Plan && f.Sample < lot {
			t.Errorf("lot %d: tightened changes nothing at %+v", lot, f.Plan)
		}
	}
}

func TestPull(t *testing.T) {
	t.Parallel()
	seed := [32]byte{1, 2, 3}
	a, err := sampling.Pull(seed, 40, 7)
	b, _ := sampling.Pull(seed, 40, 7)
	if err != nil || fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("%v, then %v (%v)", a, b, err)
	}
	if c, _ := sampling.Pull([32]byte{1, 2, 4}, 40, 7); fmt.Sprint(a) == fmt.Sprint(c) {
		t.Errorf("another seed draws the same: %v", c)
	}
	all, _ := sampling.Pull(seed, 9, 9)
	seen := map[int]bool{}
	for _, i := range all {
		seen[i] = true
	}
	if len(seen) != 9 {
		t.Errorf("all of nine: %v", all)
	}
	for _, k := range []int{-1, 10} {
		if _, err := sampling.Pull(seed, 9, k); err == nil {
			t.Errorf("%d of 9 are drawn", k)
		}
	}
	if none, err := sampling.Pull(seed, 0, 0); err != nil || len(none) != 0 {
		t.Errorf("%v (%v)", none, err)
	}
}

// Every pair of five has the same chance: chi-squared over the ten pairs; its upper 0.1 %
// point with 9 degrees of freedom is 27.88 (any table of the distribution).
func TestPullIsFair(t *testing.T) {
	t.Parallel()
	const draws = 20_000
	counts := map[[2]int]int{}
	for i := range draws {
		p, err := sampling.Pull([32]byte{byte(i), byte(i >> 8), 7}, 5, 2)
		if err != nil {
			t.Fatal(err)
		}
		counts[[2]int{min(p[0], p[1]), max(p[0], p[1])}]++
	}
	x2 := 0.0
	for _, n := range counts {
		x2 += math.Pow(float64(n)-draws/10, 2) / (draws / 10)
	}
	if len(counts) != 10 || x2 > 27.88 {
		t.Errorf("%d pairs, chi-squared %v", len(counts), x2)
	}
}
