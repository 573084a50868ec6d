package line

import (
	"context"
	"errors"
	"time"

	"alike/internal/store"
)

// A RigRehearsal says what another rig policy would do.
type RigRehearsal struct {
	Settled []Settled // units on hold that it would let go
	Waiting int       // units on hold that would go on waiting
	Rigs    []RigNow  // whether each rig would be trusted now: if not, the next units wait
}

// errRehearsed takes back what a rehearsal did.
var errRehearsed = errors.New("line: rehearsed")

// RehearseRigPolicy puts a policy in force, looks, and takes it all back.
func (l *Line) RehearseRigPolicy(ctx context.Context, by By, product string, p RigPolicy) (RigRehearsal, error) {
	var out RigRehearsal
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return out, err
	}
	if err := p.Check(); err != nil {
		return out, refuse(Invalid, "policy", "correct it", "%v", err)
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		version, settled, err := l.putPolicy(ctx, s, by, setup, p, "rehearsed")
		if err != nil {
			return err
		}
		out.Settled = settled
		held, err := s.OnHold(ctx, setup.Code)
		if err != nil {
			return err
		}
		out.Waiting = len(held)
		rigs, err := s.Rigs(ctx, setup.Code)
		if err != nil || p.Off {
			return errors.Join(err, errRehearsed)
		}
		for _, rig := range rigs {
			j, err := l.trustIn(ctx, s, setup, p, version, rig, l.now())
			if err != nil {
				return err
			}
			out.Rigs = append(out.Rigs, RigNow{rigName(rig), j.trust.good, j.state()})
		}
		return errRehearsed
	})
	if errors.Is(err, errRehearsed) {
		err = nil
	}
	return out, err
}

// putPolicy stores a policy and judges the units on hold that it lets go. The product
// must be locked.
func (l *Line) putPolicy(ctx context.Context, s store.Site, by By, setup *Setup, p RigPolicy, reason string) (version int, settled []Settled, err error) {
	if version, err = l.addPolicy(ctx, s, by, setup, p, reason); err != nil {
		return 0, nil, err
	}
	rigs, err := s.Rigs(ctx, setup.Code)
	if err != nil {
		return 0, nil, err
	}
	k := settling{line: l, by: by, setup: setup, policy: p, why: "the rig policy changed: " + reason, onlyHeld: true}
	for _, rig := range rigs {
		if err := k.run(ctx, s, rig, time.Time{}); err != nil {
			return 0, nil, err
		}
	}
	return version, k.settled, nil
}
