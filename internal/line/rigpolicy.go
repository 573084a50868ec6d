package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
)

// A RigPolicy says how a rig is kept trustworthy for a product: a check of a
// reference unit counts for so many hours, and how far the unit may read from its
// baseline.
type RigPolicy struct {
	Hours    float64 `json:"hours"`              // that a passed check counts for
	Seatings int     `json:"seatings,omitempty"` // of a check per channel; 0 for the product's
	// Tolerance is the largest change of the reference unit's level in dB, per range
	// of bands; bands in no range are not checked. Where seating alone explains more, that
	// counts.
	Tolerance []envelope.Guard `json:"tolerance"`
	// Risk is the share of checks of a healthy rig that may fail by seating alone; 0
	// for 0.01.
	Risk    float64  `json:"risk,omitempty"`
	Ambient *Ambient `json:"ambient,omitempty"`
	// Off ends the checks: units count without them, and reports say so.
	Off bool `json:"off,omitempty"`
}

// Ambient bounds what is read around a rig; a pair of zeros is no bound. Beyond them
// the rig's page warns.
type Ambient struct {
	Temperature [2]float64 `json:"temperature,omitzero"` // °C, lowest and highest
	Humidity    [2]float64 `json:"humidity,omitzero"`    // per cent, relative
	Noise       float64    `json:"noise,omitempty"`      // largest, dB(A)
}

// Check returns an error that names the field at fault and the remedy.
func (p RigPolicy) Check() error {
	if p.Off {
		return nil
	}
	switch {
	case !(p.Hours > 0 && p.Hours <= 24*366):
		return fmt.Errorf("hours %v: say for how many hours a passed check counts, such as 24", p.Hours)
	case p.Seatings < 0 || p.Seatings > 50:
		return fmt.Errorf("seatings %d: use 1 to 50, or leave it out for the product's", p.Seatings)
	case len(p.Tolerance) == 0:
		return errors.New(`tolerance: give at least one range, such as {"from": 100, "to": 8000, "db": 0.5}`)
	case p.Risk != 0 && !(p.Risk > 0 && p.Risk <= 0.5):
		return fmt.Errorf("risk %v: use a share above 0 and up to 0.5", p.Risk)
	}
	for i, g := range p.Tolerance {
		if !(g.From > 0 && g.To >= g.From) || !(g.DB > 0) || math.IsInf(g.To+g.DB, 0) {
			return fmt.Errorf("tolerance %d: from %v to %v Hz, db %v: give a rising pair of frequencies and a positive db", i+1, g.From, g.To, g.DB)
		}
	}
	if a := p.Ambient; a != nil && (a.Temperature[0] > a.Temperature[1] || a.Humidity[0] > a.Humidity[1] || a.Noise < 0) {
		return errors.New("ambient: give the lower bound before the higher one")
	}
	return nil
}

func (p RigPolicy) risk() float64 {
	if p.Risk == 0 {
		return 0.01
	}
	return p.Risk
}

func (p RigPolicy) valid() time.Duration { return time.Duration(p.Hours * float64(time.Hour)) }

func (p RigPolicy) seatings(s *Setup) int {
	if p.Seatings == 0 {
		return s.Seatings
	}
	return p.Seatings
}

// places returns the tolerance per place: channel after channel, band after band.
func (p RigPolicy) places(s *Setup) []float64 {
	var out []float64
	for range s.Channels {
		out = append(out, spread(s.Band, p.Tolerance)...)
	}
	return out
}

// ParseRigPolicy reads a policy file.
func ParseRigPolicy(data []byte) (RigPolicy, error) {
	var p RigPolicy
	if err := strict(data, &p); err != nil {
		return p, err
	}
	return p, p.Check()
}

// AddRigPolicy puts a new version of a product's rig policy in force. Units on hold
// that the new policy lets go are judged.
func (l *Line) AddRigPolicy(ctx context.Context, by By, product string, p RigPolicy, reason string) (version int, settled []Settled, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, nil, err
	}
	if err := p.Check(); err != nil {
		return 0, nil, refuse(Invalid, "policy", "correct the policy file", "%v", err)
	}
	if reason == "" {
		return 0, nil, refuse(Invalid, "reason", "say why the checks change", "a rig policy needs a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		version, settled, err = l.putPolicy(ctx, s, by, setup, p, reason)
		return err
	})
	return version, settled, err
}

func (l *Line) addPolicy(ctx context.Context, s store.Site, by By, setup *Setup, p RigPolicy, reason string) (int, error) {
	if !p.Off && !anyNumber(p.places(setup)) {
		return 0, refuse(Invalid, "policy", "check its frequencies", "the tolerance covers none of the product's bands")
	}
	definition, err := json.Marshal(p)
	if err != nil {
		return 0, err
	}
	version, err := s.AddPolicy(ctx, store.PolicyRow{Product: setup.Code, Definition: definition, Reason: reason, Author: by.Actor, CreatedAt: l.now()})
	if err != nil {
		return 0, err
	}
	return version, l.journal(ctx, s, by, "add rig policy", setup.Code, reason, map[string]any{"version": version, "definition": json.RawMessage(definition)})
}

// policyOf reads the policy of a route; nil when the rig is not checked.
func policyOf(r store.Route) (*RigPolicy, error) {
	if r.Version == 0 {
		return nil, nil
	}
	p, err := ParseRigPolicy(r.Policy)
	if err != nil {
		return nil, fmt.Errorf("stored rig policy %d: %w", r.Version, err)
	}
	if p.Off {
		return nil, nil
	}
	return &p, nil
}

func anyNumber(xs []float64) bool {
	for _, x := range xs {
		if !math.IsNaN(x) {
			return true
		}
	}
	return false
}
