package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/envelope"
)

// OverrideWords are the verdicts that a person may set.
var OverrideWords = []string{string(envelope.Pass), string(envelope.Fail), string(envelope.Doubtful), string(envelope.Hold), string(envelope.Reseat)}

// An Overriding sets a verdict aside.
type Overriding struct {
	Serial  string
	Attempt int // 0 for the last one
	Verdict string
	Reason  string
}

// An Overridden says what became of it.
type Overridden struct {
	Attempt int
	Was     string
	Verdict string
	Version int
	InForce bool // false while a second person has to agree
}

// Override puts a person's verdict in place of the program's, with a reason. The
// program's verdict stays on record and goes on deciding first-pass yield. With a
// product that asks for a second person it waits for Confirm.
func (l *Line) Override(ctx context.Context, by By, o Overriding) (out Overridden, err error) {
	switch {
	case !slices.Contains(OverrideWords, o.Verdict):
		return out, refuse(Invalid, "verdict", "use "+strings.Join(OverrideWords, ", "), "%q is no verdict", o.Verdict)
	case strings.TrimSpace(o.Reason) == "":
		return out, refuse(Invalid, "reason", "say what you found and why the verdict is wrong", "a verdict is set aside only with a reason")
	case strings.TrimSpace(by.Actor) == "":
		return out, refuse(Invalid, "person", "give the name of the person who sets it aside", "an override needs a person")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		c, err := l.overridable(ctx, s, o.Serial, o.Attempt)
		if err != nil {
			return err
		}
		if c.stands == o.Verdict {
			return refuse(Conflict, "verdict", "there is nothing to do", "attempt %d of unit %s is judged %s already", c.number, o.Serial, o.Verdict)
		}
		out = Overridden{Attempt: c.number, Was: c.stands, Verdict: o.Verdict, InForce: !c.second}
		return l.addOverride(ctx, s, by, "override verdict", store.OverrideRow{
			Serial: o.Serial, Number: c.number, Verdict: o.Verdict, Was: c.stands, Reason: o.Reason, InForce: out.InForce,
		}, &out)
	})
	return out, err
}

// Confirm is a second person's agreement to the newest override of an attempt that
// waits for one. It cannot be given by who asked for the override.
func (l *Line) Confirm(ctx context.Context, by By, serial string, attempt int, reason string) (out Overridden, err error) {
	if strings.TrimSpace(reason) == "" || strings.TrimSpace(by.Actor) == "" {
		return out, refuse(Invalid, "reason", "say who agrees, and why", "a second person's agreement needs a name and a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		c, err := l.overridable(ctx, s, serial, attempt)
		if err != nil {
			return err
		}
		p := c.pending
		switch {
		case p == nil:
			return refuse(Conflict, "attempt", "see the attempts on the report: alike lot report", "no override of attempt %d of unit %s waits for a second person", c.number, serial)
		case samePerson(p.Actor, by.Actor):
			return refuse(Conflict, "person", "another person has to agree", "%s asked for this override", p.Actor)
		}
		out = Overridden{Attempt: c.number, Was: c.stands, Verdict: p.Verdict, InForce: true}
		return l.addOverride(ctx, s, by, "confirm override", store.OverrideRow{
			Serial: serial, Number: c.number, Verdict: p.Verdict, Was: c.stands, Reason: reason, Confirms: &p.Version, InForce: true,
		}, &out)
	})
	return out, err
}

func samePerson(a, b string) bool {
	return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b))
}

func (l *Line) addOverride(ctx context.Context, s store.Site, by By, deed string, row store.OverrideRow, out *Overridden) (err error) {
	row.Actor, row.At = by.Actor, l.now()
	if out.Version, err = s.AddOverride(ctx, row); err != nil {
		return err
	}
	return l.journal(ctx, s, by, deed, row.Serial, row.Reason, map[string]any{
		"attempt": row.Number, "was": row.Was, "verdict": row.Verdict, "in_force": row.InForce, "version": out.Version,
	})
}

// A candidate is a judged attempt whose verdict may be set aside.
type candidate struct {
	number  int
	stands  string // after earlier overrides
	second  bool   // a second person has to agree
	pending *store.OverrideRow
}

// overridable finds an attempt, locks its product, and refuses what is not judged or
// belongs to a decided lot.
func (l *Line) overridable(ctx context.Context, s store.Site, serial string, number int) (candidate, error) {
	var c candidate
	u, err := s.Unit(ctx, serial)
	if errors.Is(err, store.ErrNotFound) {
		return c, refuse(Missing, "serial", "check the serial", "there is no unit %q", serial)
	} else if err != nil {
		return c, err
	}
	if _, err := s.LockProduct(ctx, u.Product); err != nil {
		return c, err
	}
	if err := decided(ctx, s, u.Lot); err != nil {
		return c, err
	}
	attempts, err := s.Attempts(ctx, serial)
	if err != nil {
		return c, err
	}
	if number == 0 {
		number = len(attempts)
	}
	if number < 1 || number > len(attempts) {
		return c, refuse(Missing, "attempt", "see the attempts on the report: alike lot report", "unit %s has no attempt %d", serial, number)
	}
	a := attempts[number-1]
	if a.Verdict == nil {
		return c, refuse(Conflict, "attempt", "measure the takes that are missing first", "attempt %d of unit %s is not judged yet", number, serial)
	}
	setup, err := l.setup(ctx, s, u.Product)
	if err != nil {
		return c, err
	}
	rows, err := s.Overrides(ctx, serial)
	c = candidate{number: number, stands: overridden(*a.Verdict, rows, serial, number), second: setup.SecondPerson}
	for _, r := range rows {
		if r.Number != number {
			continue
		}
		if c.pending = nil; !r.InForce {
			c.pending = &r
		}
	}
	return c, err
}

// standing is an attempt's verdict after overrides.
func (g *gathering) standing(a store.AttemptRow) string {
	return overridden(word(a), g.over, a.Serial, a.Number)
}

// overridden is a verdict after the overrides of an attempt. Who set another verdict
// aside did not answer for the rig: a hold stands until an override is about the hold.
func overridden(verdict string, rows []store.OverrideRow, serial string, number int) string {
	stands, hold := verdict, string(envelope.Hold)
	answered := verdict != hold
	for _, o := range rows {
		if o.Serial != serial || o.Number != number || !o.InForce {
			continue
		}
		answered = answered || o.Was == hold
		stands = o.Verdict
	}
	if !answered {
		return verdict
	}
	return stands
}

// Stands is the verdict of a unit's attempt after overrides, given the program's.
func (u UnitView) Stands(number int, verdict string) string {
	return overridden(verdict, u.Overrides, u.Serial, number)
}

// overrideText says who set an attempt's verdict aside and why.
func (g *gathering) overrideText(serial string, number int) string {
	var parts []string
	for _, o := range g.over {
		if o.Serial != serial || o.Number != number {
			continue
		}
		switch {
		case o.Confirms != nil:
			parts = append(parts, fmt.Sprintf("%s agreed: %s", o.Actor, o.Reason))
		case o.InForce:
			parts = append(parts, fmt.Sprintf("%s set %s to %s: %s", o.Actor, o.Was, o.Verdict, o.Reason))
		default:
			parts = append(parts, fmt.Sprintf("%s asked for %s instead of %s: %s", o.Actor, o.Verdict, o.Was, o.Reason))
		}
	}
	return strings.Join(parts, "; ")
}
