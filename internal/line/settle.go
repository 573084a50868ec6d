package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
)

// A Settled is an attempt whose verdict changed because the trust in its rig did.
type Settled struct {
	Serial   string
	Attempt  int
	From, To envelope.Word
	Sentence string
}

// A settling brings the verdicts of a rig's attempts in line with the trust in it:
// those of a sick rig go on hold, those on hold that a check speaks for are judged,
// in the order in which they were measured.
type settling struct {
	line     *Line
	by       By
	setup    *Setup
	policy   RigPolicy
	why      string // for the history of each verdict
	onlyHeld bool
	settled  []Settled
	signals  []store.SignalRow

	withdrawn, standing []int64 // places that the charts stopped, or began, to read
}

// run settles what an event at a moment may change; the zero moment stands for all.
func (k *settling) run(ctx context.Context, s store.Site, rig string, at time.Time) error {
	from := time.Time{}
	var events []store.RigEvent
	var err error
	if !at.IsZero() {
		// Up to the last good check before the event nothing changes.
		if events, err = s.RigEvents(ctx, k.setup.Code, rig, at.Add(-time.Microsecond)); err != nil {
			return err
		}
		if len(events) > 0 && events[0].Kind == checkPassed && events[0].At.Before(at) {
			from = events[0].At
		}
	} else if events, err = s.RigEvents(ctx, k.setup.Code, rig, from); err != nil {
		return err
	}
	attempts, err := s.AttemptsOnRig(ctx, k.setup.Code, rig, from, k.onlyHeld)
	if err != nil {
		return err
	}
	before := len(k.settled)
	for _, a := range attempts {
		held := *a.Verdict == string(envelope.Hold)
		good := k.policy.Off || weigh(events, a.MeasuredAt, k.policy.valid()).good
		switch {
		case good && held && a.Last:
			err = k.judge(ctx, s, a, false, k.why)
		case !good && !held:
			err = k.hold(ctx, s, a, rig, events)
		}
		if err != nil {
			return err
		}
	}
	if err := k.tell(ctx, s); err != nil {
		return err
	}
	return k.journal(ctx, s, rig, k.settled[before:])
}

// journal writes down which units were judged and which went on hold.
func (k *settling) journal(ctx context.Context, s store.Site, rig string, settled []Settled) error {
	var held, judged []string
	for _, x := range settled {
		if x.To == envelope.Hold {
			held = append(held, x.Serial)
		} else {
			judged = append(judged, x.Serial)
		}
	}
	if len(held) > 0 {
		if err := k.line.journal(ctx, s, k.by, "put on hold", rig, k.why, map[string]any{"units": held}); err != nil {
			return err
		}
	}
	if len(judged) > 0 {
		return k.line.journal(ctx, s, k.by, "judge units on hold", rig, k.why, map[string]any{"units": judged})
	}
	return nil
}

// judge gives an attempt on hold its verdict.
func (k *settling) judge(ctx context.Context, s store.Site, a store.RigAttempt, released bool, why string) error {
	unit, err := s.Unit(ctx, a.Serial)
	if err != nil {
		return err
	}
	takes, err := s.Takes(ctx, a.Attempt)
	if err != nil {
		return err
	}
	v := &visit{line: k.line, by: k.by, setup: k.setup, at: k.line.now(), unit: unit, attempt: a.AttemptRow, release: why, released: released}
	if !k.policy.Off && !released {
		if v.rig, err = k.line.trustIn(ctx, s, k.setup, k.policy, 0, a.Station, a.MeasuredAt); err != nil {
			return err
		}
	}
	if err := v.judge(ctx, s, takes); err != nil {
		return err
	}
	k.settled = append(k.settled, Settled{a.Serial, a.Number, envelope.Hold, v.receipt.Verdict.Word, v.receipt.Verdict.Sentence})
	k.signals = append(k.signals, v.receipt.Signals...)
	k.standing = append(k.standing, a.Place)
	return nil
}

// hold takes a verdict back: the rig that gave it was sick.
func (k *settling) hold(ctx context.Context, s store.Site, a store.RigAttempt, rig string, events []store.RigEvent) error {
	j, err := k.line.trustIn(ctx, s, k.setup, k.policy, 0, rig, a.MeasuredAt)
	if err != nil {
		return err
	}
	j.trust = weigh(events, a.MeasuredAt, k.policy.valid())
	verdict := j.verdict(k.setup)
	if before, err := storedVerdict(a.AttemptRow); err != nil {
		return err
	} else if before != nil {
		verdict.ReadAs = before.ReadAs // the stored reading stays
	}
	from := envelope.Word(*a.Verdict)
	v := &visit{line: k.line, by: k.by, setup: k.setup, at: k.line.now(), attempt: a.AttemptRow, release: k.why}
	if v.unit, err = s.Unit(ctx, a.Serial); err != nil {
		return err
	}
	if err := v.finish(ctx, s, verdict); err != nil {
		return err
	}
	k.settled = append(k.settled, Settled{a.Serial, a.Number, from, envelope.Hold, verdict.Sentence})
	board, err := k.line.board(ctx, s, k.setup)
	if err != nil {
		return err
	}
	k.withdrawn = append(k.withdrawn, a.Place)
	return v.rechart(ctx, s, board)
}

// rechart has the charts read the attempt of a unit that counts: its first one that
// is not on hold. Signals of one that no longer counts are withdrawn.
func (v *visit) rechart(ctx context.Context, s store.Site, b *board) error {
	attempts, err := s.Attempts(ctx, v.unit.Serial)
	if err != nil {
		return err
	}
	counts := counting(attempts)
	readings, err := s.ReadingsOfUnit(ctx, v.setup.Code, v.unit.Serial)
	if err != nil {
		return err
	}
	if counts == 1 && v.attempt.Number > 1 && !slices.ContainsFunc(readings, func(r store.ReadingRow) bool { return r.Charted }) {
		// Left out since it came in late, unless it was on hold: a retest does not change that.
		changes, err := s.VerdictChanges(ctx, v.unit.Serial)
		if err != nil || len(changes) == 0 {
			return err
		}
	}
	for _, r := range readings { // first off, for a place has one charted reading at most
		if r.Charted && r.Number != counts {
			if _, err := s.Chart(ctx, v.setup.Code, r.Place, r.Number, false); err != nil {
				return err
			}
		}
	}
	for _, r := range readings {
		if r.Charted || r.Number != counts {
			continue
		}
		restored, err := s.Chart(ctx, v.setup.Code, r.Place, r.Number, true)
		if err != nil || restored || b == nil {
			return err
		}
		v.receipt.Signals, err = b.read(ctx, s, r)
		return err
	}
	return nil
}

// counting returns the number of the attempt that yield and charts go by: the first
// that a trusted rig judged, 0 for none.
func counting(attempts []store.AttemptRow) int {
	for _, a := range attempts {
		if a.Verdict == nil {
			return 0
		}
		if *a.Verdict != string(envelope.Hold) {
			return a.Number
		}
	}
	return 0
}

// Release judges units on hold as they were measured: a person answers for the rig.
// Every unit must be on hold with no later attempt; the error names the first that is
// not, and then nothing is changed. Units of a decided lot are not released, though a
// check of the rig judges them all the same: the decision then says that its data changed.
func (l *Line) Release(ctx context.Context, by By, serials []string, reason string) ([]Settled, error) {
	if reason == "" {
		return nil, refuse(Invalid, "reason", "say why the rig can be trusted for these units", "units are not released without a reason")
	}
	if len(serials) == 0 {
		return nil, refuse(Invalid, "serial", "name at least one unit", "no unit is named")
	}
	unit, err := l.db.Site(l.site).Unit(ctx, serials[0])
	if errors.Is(err, store.ErrNotFound) {
		return nil, refuse(Missing, "serial", "check the serial", "there is no unit %q", serials[0])
	} else if err != nil {
		return nil, err
	}
	setup, err := l.Setup(ctx, unit.Product)
	if err != nil {
		return nil, err
	}
	k := settling{line: l, by: by, setup: setup, why: "released by " + by.Actor + ": " + reason}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		held, err := s.OnHold(ctx, setup.Code)
		if err != nil {
			return err
		}
		wanted := map[string]bool{}
		for _, serial := range serials {
			wanted[serial] = true
		}
		for _, a := range held { // in order of measurement
			if !wanted[a.Serial] {
				continue
			}
			delete(wanted, a.Serial)
			if u, err := s.Unit(ctx, a.Serial); err != nil {
				return err
			} else if err := decided(ctx, s, u.Lot); err != nil {
				return err
			}
			if err := k.judge(ctx, s, a, true, k.why); err != nil {
				return err
			}
		}
		for _, serial := range serials {
			if wanted[serial] {
				return refuse(Conflict, "serial", "see what is on hold with: alike rig status", "unit %s of product %s is not on hold", serial, setup.Code)
			}
		}
		if err := k.tell(ctx, s); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "release", fmt.Sprint(len(serials), " units"), reason, map[string]any{"units": serials})
	})
	if err != nil {
		return nil, err
	}
	return k.settled, nil
}
