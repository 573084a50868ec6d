package line

import (
	"context"
	"fmt"
	"time"

	"alike/internal/store"

	"github.com/google/uuid"
)

// An Entry is something done to a rig, or read around it.
type Entry struct {
	Rig     string
	Kind    string // calibration, work, ambient
	At      time.Time
	Subject string // microphone, coupler, ...
	// Changed says that readings before and after may differ: until a check passes
	// again units wait, and a later check does not speak for units before it.
	Changed     bool
	Level       *float64 // dB
	Certificate string
	Due         *time.Time
	Temperature *float64 // °C
	Humidity    *float64 // per cent, relative
	Noise       *float64 // dB(A)
	Note        string
}

// AddEntry notes it. When it changed the rig, units measured since then go on hold
// until a check passes.
func (l *Line) AddEntry(ctx context.Context, by By, e Entry) ([]Settled, error) {
	if err := e.check(l.now()); err != nil {
		return nil, err
	}
	if e.At.IsZero() {
		e.At = l.now()
	}
	var settled []Settled
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		products, err := s.Products(ctx)
		if err != nil {
			return err
		}
		for _, p := range products {
			if _, err := s.LockProduct(ctx, p.Product); err != nil {
				return err
			}
		}
		if err := s.AddEntry(ctx, store.EntryRow{
			Entry: uuid.Must(uuid.NewV7()), Rig: e.Rig, Kind: e.Kind, At: e.At, Subject: e.Subject, Changed: e.Changed, Level: e.Level,
			Certificate: e.Certificate, Due: e.Due, Temperature: e.Temperature, Humidity: e.Humidity, Noise: e.Noise, Note: e.Note,
			Author: by.Actor, EnteredAt: l.now(),
		}); err != nil {
			return err
		}
		if err := l.journal(ctx, s, by, "note on rig", e.Rig, e.Note, map[string]any{"kind": e.Kind, "subject": e.Subject, "changed": e.Changed}); err != nil {
			return err
		}
		if !e.Changed {
			return nil
		}
		for _, p := range products {
			k, err := l.settlingOf(ctx, s, by, p.Product, fmt.Sprintf("%s was changed: %s %s", rigName(e.Rig), e.Subject, e.Note))
			if err != nil {
				return err
			}
			if k == nil {
				continue
			}
			if err := k.run(ctx, s, e.Rig, e.At); err != nil {
				return err
			}
			settled = append(settled, k.settled...)
		}
		return nil
	})
	return settled, err
}

// settlingOf prepares the settling of a product under its policy, nil without one.
func (l *Line) settlingOf(ctx context.Context, s store.Site, by By, product, why string) (*settling, error) {
	route, err := s.Route(ctx, product, "", "")
	if err != nil {
		return nil, err
	}
	policy, err := policyOf(route)
	if err != nil || policy == nil {
		return nil, err
	}
	setup, err := l.setup(ctx, s, product)
	return &settling{line: l, by: by, setup: setup, policy: *policy, why: why}, err
}

func (e Entry) check(now time.Time) error {
	bad := func(x *float64, low, high float64) bool { return x != nil && !(*x >= low && *x <= high) }
	switch {
	case e.At.After(now.Add(24 * time.Hour)):
		return refuse(Invalid, "at", "give the time when it was done", "%s lies in the future", e.At.Format(time.RFC3339))
	case e.Kind != "calibration" && e.Kind != "work" && e.Kind != "ambient":
		return refuse(Invalid, "kind", "use calibration, work or ambient", "there is no kind %q", e.Kind)
	case e.Kind == "work" && e.Note == "":
		return refuse(Invalid, "note", "say what was done", "work on a rig needs a note")
	case e.Kind == "calibration" && (e.Subject == "" || e.Level == nil):
		return refuse(Invalid, "subject", "say what was calibrated, such as microphone left, and the level it read in dB", "a calibration names its subject and level")
	case e.Kind == "ambient" && e.Temperature == nil && e.Humidity == nil && e.Noise == nil:
		return refuse(Invalid, "temperature", "give temperature, humidity or noise", "an entry on the surroundings holds no value")
	case bad(e.Temperature, -40, 80) || bad(e.Humidity, 0, 100) || bad(e.Noise, -20, 150) || bad(e.Level, -200, 200):
		return refuse(Invalid, "value", "give degrees Celsius, per cent and dB", "a value is not plausible")
	}
	return nil
}
