// Package line is the flow of alike: one unit's way from its takes to its verdict
// and its place on the charts, and the way of a lot to its report. Every write goes
// through here, in one transaction with its journal entry; the command line, the
// server and the demo use the same functions.
package line

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"alike/internal/store"
)

// A Line is one workshop at work.
type Line struct {
	db   *store.DB
	site string
	now  func() time.Time

	mu     sync.Mutex
	setups map[string]cached // by product code
	fresh  freshly

	lessons lessons
}

type cached struct {
	key   string // definition, and how many versions of what is known beside it
	setup *Setup
}

// New returns the line of a site; now is the clock, time.Now in earnest.
func New(db *store.DB, site string, now func() time.Time) *Line {
	return &Line{db: db, site: site, now: now, setups: map[string]cached{}}
}

// Site returns the code of the workshop.
func (l *Line) Site() string { return l.site }

// By says who does something, and from where.
type By struct {
	Actor  string // person or station
	Origin string // "command line" or an address
}

// A Kind sorts refusals by what the caller can do about them.
type Kind int

const (
	Invalid  Kind = iota // the data cannot be used as they are
	Conflict             // they contradict what is stored
	Missing              // what they refer to does not exist
)

// A Refusal says why something was not accepted: which field, why, and what to do.
type Refusal struct {
	Kind   Kind
	Field  string
	Reason string
	Remedy string
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("%s: %s; %s", r.Field, r.Reason, r.Remedy)
}

// refuse makes a Refusal; the reason is a format.
func refuse(kind Kind, field, remedy, reason string, args ...any) *Refusal {
	return &Refusal{kind, field, fmt.Sprintf(reason, args...), remedy}
}

// Open makes sure the workshop exists; name and zone count only for a new one.
func (l *Line) Open(ctx context.Context, by By, name, zone string) error {
	if _, err := time.LoadLocation(zone); err != nil {
		return refuse(Invalid, "zone", "use a name such as Europe/Vienna", "%q is no time zone", zone)
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		added, err := s.AddSite(ctx, name, zone, l.now())
		if err != nil || !added {
			return err
		}
		return l.journal(ctx, s, by, "open site", l.site, "", nil)
	})
}

// Zone returns the workshop's time zone.
func (l *Line) Zone(ctx context.Context) (*time.Location, error) {
	row, err := l.db.Site(l.site).Row(ctx)
	if err != nil {
		return nil, err
	}
	return time.LoadLocation(row.Zone)
}

// Setup returns a product made ready. An empty code stands for the site's only
// product, drivers not counted.
func (l *Line) Setup(ctx context.Context, code string) (*Setup, error) {
	return l.setup(ctx, l.db.Site(l.site), code)
}

func (l *Line) setup(ctx context.Context, s store.Site, code string) (*Setup, error) {
	if code == "" {
		all, err := l.finished(ctx, s)
		if err != nil {
			return nil, err
		}
		if len(all) != 1 {
			return nil, refuse(Invalid, "product", "say which product the takes belong to", "the workshop has %d products, and none is named", len(all))
		}
		code = all[0]
	}
	row, err := s.Product(ctx, code)
	if errors.Is(err, store.ErrNotFound) {
		return nil, refuse(Missing, "product", "add it first with: alike product add FILE", "there is no product %q", code)
	} else if err != nil {
		return nil, err
	}
	key := fmt.Sprintf("%d/%d/%s", row.Faults, row.Plan, row.Definition)
	l.mu.Lock()
	c, ok := l.setups[code]
	l.mu.Unlock()
	if ok && c.key == key {
		return c.setup, nil
	}
	setup, err := made(row)
	if err != nil {
		return nil, err
	}
	k, err := knownOf(ctx, s, row, forever)
	if err != nil {
		return nil, err
	}
	if setup, err = setup.knowing(k); err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.setups[code] = cached{key, setup}
	return setup, nil
}

// forever is after everything.
var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
