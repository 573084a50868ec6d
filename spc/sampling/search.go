package sampling

import (
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Wish says what a plan must do: lots with at most the Good fraction defective are
// rejected with at most ProducerRisk, lots with at least the Bad fraction are
// accepted with at most ConsumerRisk. All four are fractions.
type Wish struct {
	Good, ProducerRisk float64
	Bad, ConsumerRisk  float64
}

// A Found is the plan with the smallest sample, and with the smallest acceptance
// number among those, that fulfils a wish.
type Found struct {
	Plan
	ProducerRisk, ConsumerRisk float64 // achieved
	// GoodCount and BadCount are the numbers of defectives that the wish means in
	// this lot: the most at or below Good, the fewest at or above Bad.
	GoodCount, BadCount int
	InspectAll          bool // no plan short of inspecting every unit does it
	// Warnings are whole sentences for the reader of the result.
	Warnings []string
}

func (w Wish) check() error {
	for _, f := range []struct {
		name string
		v    float64
	}{{"good fraction", w.Good}, {"bad fraction", w.Bad}} {
		if err := checkFraction(f.name, f.v); err != nil {
			return err
		}
	}
	for _, f := range []struct {
		name string
		v    float64
	}{{"producer's risk", w.ProducerRisk}, {"consumer's risk", w.ConsumerRisk}} {
		if !(f.v > 0 && f.v < 1) {
			return fmt.Errorf("%s %v is not between 0 and 1: give a fraction such as 0.05", f.name, f.v)
		}
	}
	if w.Good >= w.Bad {
		return fmt.Errorf("good fraction %v is not below bad fraction %v: exchange them or move them apart", w.Good, w.Bad)
	}
	if w.ProducerRisk+w.ConsumerRisk >= 1 {
		return fmt.Errorf("producer's risk %v and consumer's risk %v add to 1 or more: a coin would do; lower them", w.ProducerRisk, w.ConsumerRisk)
	}
	return nil
}

// rounding lets a risk that equals the wish exactly count as kept: 3/15 in a lot of
// six is 0.2, and comes out a few last digits above.
const rounding = 1e-12

// FindLot finds the plan for one lot of the given size, by exact hypergeometric
// chances. A lot holds whole defectives: the good fraction means floor(N·Good) of
// them, the bad one ceil(N·Bad), so that the promise holds for every lot at or
// beyond the fractions; products within 1e-9 of a whole number count as whole.
// Inspecting the whole lot always fulfils the wish.
//
// Errors: fractions or risks out of range or the wrong way round, or a lot so small
// that no number of defectives lies between good and bad.
func FindLot(lot int, w Wish) (Found, error) {
	if err := w.check(); err != nil {
		return Found{}, err
	}
	if err := checkLotSize(lot); err != nil {
		return Found{}, err
	}
	f := Found{GoodCount: int(math.Floor(float64(lot)*w.Good + 1e-9)), BadCount: int(math.Ceil(float64(lot)*w.Bad - 1e-9))}
	if f.BadCount <= f.GoodCount {
		return Found{}, fmt.Errorf("in a lot of %d the good fraction means %d defectives and the bad one %d: move the fractions apart", lot, f.GoodCount, f.BadCount)
	}
	n := 1
	for c := 0; ; c++ {
		// The consumer's risk needs at least n units; it falls with n and rises with
		// c. The first c whose n also keeps the producer's risk has the smallest n.
		n = leastSample(max(n, c+1), lot, func(n int) bool {
			return Plan{n, c}.acceptLot(lot, f.BadCount) <= w.ConsumerRisk+rounding
		})
		f.Plan = Plan{n, c}
		// 1-Pa as the upper tail: exact when it is tiny
		f.ProducerRisk = dist.Hypergeometric{Lot: lot, Marked: f.GoodCount, Sample: f.Sample}.Survival(c)
		if f.ProducerRisk <= w.ProducerRisk+rounding {
			break
		}
	}
	f.ConsumerRisk = f.acceptLot(lot, f.BadCount)
	f.InspectAll = f.Sample == lot
	if f.InspectAll {
		f.Warnings = append(f.Warnings, fmt.Sprintf("No plan short of inspecting all %d units keeps both risks.", lot))
	}
	if f.GoodCount == 0 && w.Good > 0 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("A lot of %d at the good fraction holds less than one defective: the producer's risk is that of a lot without any.", lot))
	}
	return f, nil
}

// mostSample bounds the search for a process: two fractions that need more are too
// close to tell apart by sampling.
const mostSample = 100_000

// FindProcess finds the plan for lots from a process, by exact binomial chances;
// GoodCount and BadCount stay 0. It fails when more than 100 000 units are needed.
func FindProcess(w Wish) (Found, error) {
	if err := w.check(); err != nil {
		return Found{}, err
	}
	n := 1
	for c := 0; ; c++ {
		ok := func(n int) bool { return Plan{n, c}.acceptProcess(w.Bad) <= w.ConsumerRisk+rounding }
		if !ok(mostSample) {
			return Found{}, fmt.Errorf("good fraction %v and bad fraction %v need more than %d units to tell apart: move them apart or allow more risk", w.Good, w.Bad, mostSample)
		}
		n = leastSample(max(n, c+1), mostSample, ok)
		f := Found{Plan: Plan{n, c}}
		f.ProducerRisk = dist.Binomial{N: f.Sample, P: w.Good}.Survival(c)
		if f.ProducerRisk <= w.ProducerRisk+rounding {
			f.ConsumerRisk = f.acceptProcess(w.Bad)
			return f, nil
		}
	}
}

// leastSample returns the smallest n within low to high for which ok holds, given
// that it holds from some n on, high included. It strides up from low, because the
// answer for one more defective is near the one before.
func leastSample(low, high int, ok func(int) bool) int {
	for step := 1; low+step < high; step *= 2 {
		if ok(low + step) {
			high = low + step
			break
		}
		low += step + 1
	}
	for low < high {
		mid := low + (high-low)/2
		if ok(mid) {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low
}
