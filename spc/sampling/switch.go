package sampling

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Severity is how strictly lots are inspected.
type Severity string

const (
	Normal    Severity = "normal"
	Tightened Severity = "tightened"
	Reduced   Severity = "reduced"
)

// An Inspection is the result of one lot's original inspection. A lot that is submitted
// again does not count.
type Inspection struct {
	Severity Severity // it was inspected under
	Accept   int      // acceptance number of its plan
	Accepted bool
	// Tighter tells whether the lot would also have been accepted one step tighter. It
	// counts for plans with an acceptance number of 2 or more.
	Tighter bool
}

// A Line of lots, as far as the rules ask: reduced inspection needs steady production,
// and somebody who wants it.
type Line struct{ Steady, WantReduced bool }

// A Regime is the severity for the next lot and how it came about.
type Regime struct {
	Severity Severity
	Score    int  // toward reduced inspection; reached at 30
	Stopped  bool // inspection is to stop until the process was mended
	Why      string
}

// Numbers of the switching rules, ISO 2859-1:1999, 9.3 (from memory).
const (
	tightenAfter = 2  // lots not accepted …
	tightenAmong = 5  // … among at most so many in a row
	relaxAfter   = 5  // lots in a row accepted under tightened inspection
	reduceScore  = 30 // switching score for reduced inspection
	stopAfter    = 5  // lots not accepted under tightened inspection, all together
)

// Next goes through the inspections of a product, oldest first, and returns what holds
// for the next lot (ISO 2859-1:1999, 9.3, from memory):
//
//   - normal to tightened when 2 of 5 or fewer lots in a row were not accepted;
//   - tightened to normal when 5 lots in a row were accepted;
//   - stop when 5 lots, in a sequence under tightened inspection, were not accepted;
//   - normal to reduced when the switching score reaches 30, production is steady and
//     reduced inspection is wanted. The score gains 3 for a lot that one step tighter
//     would also have accepted (acceptance number 2 or more), or 2 for an accepted lot
//     (acceptance number 0 or 1), and any other lot sets it to 0;
//   - reduced to normal when a lot was not accepted, or production is not steady.
//
// The severity that the rules give counts, not the one an Inspection says it was made
// under: one made under another, since somebody chose so, is still a lot accepted or not.
func Next(history []Inspection, line Line) Regime {
	s := Regime{Severity: Normal, Why: "the first lots are inspected under normal"}
	var recent []bool // since the last switch
	refused := 0      // under tightened
	become := func(to Severity, why string, args ...any) {
		s.Severity, s.Why, s.Score, recent = to, fmt.Sprintf(why, args...), 0, nil
	}
	for _, lot := range history {
		recent = append(recent, lot.Accepted)
		switch s.Severity {
		case Normal:
			s.Score = score(s.Score, lot)
			if n := count(recent, tightenAmong, false); n >= tightenAfter {
				become(Tightened, "%d of the last %d lots were not accepted", n, min(len(recent), tightenAmong))
				refused = 0
			} else if s.Score >= reduceScore && line.Steady && line.WantReduced {
				become(Reduced, "the switching score reached %d", reduceScore)
			}
		case Tightened:
			if !lot.Accepted {
				if refused++; refused >= stopAfter {
					s.Stopped = true
					s.Why = fmt.Sprintf("%d lots were not accepted under tightened inspection", refused)
				}
			}
			if len(recent) >= relaxAfter && count(recent, relaxAfter, true) == relaxAfter {
				become(Normal, "%d lots in a row were accepted", relaxAfter)
				s.Stopped = false
			}
		case Reduced:
			if !lot.Accepted {
				become(Normal, "a lot was not accepted under reduced inspection")
			}
		}
	}
	if s.Severity == Reduced && !(line.Steady && line.WantReduced) {
		become(Normal, "reduced inspection needs steady production and somebody who wants it")
	}
	return s
}

// score is the switching score after one more lot.
func score(before int, lot Inspection) int {
	switch {
	case lot.Accept >= 2 && lot.Accepted && lot.Tighter:
		return before + 3
	case lot.Accept < 2 && lot.Accepted:
		return before + 2
	}
	return 0
}

// count counts the lots with a result among the newest so many.
func count(lots []bool, newest int, accepted bool) (n int) {
	for _, l := range lots[max(0, len(lots)-newest):] {
		if l == accepted {
			n++
		}
	}
	return n
}

// step is one step of the standard's series of sizes and quality levels, five to a
// decade.
var step = math.Pow(10, 0.2)

// Under returns a plan for normal inspection as it is under a severity. The published
// tables pair their plans; ours are computed for the lot, so that the pairing is our own:
//
//   - tightened: the same sample, one defective fewer allowed; a plan that allows none
//     gets a sample one step larger (a factor of 1.585), at most the whole lot;
//   - reduced: two fifths of the sample, and the smallest acceptance number that keeps
//     the producer's risk of the wish, at most the plan's own.
//
// What that does to both risks is to be computed and shown (RisksLot).
func (p Plan) Under(s Severity, lot int, w Wish) Plan {
	switch s {
	case Tightened:
		if p.Accept > 0 {
			return Plan{p.Sample, p.Accept - 1}
		}
		return Plan{min(lot, int(math.Ceil(float64(p.Sample)*step))), 0}
	case Reduced:
		n := max(1, int(math.Ceil(0.4*float64(p.Sample)-1e-9)))
		good := int(math.Floor(float64(lot)*w.Good + 1e-9))
		for c := range p.Accept {
			if c >= n {
				break
			}
			if (dist.Hypergeometric{Lot: lot, Marked: good, Sample: n}).Survival(c) <= w.ProducerRisk+rounding {
				return Plan{n, c}
			}
		}
		return Plan{n, min(p.Accept, n-1)}
	}
	return p
}

// RisksLot returns the risks of a plan for one lot at the fractions of a wish, exact as
// in FindLot: to refuse a lot at Good, and to accept one at Bad.
func (p Plan) RisksLot(lot int, w Wish) (producer, consumer float64, err error) {
	if err := p.checkLot(lot); err != nil {
		return 0, 0, err
	}
	good, bad := int(math.Floor(float64(lot)*w.Good+1e-9)), int(math.Ceil(float64(lot)*w.Bad-1e-9))
	if good < 0 || bad > lot || good > lot {
		return 0, 0, fmt.Errorf("fractions %v and %v are no shares of a lot: give them from 0 to 1", w.Good, w.Bad)
	}
	return dist.Hypergeometric{Lot: lot, Marked: good, Sample: p.Sample}.Survival(p.Accept), p.acceptLot(lot, bad), nil
}
