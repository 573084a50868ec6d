package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// A FaultPlanRow says what a study of units built faulty is to teach.
type FaultPlanRow struct {
	Study     string
	Key       string
	Words     string
	FirstLook string
	Part      string
	Side      string
	Faulty    []string
	Good      []string
}

const faultPlanColumns = `study, key, words, first_look, part, side, faulty, good`

// AddFaultPlan stores what a study is to teach; the study must be there.
func (s Site) AddFaultPlan(ctx context.Context, r FaultPlanRow) error {
	s.touch("fault_plans", r.Study)
	return s.exec(ctx, `INSERT INTO fault_plans (site, `+faultPlanColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		s.Name, r.Study, r.Key, r.Words, r.FirstLook, r.Part, r.Side, r.Faulty, r.Good)
}

// FaultPlan returns what a study is to teach.
func (s Site) FaultPlan(ctx context.Context, study string) (FaultPlanRow, error) {
	return one[FaultPlanRow](ctx, s.q, `SELECT `+faultPlanColumns+` FROM fault_plans WHERE site = $1 AND study = $2`, s.Name, study)
}

// FaultStudyOf returns the newest study in which a unit of a product was built faulty.
func (s Site) FaultStudyOf(ctx context.Context, product, serial string) (study string, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT p.study FROM fault_plans p JOIN studies s ON s.site = p.site AND s.study = p.study
		WHERE p.site = $1 AND s.product = $2 AND $3 = ANY(p.faulty) ORDER BY s.created_at DESC LIMIT 1`, s.Name, product, serial).Scan(&study)
	return study, translate(err)
}

// A FaultSignatureRow is one version of a learnt signature.
type FaultSignatureRow struct {
	Product   string
	Version   int
	Key       string
	State     string // in force, withdrawn
	Study     string
	Words     string
	FirstLook string
	Part      string
	Side      string
	Shape     []float64
	Low       []float64
	High      []float64
	Units     []string
	Basis     json.RawMessage
	Reason    string
	Author    string
	CreatedAt time.Time
}

// AddFaultSignature stores the next version of a product's learnt signatures and returns
// its number. The product must be locked.
func (s Site) AddFaultSignature(ctx context.Context, r FaultSignatureRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO fault_signatures (site, version, product, key, state, study, words, first_look, part, side, shape, low, high, units, basis,
			reason, author, created_at)
		SELECT $1, 1 + coalesce(max(version), 0), $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17
		FROM fault_signatures WHERE site = $1 AND product = $2
		RETURNING version`,
		s.Name, r.Product, r.Key, r.State, r.Study, r.Words, r.FirstLook, r.Part, r.Side, r.Shape, r.Low, r.High, r.Units, r.Basis,
		r.Reason, r.Author, now(r.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("fault_signatures", fmt.Sprintf("%s/%d", r.Product, version))
	}
	return version, translate(err)
}

// FaultSignatures lists all versions of a product's learnt signatures, oldest first.
func (s Site) FaultSignatures(ctx context.Context, product string) ([]FaultSignatureRow, error) {
	return all[FaultSignatureRow](ctx, s.q, `
		SELECT product, version, key, state, study, words, first_look, part, side, shape, low, high, units, basis, reason, author, created_at
		FROM fault_signatures WHERE site = $1 AND product = $2 ORDER BY version`, s.Name, product)
}

// An ActionPlanRow is one version of what to check when the line moved.
type ActionPlanRow struct {
	Product    string
	Version    int
	Definition json.RawMessage
	Reason     string
	Author     string
	CreatedAt  time.Time
}

// AddActionPlan stores a version of a product's action plan, the next one or, when it is
// the first, the one given: the product file's own may be version 1. The product must be
// locked.
func (s Site) AddActionPlan(ctx context.Context, r ActionPlanRow, first int) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO action_plans (site, version, product, definition, reason, author, created_at)
		SELECT $1, coalesce(1 + max(version), $3), $2, $4, $5, $6, $7 FROM action_plans WHERE site = $1 AND product = $2
		RETURNING version`, s.Name, r.Product, first, r.Definition, r.Reason, r.Author, now(r.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("action_plans", fmt.Sprintf("%s/%d", r.Product, version))
	}
	return version, translate(err)
}

// ActionPlans lists the versions of a product's action plan that were put in force after
// the product's own, oldest first.
func (s Site) ActionPlans(ctx context.Context, product string) ([]ActionPlanRow, error) {
	return all[ActionPlanRow](ctx, s.q, `
		SELECT product, version, definition, reason, author, created_at FROM action_plans
		WHERE site = $1 AND product = $2 ORDER BY version`, s.Name, product)
}
