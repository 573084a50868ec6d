package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// A LotStep is one step of a lot's way: closed, decided, or open again.
type LotStep struct {
	Lot       string
	Step      int
	State     string // from this step on: open, closed, decided
	Outcome   string // of a decision
	Reason    string
	Actor     string
	Origin    string
	At        time.Time
	LimitSet  int    // newest of the product at that time
	Basis     string // canonical JSON that was decided on
	DataHash  []byte // SHA-256 of Basis
	Signature []byte
}

const stepColumns = `lot, step, state, outcome, reason, actor, origin, at, limit_set, basis, data_hash, signature`

// AddLotStep stores the next step of a lot and returns its number. The product must be
// locked.
func (s Site) AddLotStep(ctx context.Context, p LotStep) (step int, err error) {
	if p.DataHash == nil {
		p.DataHash, p.Signature = []byte{}, []byte{}
	}
	err = s.q.QueryRow(ctx, `
		INSERT INTO lot_steps (site, `+stepColumns+`)
		SELECT $1, $2, 1 + coalesce(max(step), 0), $3, $4, $5, $6, $7, $8, $9, $10, $11, $12
		FROM lot_steps WHERE site = $1 AND lot = $2 RETURNING step`,
		s.Name, p.Lot, p.State, p.Outcome, p.Reason, p.Actor, p.Origin, now(p.At), p.LimitSet, p.Basis, p.DataHash, p.Signature).Scan(&step)
	if err == nil {
		s.touch("lot_steps", fmt.Sprintf("%s/%d", p.Lot, step))
	}
	return step, translate(err)
}

// LotSteps lists the steps of a lot, oldest first, without what they were based on.
func (s Site) LotSteps(ctx context.Context, lot string) ([]LotStep, error) {
	return all[LotStep](ctx, s.q, `
		SELECT lot, step, state, outcome, reason, actor, origin, at, limit_set, '' AS basis, data_hash, signature
		FROM lot_steps WHERE site = $1 AND lot = $2 ORDER BY step`, s.Name, lot)
}

// LotBasis returns what a decision was based on: canonical JSON.
func (s Site) LotBasis(ctx context.Context, lot string, step int) (basis string, err error) {
	err = s.q.QueryRow(ctx, `SELECT basis FROM lot_steps WHERE site = $1 AND lot = $2 AND step = $3`, s.Name, lot, step).Scan(&basis)
	return basis, translate(err)
}

// A LotState is where a lot stands now.
type LotState struct {
	Lot     string
	State   string
	Outcome string
	At      time.Time
	Actor   string
}

// LotStates returns the state of every lot that has left the open one or come back to
// it, by lot.
func (s Site) LotStates(ctx context.Context) (map[string]LotState, error) {
	rows, err := all[LotState](ctx, s.q, `
		SELECT DISTINCT ON (lot) lot, state, outcome, at, actor FROM lot_steps WHERE site = $1 ORDER BY lot, step DESC`, s.Name)
	out := map[string]LotState{}
	for _, r := range rows {
		out[r.Lot] = r
	}
	return out, err
}

// LotState returns where one lot stands; open when nothing was decided on it yet.
func (s Site) LotState(ctx context.Context, lot string) (LotState, error) {
	rows, err := all[LotState](ctx, s.q, `
		SELECT lot, state, outcome, at, actor FROM lot_steps WHERE site = $1 AND lot = $2 ORDER BY step DESC LIMIT 1`, s.Name, lot)
	if err != nil || len(rows) == 0 {
		return LotState{Lot: lot, State: "open"}, err
	}
	return rows[0], nil
}

// A DrawRow is one draw of units to inspect.
type DrawRow struct {
	Lot    string
	Draw   int
	Plan   json.RawMessage
	Seed   string // hexadecimal
	Units  []string
	Pulled []string
	Reason string
	Actor  string
	At     time.Time
}

const drawColumns = `lot, draw, plan, seed, units, pulled, reason, actor, at`

// AddDraw stores the next draw of a lot and returns its number. The product must be
// locked.
func (s Site) AddDraw(ctx context.Context, d DrawRow) (draw int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO draws (site, `+drawColumns+`)
		SELECT $1, $2, 1 + coalesce(max(draw), 0), $3, $4, $5, $6, $7, $8, $9
		FROM draws WHERE site = $1 AND lot = $2 RETURNING draw`,
		s.Name, d.Lot, d.Plan, d.Seed, d.Units, d.Pulled, d.Reason, d.Actor, now(d.At)).Scan(&draw)
	if err == nil {
		s.touch("draws", fmt.Sprintf("%s/%d", d.Lot, draw))
	}
	return draw, translate(err)
}

// Draws lists the draws of a lot, oldest first.
func (s Site) Draws(ctx context.Context, lot string) ([]DrawRow, error) {
	return all[DrawRow](ctx, s.q, `SELECT `+drawColumns+` FROM draws WHERE site = $1 AND lot = $2 ORDER BY draw`, s.Name, lot)
}

// DrawsOfProduct lists the first draw of each of a product's lots (the original
// inspection; later draws are of a lot submitted again), oldest first.
func (s Site) DrawsOfProduct(ctx context.Context, product string) ([]DrawRow, error) {
	return all[DrawRow](ctx, s.q, `
		SELECT d.lot, d.draw, d.plan, d.seed, d.units, d.pulled, d.reason, d.actor, d.at
		FROM draws d JOIN lots l ON l.site = d.site AND l.lot = d.lot
		WHERE d.site = $1 AND l.product = $2 AND d.draw = 1 ORDER BY d.at, d.lot`, s.Name, product)
}

// DecisiveVerdicts returns the first verdict that judges each of the units named, by
// serial: hold and reseat judge nothing. Units without one are left out.
func (s Site) DecisiveVerdicts(ctx context.Context, serials []string) (map[string]string, error) {
	type row struct{ Serial, Verdict string }
	rows, err := all[row](ctx, s.q, `
		SELECT DISTINCT ON (serial) serial, verdict FROM attempts
		WHERE site = $1 AND serial = ANY($2) AND verdict IN ('pass', 'fail', 'doubtful') ORDER BY serial, number`, s.Name, serials)
	out := map[string]string{}
	for _, r := range rows {
		out[r.Serial] = r.Verdict
	}
	return out, err
}

// An OverrideRow is a person's verdict in place of the program's.
type OverrideRow struct {
	Serial   string
	Number   int
	Version  int
	Verdict  string
	Was      string
	Reason   string
	Actor    string
	At       time.Time
	Confirms *int // version that this second person agrees to
	InForce  bool
}

const overrideColumns = `serial, number, version, verdict, was, reason, actor, at, confirms, in_force`

// AddOverride stores the next override of an attempt and returns its number. The
// product must be locked.
func (s Site) AddOverride(ctx context.Context, o OverrideRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO overrides (site, `+overrideColumns+`)
		SELECT $1, $2, $3, 1 + coalesce(max(version), 0), $4, $5, $6, $7, $8, $9, $10
		FROM overrides WHERE site = $1 AND serial = $2 AND number = $3 RETURNING version`,
		s.Name, o.Serial, o.Number, o.Verdict, o.Was, o.Reason, o.Actor, now(o.At), o.Confirms, o.InForce).Scan(&version)
	if err == nil {
		s.touch("overrides", fmt.Sprintf("%d/%d/%s", o.Number, version, o.Serial))
	}
	return version, translate(err)
}

// Overrides lists the overrides of a unit's attempts, oldest first per attempt.
func (s Site) Overrides(ctx context.Context, serial string) ([]OverrideRow, error) {
	return all[OverrideRow](ctx, s.q, `
		SELECT `+overrideColumns+` FROM overrides WHERE site = $1 AND serial = $2 ORDER BY number, version`, s.Name, serial)
}

// OverridesOfLot lists the overrides of a lot's units by serial, attempt and version.
func (s Site) OverridesOfLot(ctx context.Context, lot string) ([]OverrideRow, error) {
	return all[OverrideRow](ctx, s.q, `
		SELECT o.serial, o.number, o.version, o.verdict, o.was, o.reason, o.actor, o.at, o.confirms, o.in_force
		FROM overrides o JOIN units u ON u.site = o.site AND u.serial = o.serial
		WHERE o.site = $1 AND u.lot = $2 ORDER BY o.serial, o.number, o.version`, s.Name, lot)
}
