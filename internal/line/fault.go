package line

import (
	"context"
	"errors"
	"regexp"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/gauge"
)

// Both says that a fault was built into every channel of its units.
const Both = "both"

// Most units that are built faulty for one study, by far.
const mostFaulty = 50

// A FaultPlan says which units are built faulty, how, and what is to be learnt from them.
type FaultPlan struct {
	Code    string // of the study; takes name it as their lot
	Product string
	Key     string // of the signature; one that is known already is superseded by what is learnt
	Words   string // what the fault is; empty for those of a known key
	Check   string // the first thing to look at, a sentence; empty for that of a known key
	Part    string // kind of part it comes from, if it is known
	Side    string // channel that is built faulty, or Both; empty for Both
	Faulty  []string
	// Good units are measured in the same study, in the same way. Without them the baseline
	// of the limits in force says what good is.
	Good   []string
	Trials int // seatings of each unit; 0 for the product's
	Seed   uint64
	Reason string
}

var faultKeyForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// PlanFault stores the plan of a study of units that are built faulty on purpose. Takes
// that name its code as their lot belong to it from then on and are never production, and
// neither is any other take of its faulty units that were no production before.
func (l *Line) PlanFault(ctx context.Context, by By, p FaultPlan) error {
	setup, err := l.Setup(ctx, p.Product)
	if err != nil {
		return err
	}
	if i := slices.IndexFunc(setup.Signatures, func(g Signature) bool { return g.Key == p.Key }); i >= 0 {
		g := setup.Signatures[i]
		p.Words, p.Check, p.Part = orElse(p.Words, g.Words), orElse(p.Check, g.Check), orElse(p.Part, g.Part)
	}
	p.Words, p.Check, p.Part = strings.TrimSpace(p.Words), strings.TrimSpace(p.Check), strings.TrimSpace(p.Part)
	if p.Side = orElse(p.Side, Both); p.Trials == 0 {
		p.Trials = setup.Seatings
	}
	study := StudyPlan{Code: p.Code, Product: setup.Code, Kind: FaultStudy, Units: slices.Concat(p.Faulty, p.Good), By: []string{}, Trials: p.Trials, Seed: p.Seed, Reason: p.Reason}
	if err := study.named(); err != nil {
		return err
	}
	if err := p.check(setup); err != nil {
		return err
	}
	if _, err := gauge.Order(study.Units, p.Trials, p.Seed); err != nil {
		return refuse(Invalid, "plan", "change units or seatings", "%v", err)
	}
	return l.addStudy(ctx, by, setup, study, func(s store.Site) error {
		for _, u := range p.Faulty {
			if _, err := s.Reference(ctx, u); err == nil {
				return refuse(Conflict, "units", "build the fault into another unit", "%s is a reference unit", u)
			} else if !errors.Is(err, store.ErrNotFound) {
				return err
			}
			if made, err := s.Unit(ctx, u); err == nil {
				return refuse(Conflict, "units", "give what is built faulty a serial of its own, such as "+u+"-FAULT", "%s is a unit of production, of lot %s", u, made.Lot)
			} else if !errors.Is(err, store.ErrNotFound) {
				return err
			}
		}
		if _, err := s.LimitSet(ctx, setup.Code, 0); errors.Is(err, store.ErrNotFound) && len(p.Good) == 0 {
			return refuse(Invalid, "good", "name two good units or more to measure in the same way, better ten", "no limits are in force that could say what a good unit is")
		} else if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		return s.AddFaultPlan(ctx, store.FaultPlanRow{
			Study: p.Code, Key: p.Key, Words: p.Words, FirstLook: p.Check, Part: p.Part, Side: p.Side, Faulty: p.Faulty, Good: append([]string{}, p.Good...),
		})
	})
}

func orElse(s, other string) string {
	if s = strings.TrimSpace(s); s == "" {
		return other
	}
	return s
}

func (p FaultPlan) check(setup *Setup) error {
	kinds := setup.partKinds()
	switch {
	case !faultKeyForm.MatchString(p.Key):
		return refuse(Invalid, "key", "use small letters, digits and dashes, such as plate-missing", "%q cannot name a fault", p.Key)
	case p.Words == "":
		return refuse(Invalid, "words", "say what the fault is, such as: tuning plate of the rear port is missing", "fault %s has no words", p.Key)
	case p.Check == "":
		return refuse(Invalid, "check", "give the first thing to look at as a sentence, such as: Open the cup and look whether the tuning plate is in place.", "fault %s has no check", p.Key)
	case p.Part != "" && len(setup.Components) > 0 && !slices.Contains(kinds, p.Part):
		return refuse(Invalid, "part", "use one of "+strings.Join(kinds, ", "), "product %s has no kind of part %q", setup.Code, p.Part)
	case p.Side != Both && !slices.Contains(setup.Channels, p.Side):
		return refuse(Invalid, "side", "use "+Both+" or one of "+strings.Join(setup.Channels, ", "), "product %s has no channel %q", setup.Code, p.Side)
	case len(p.Faulty) < 2:
		return refuse(Invalid, "units", "build three, so that one that is not like the others is seen", "%s cannot tell a fault from the scatter of units", number(len(p.Faulty), "unit"))
	case len(p.Faulty) > mostFaulty:
		return refuse(Invalid, "units", "use at most fifty", "%d faulty units are more than are ever needed", len(p.Faulty))
	case len(p.Good) == 1:
		return refuse(Invalid, "good", "name two or more, or none where limits are in force", "one good unit does not tell how good units scatter")
	}
	for _, u := range slices.Concat(p.Faulty, p.Good) {
		if u == "" || u != strings.TrimSpace(u) || len(u) > 64 || strings.ContainsAny(u, `/`) {
			return refuse(Invalid, "units", "give the serial as its takes will have it", "%q is no serial", u)
		}
	}
	return nil
}

// partKinds lists the kinds of part of the product that its parts ledger takes.
func (s *Setup) partKinds() []string {
	var out []string
	for _, c := range s.Components {
		out = append(out, c.Kind)
	}
	return out
}

// faultPlan finds the plan of a study of faulty units.
func (l *Line) faultPlan(ctx context.Context, s store.Site, code string) (store.FaultPlanRow, error) {
	row, err := s.FaultPlan(ctx, code)
	if errors.Is(err, store.ErrNotFound) {
		return row, refuse(Missing, "study", "see the studies with: alike fault list", "there is no study %q of units built faulty", code)
	}
	return row, err
}
