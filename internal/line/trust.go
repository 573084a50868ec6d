package line

import (
	"context"
	"fmt"
	"strings"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
)

// Kinds of events that decide about the trust in a rig.
const (
	checkPassed = "pass"
	checkFailed = "fail"
	rigWork     = "work" // something was changed: readings before and after may differ
)

// A trust says whether a rig is trusted for a measurement made at a moment.
type trust struct {
	good  bool
	doubt doubt
	about *store.RigEvent // the event behind it, nil for none
}

// A doubt is why a rig is not trusted.
type doubt int

const (
	sound      doubt = iota
	unchecked        // no check has ever passed
	expired          // the last good check is too old
	failing          // the last check failed
	suspect          // the next check failed: the rig went bad somewhere between
	workedUpon       // changed since the last good check
)

// weigh decides it from the events of a rig in order of time. A measurement is
// trusted when one of two witnesses speaks for it:
//
//   - before it: the last check passed, not longer ago than a check counts for,
//     nothing was changed on the rig since, and the next event is no failed check;
//   - behind it: some later check passed, and nothing was changed on the rig between the
//     measurement and that check. A failed check between the two was then wrong,
//     since a rig does not heal by itself.
func weigh(events []store.RigEvent, at time.Time, valid time.Duration) trust {
	n := 0 // events up to the moment
	for n < len(events) && !events[n].At.After(at) {
		n++
	}
	for i := n; i < len(events) && events[i].Kind != rigWork; i++ {
		if events[i].Kind == checkPassed {
			return trust{good: true, about: &events[i]}
		}
	}
	if n < len(events) && events[n].Kind == checkFailed {
		return trust{doubt: suspect, about: &events[n]}
	}
	if n == 0 {
		return trust{doubt: unchecked}
	}
	switch e := &events[n-1]; {
	case e.Kind == checkFailed:
		return trust{doubt: failing, about: e}
	case e.Kind == rigWork:
		return trust{doubt: workedUpon, about: e}
	case at.Sub(e.At) > valid:
		return trust{doubt: expired, about: e}
	default:
		return trust{good: true, about: e}
	}
}

// A judgeRig is what a visit knows of the trust in its rig.
type judgeRig struct {
	policy  RigPolicy
	version int
	rig     string
	at      time.Time
	trust   trust
	zone    *time.Location
	units   []store.ReferenceRow
}

// trustIn weighs a rig for one measurement.
func (l *Line) trustIn(ctx context.Context, s store.Site, setup *Setup, p RigPolicy, version int, rig string, at time.Time) (*judgeRig, error) {
	events, err := s.RigEvents(ctx, setup.Code, rig, at)
	if err != nil {
		return nil, err
	}
	j := &judgeRig{policy: p, version: version, rig: rig, at: at, trust: weigh(events, at, p.valid())}
	if j.trust.about != nil || !j.trust.good {
		row, err := s.Row(ctx)
		if err != nil {
			return nil, err
		}
		if j.zone, err = time.LoadLocation(row.Zone); err != nil {
			return nil, err
		}
	}
	if !j.trust.good {
		j.units, err = s.References(ctx, setup.Code)
	}
	return j, err
}

// verdict is the judgement of an attempt on a rig that is not trusted.
func (j *judgeRig) verdict(s *Setup) Verdict {
	return Verdict{
		Word: envelope.Hold, Sentence: "on hold: " + j.why() + "; " + j.remedy(), Seatings: s.Seatings,
		NotChecked: []string{"everything: the rig is not trusted"},
	}
}

func (j *judgeRig) when(t time.Time) string { return t.In(j.zone).Format("2006-01-02 15:04") }

// name names the rig in a sentence.
func rigName(rig string) string {
	if rig == "" {
		return "the rig (its takes name no station)"
	}
	return "rig " + rig
}

// why says in words why the rig is not trusted.
func (j *judgeRig) why() string {
	rig, e := rigName(j.rig), j.trust.about
	switch j.trust.doubt {
	case expired:
		return fmt.Sprintf("the last good check of %s was %s before this unit (%s), and a check counts for %s",
			rig, hoursText(j.at.Sub(e.At)), j.when(e.At), hoursText(j.policy.valid()))
	case failing:
		return fmt.Sprintf("reference unit %s failed its check on %s at %s (%s)", e.Serial, rig, j.when(e.At), e.Text)
	case suspect:
		return fmt.Sprintf("reference unit %s failed the check on %s that followed this unit, at %s (%s)", e.Serial, rig, j.when(e.At), e.Text)
	case workedUpon:
		return fmt.Sprintf("%s was changed at %s (%s), and no check has passed since", rig, j.when(e.At), e.Text)
	}
	return fmt.Sprintf("no check of %s has passed yet", rig)
}

// remedy says what to do.
func (j *judgeRig) remedy() string {
	unit := j.reference()
	again := fmt.Sprintf("measure reference unit %s: once its check passes this unit is judged", unit)
	switch {
	case unit == "":
		return "name a reference unit with: alike rig reference, measure it and set its baseline"
	case j.trust.doubt == failing && j.trust.about != nil:
		return "look for the cause and check again; when nothing had to be changed this unit is judged then, else measure it again with its reason"
	case j.trust.doubt == suspect:
		return "seat the reference unit again: when it passes with nothing changed this unit is judged; else mend the rig, check it, and measure this unit again or release it with a reason"
	}
	return again
}

// reference names the unit to measure: one in use before a spare.
func (j *judgeRig) reference() string {
	for _, state := range []string{InUse, Spare} {
		for _, u := range j.units {
			if u.State == state {
				return u.Serial
			}
		}
	}
	return ""
}

// hoursText writes a span of time in hours, or days when it is long.
func hoursText(d time.Duration) string {
	h := d.Hours()
	switch {
	case h >= 72:
		return fmt.Sprintf("%.0f days", h/24)
	case h >= 10 || h == float64(int(h)):
		return fmt.Sprintf("%.0f h", h)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", h), ".0") + " h"
}

// note says by what the rig was trusted, for the verdict.
func (j *judgeRig) note() string {
	if e := j.trust.about; e != nil {
		return fmt.Sprintf("%s, good by reference unit %s at %s", rigName(j.rig), e.Serial, j.when(e.At))
	}
	return rigName(j.rig)
}
