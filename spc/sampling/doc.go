// Package sampling judges and finds single acceptance-sampling plans: draw Sample
// units from the lot without replacement, accept when at most Accept of them are
// defective.
//
// Two models, not to be mixed up. The chance to accept this very lot, which holds a
// whole number of defectives, is hypergeometric (type A in the trade); it is the one
// for lots of 10 to 300. The chance to accept lots from a process with a constant
// fraction defective is binomial (type B), and does not depend on the lot's size.
//
// Published tables of plans are not repeated here: a plan from one can be entered
// and judged.
package sampling

import "fmt"

// A Plan is a single sampling plan.
type Plan struct {
	Sample int // units drawn, ≥ 1
	Accept int // most defectives that still pass, ≥ 0
}

func (p Plan) check() error {
	if p.Sample < 1 {
		return fmt.Errorf("sample of %d units: draw at least one", p.Sample)
	}
	if p.Accept < 0 {
		return fmt.Errorf("acceptance number %d is negative: 0 is the strictest", p.Accept)
	}
	return nil
}

// PassesAll says that the plan accepts whatever the lot holds, because its sample
// cannot hold more defectives than it accepts.
func (p Plan) PassesAll() bool { return p.Accept >= p.Sample }

// checkCurve refuses a plan whose curve would be a flat line.
func (p Plan) checkCurve() error {
	if err := p.check(); err != nil {
		return err
	}
	if p.PassesAll() {
		return fmt.Errorf("acceptance number %d with a sample of %d passes every lot: lower the number or draw more", p.Accept, p.Sample)
	}
	return nil
}

// largestLot bounds what the exact sums are proven for.
const largestLot = 1_000_000

func (p Plan) checkLot(lot int) error {
	if err := p.check(); err != nil {
		return err
	}
	if err := checkLotSize(lot); err != nil {
		return err
	}
	if p.Sample > lot {
		return fmt.Errorf("sample of %d units from a lot of %d: draw at most the lot", p.Sample, lot)
	}
	return nil
}

func checkLotSize(lot int) error {
	if lot < 1 || lot > largestLot {
		return fmt.Errorf("lot of %d units: give a size from 1 to %d", lot, largestLot)
	}
	return nil
}

func checkFraction(name string, f float64) error {
	if !(f >= 0 && f <= 1) {
		return fmt.Errorf("%s %v is not between 0 and 1: give a fraction such as 0.02", name, f)
	}
	return nil
}
