package line

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"alike/internal/store"
	"alike/reports"
)

// States of a lot.
//
//	open ──close──► closed ──decide──► decided
//	  ▲               │                   │
//	  └────reopen─────┴───────────────────┘   only with a reason
const (
	LotOpen    = "open"
	LotClosed  = "closed"
	LotDecided = "decided"
)

// Outcomes of a decision.
const (
	OutcomeAccept     = "accept"
	OutcomeConcession = "concession" // accepted although something speaks against it
	OutcomeSort       = "sort"       // every unit is to be looked at again
	OutcomeRework     = "rework"
	OutcomeReject     = "reject"
)

// Outcomes lists what can be decided.
var Outcomes = []string{OutcomeAccept, OutcomeConcession, OutcomeSort, OutcomeRework, OutcomeReject}

// remeasured reports whether units of a lot decided so come back to the rig.
func remeasured(outcome string) bool { return outcome == OutcomeSort || outcome == OutcomeRework }

// CloseLot ends the measuring of a lot: new units and first attempts are refused from
// then on, retests are not.
func (l *Line) CloseLot(ctx context.Context, by By, lot, reason string) error {
	return l.lotStep(ctx, by, lot, func(s store.Site, st store.LotState) (store.LotStep, string, error) {
		if st.State != LotOpen {
			return store.LotStep{}, "", refuse(Conflict, "lot", "there is nothing to do; to measure more, re-open it with: alike lot reopen", "lot %s is %s already", lot, st.State)
		}
		row, err := s.Lot(ctx, lot)
		if err == nil && row.Units == 0 {
			err = refuse(Conflict, "lot", "measure its units first", "lot %s has no units", lot)
		}
		return store.LotStep{State: LotClosed, Reason: reason}, "close lot", err
	})
}

// ReopenLot opens a closed or decided lot for measuring again. The decision stays on
// record and is no longer in force.
func (l *Line) ReopenLot(ctx context.Context, by By, lot, reason string) error {
	if strings.TrimSpace(reason) == "" {
		return refuse(Invalid, "reason", "say why the lot is opened again", "a lot is re-opened only with a reason")
	}
	return l.lotStep(ctx, by, lot, func(s store.Site, st store.LotState) (store.LotStep, string, error) {
		if st.State == LotOpen {
			return store.LotStep{}, "", refuse(Conflict, "lot", "there is nothing to do", "lot %s is open", lot)
		}
		return store.LotStep{State: LotOpen, Reason: reason}, "reopen lot", nil
	})
}

// lotStep stores a step of a lot's way with its journal entry. The product is locked
// while it does, so that no unit comes in between.
func (l *Line) lotStep(ctx context.Context, by By, lot string, do func(store.Site, store.LotState) (store.LotStep, string, error)) error {
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		row, err := l.lockLot(ctx, s, lot)
		if err != nil {
			return err
		}
		state, err := s.LotState(ctx, lot)
		if err != nil {
			return err
		}
		step, deed, err := do(s, state)
		if err != nil {
			return err
		}
		step.Lot, step.Actor, step.Origin = lot, by.Actor, by.Origin
		if step.At.IsZero() {
			step.At = l.now()
		}
		if step.LimitSet, err = newestLimitSet(ctx, s, row.Product); err != nil {
			return err
		}
		n, err := s.AddLotStep(ctx, step)
		if err != nil {
			return err
		}
		detail := map[string]any{"step": n}
		if step.Outcome != "" {
			detail["outcome"], detail["data_hash"], detail["signature"] = step.Outcome, hex.EncodeToString(step.DataHash), hex.EncodeToString(step.Signature)
		}
		return l.journal(ctx, s, by, deed, lot, step.Reason, detail)
	})
}

// lockLot finds a lot and locks its product.
func (l *Line) lockLot(ctx context.Context, s store.Site, lot string) (store.LotRow, error) {
	row, err := s.Lot(ctx, lot)
	if errors.Is(err, store.ErrNotFound) {
		return row, noLot(lot)
	} else if err != nil {
		return row, err
	}
	_, err = s.LockProduct(ctx, row.Product)
	return row, err
}

func noLot(lot string) *Refusal {
	return refuse(Missing, "lot", "see the lots with: alike lot list", "there is no lot %q", lot)
}

// newestLimitSet is the newest version of a product's limit set, 0 for none.
func newestLimitSet(ctx context.Context, s store.Site, product string) (int, error) {
	row, err := s.LimitSet(ctx, product, 0)
	if errors.Is(err, store.ErrNotFound) {
		return 0, nil
	}
	return row.Version, err
}

// A Decision is what a person decides on a closed lot.
type Decision struct {
	Outcome string
	Reason  string
	// DataHash, when given, is the hash of the report that the person read; another
	// report is refused.
	DataHash string
}

// DecideLot decides a closed lot and signs the decision: it is bound to the hash of the
// report's data as they are in this moment. Accepting needs a lot that is ready and
// proposed for acceptance; in spite of that it is a concession. It returns the report
// with the decision in it.
func (l *Line) DecideLot(ctx context.Context, by By, lot, program string, d Decision) (reports.Lot, error) {
	switch {
	case !slices.Contains(Outcomes, d.Outcome):
		return reports.Lot{}, refuse(Invalid, "outcome", "use "+strings.Join(Outcomes, ", "), "%q is no decision", d.Outcome)
	case strings.TrimSpace(d.Reason) == "":
		return reports.Lot{}, refuse(Invalid, "reason", "say in your words why you decide so", "a decision needs a typed reason")
	case strings.TrimSpace(by.Actor) == "":
		return reports.Lot{}, refuse(Invalid, "person", "give the name of the person who decides", "a decision needs a person")
	}
	err := l.lotStep(ctx, by, lot, func(s store.Site, st store.LotState) (store.LotStep, string, error) {
		switch st.State {
		case LotOpen:
			return store.LotStep{}, "", refuse(Conflict, "lot", "close it first with: alike lot close "+lot, "lot %s is still open for measuring", lot)
		case LotDecided:
			return store.LotStep{}, "", refuse(Conflict, "lot", "to decide anew, re-open it with a reason: alike lot reopen "+lot, "lot %s is decided already: %s, by %s", lot, st.Outcome, st.Actor)
		}
		step, err := l.sign(ctx, s, by, lot, program, d)
		return step, "decide lot", err
	})
	if err != nil {
		return reports.Lot{}, err
	}
	return l.LotReport(ctx, lot, program)
}

// sign gathers what the decision rests on and makes the step.
func (l *Line) sign(ctx context.Context, s store.Site, by By, lot, program string, d Decision) (store.LotStep, error) {
	at := l.now().UTC().Truncate(time.Microsecond)
	step := store.LotStep{Lot: lot, State: LotDecided, Outcome: d.Outcome, Reason: d.Reason, Actor: by.Actor, At: at}
	g := &gathering{line: l, program: program, pin: &pin{at: at}}
	row, err := s.Lot(ctx, lot)
	if err != nil {
		return step, err
	}
	if step.LimitSet, err = newestLimitSet(ctx, s, row.Product); err != nil {
		return step, err
	}
	g.pin.limitSet = step.LimitSet
	if err := g.run(ctx, s, lot); err != nil {
		return step, err
	}
	if d.Outcome == OutcomeAccept {
		if err := acceptable(g.out); err != nil {
			return step, err
		}
	}
	data, err := g.out.Data()
	if err != nil {
		return step, err
	}
	step.Basis, step.DataHash = string(data), reports.Hash(data)
	if h := hex.EncodeToString(step.DataHash); d.DataHash != "" && d.DataHash != h {
		return step, refuse(Conflict, "data_hash", "read the report as it is now, and decide on that", "the lot's data changed since the report that you read (%s, now %s)", short(d.DataHash), short(h))
	}
	steps, err := s.LotSteps(ctx, lot)
	step.Step = len(steps) + 1
	step.Signature = signature(l.site, step)
	return step, err
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}

// acceptable refuses to accept plainly what is not ready or not proposed.
func acceptable(r reports.Lot) error {
	against := slices.Clone(r.Life.NotReady)
	if !r.Proposal.Accept {
		against = append(against, r.Proposal.Reasons...)
	}
	if r.Sampling.Result == Refuse {
		against = append(against, SamplingText(r.Sampling))
	}
	if len(against) == 0 {
		return nil
	}
	return refuse(Conflict, "outcome", "put that right first, or decide concession and say in the reason why the lot may go in spite of it",
		"lot %s cannot be accepted plainly: %s", r.Code, strings.Join(unique(against), " "))
}

func unique(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// signature is the SHA-256 over a decision and the hash of what was decided on, each
// field written as in the journal: length, colon, field, comma. It proves nothing by
// itself, since it holds no secret: the journal's chain holds it in place.
func signature(site string, p store.LotStep) []byte {
	h := sha256.New()
	for _, f := range []string{"alike decision 1", site, p.Lot, strconv.Itoa(p.Step), p.Outcome, p.Reason, p.Actor,
		strconv.FormatInt(p.At.UnixMicro(), 10), strconv.Itoa(p.LimitSet), hex.EncodeToString(p.DataHash)} {
		fmt.Fprintf(h, "%d:%s,", len(f), f)
	}
	return h.Sum(nil)
}

// decided refuses to change what a decided lot's verdicts rest on by hand.
func decided(ctx context.Context, s store.Site, lot string) error {
	st, err := s.LotState(ctx, lot)
	if err == nil && st.State == LotDecided {
		err = refuse(Conflict, "lot", "re-open it with its reason: alike lot reopen "+lot, "lot %s is decided (%s by %s): its verdicts stand", lot, st.Outcome, st.Actor)
	}
	return err
}

// shut refuses a take that the lot's state does not allow: no first attempts once it is
// closed, and nothing at all once it is decided, unless the decision sends the units
// back to the rig.
func (v *visit) shut(number int, attempts []store.AttemptRow) *Refusal {
	return shutTo(v.state, v.lot, v.receipt.Serial, number == 1 && len(attempts) == 0)
}

// shutTo refuses what is measured of a unit, or a new unit, of a lot in a state.
func shutTo(st store.LotState, lot, serial string, isNew bool) *Refusal {
	reopen := fmt.Sprintf("re-open it with its reason (alike lot reopen %s), or correct the lot", lot)
	switch {
	case st.State == LotDecided && !remeasured(st.Outcome):
		return refuse(Conflict, "lot", reopen, "lot %s is decided (%s by %s): nothing is measured for it any more", lot, st.Outcome, st.Actor)
	case st.State != LotOpen && isNew:
		return refuse(Conflict, "lot", reopen, "lot %s is closed for measuring: unit %s would come in new", lot, serial)
	}
	return nil
}
