package line

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/cause"
)

// States of a learnt signature.
const (
	InForce    = "in force"
	Superseded = "superseded" // of the store: not the newest of its key
	Withdrawn  = "withdrawn"
)

// whatIsKnown is what a site learnt and planned for a product beside its definition.
type whatIsKnown struct {
	faults []store.FaultSignatureRow
	plans  []store.ActionPlanRow
}

// knownOf reads it, as far as it stood at a time.
func knownOf(ctx context.Context, s store.Site, row store.ProductRow, until time.Time) (k whatIsKnown, err error) {
	if row.Faults > 0 {
		if k.faults, err = s.FaultSignatures(ctx, row.Product); err != nil {
			return k, err
		}
	}
	if row.Plan > 0 {
		if k.plans, err = s.ActionPlans(ctx, row.Product); err != nil {
			return k, err
		}
	}
	k.faults = slices.DeleteFunc(k.faults, func(r store.FaultSignatureRow) bool { return r.CreatedAt.After(until) })
	k.plans = slices.DeleteFunc(k.plans, func(r store.ActionPlanRow) bool { return r.CreatedAt.After(until) })
	return k, nil
}

// knowing returns the setup with learnt signatures in the place of the product file's
// with the same key, or behind them, and with the action plan in force.
func (s *Setup) knowing(k whatIsKnown) (*Setup, error) {
	if len(k.faults) == 0 && len(k.plans) == 0 {
		return s, nil
	}
	out := *s
	out.Signatures, out.Shapes = slices.Clone(s.Signatures), slices.Clone(s.Shapes)
	out.Learnt = map[string]int{}
	newest := map[string]store.FaultSignatureRow{}
	var keys []string
	for _, r := range k.faults {
		if _, seen := newest[r.Key]; !seen {
			keys = append(keys, r.Key)
		}
		newest[r.Key] = r
	}
	for _, key := range keys {
		r := newest[key]
		if r.State != InForce {
			continue
		}
		if len(r.Shape) != len(s.Band) {
			return nil, fmt.Errorf("stored fault signature %d of %s is for %d bands, the product has %d", r.Version, s.Code, len(r.Shape), len(s.Band))
		}
		g, shape := s.learnt(r)
		out.Learnt[key] = r.Version
		if i := slices.IndexFunc(out.Signatures, func(g Signature) bool { return g.Key == key }); i >= 0 {
			out.Signatures[i], out.Shapes[i] = g, shape
			continue
		}
		out.Signatures, out.Shapes = append(out.Signatures, g), append(out.Shapes, shape)
	}
	if n := len(k.plans); n > 0 {
		out.Plan = nil
		if err := json.Unmarshal(k.plans[n-1].Definition, &out.Plan); err != nil {
			return nil, fmt.Errorf("stored action plan %d of %s: %w", k.plans[n-1].Version, s.Code, err)
		}
		out.PlanVersion = k.plans[n-1].Version
	}
	return &out, nil
}

// learnt makes the signature of a stored row.
func (s *Setup) learnt(r store.FaultSignatureRow) (Signature, cause.Signature) {
	g := Signature{Key: r.Key, Words: r.Words, Check: r.FirstLook, Part: r.Part}
	for i, db := range r.Shape {
		if !math.IsNaN(db) {
			g.Points = append(g.Points, Point{s.Band[i].Mid(), db})
		}
	}
	return g, cause.Signature{Key: r.Key, Words: r.Words, Check: r.FirstLook, Shape: r.Shape}
}

// setupAt is the setup as it stood at a time: the report of a decided lot stays what it
// was when signatures are learnt and the action plan changes.
func (l *Line) setupAt(ctx context.Context, s store.Site, code string, at time.Time) (*Setup, error) {
	setup, err := l.setup(ctx, s, code)
	if err != nil {
		return nil, err
	}
	row, err := s.Product(ctx, code)
	if err != nil || row.Faults == 0 && row.Plan == 0 {
		return setup, err
	}
	k, err := knownOf(ctx, s, row, at)
	if err != nil {
		return nil, err
	}
	base, err := made(row)
	if err != nil {
		return nil, err
	}
	return base.knowing(k)
}

// made is the setup of a product's definition alone.
func made(row store.ProductRow) (*Setup, error) {
	p, err := ParseProduct(row.Definition)
	if err != nil {
		return nil, fmt.Errorf("stored product %s: %w", row.Product, err)
	}
	setup, err := p.SetUp()
	if err != nil {
		return nil, fmt.Errorf("stored product %s: %w", row.Product, err)
	}
	return setup, nil
}
