package store

import (
	"context"
	"fmt"
	"time"
)

// A TransferRow is one version of the curve by which a rig's units are read as another
// rig would read them. Levels and uncertainties are in dB.
type TransferRow struct {
	Product      string
	Rig          string // whose readings are corrected
	Version      int
	Reference    string // as which they are read
	Study        string
	InForce      bool // false: withdrawn from Begins on
	Begins       time.Time
	Units        int
	Risk         float64
	Curve        []float64 // rig minus reference, channel after channel, band after band
	DeviationU   []float64 // per band
	BalanceU     []float64 // per band
	SensitivityU float64
	RoughnessU   float64
	Reason       string
	Author       string
	CreatedAt    time.Time
}

const transferColumns = `product, rig, version, reference, study, in_force, begins, units, risk, curve, deviation_u, balance_u,
	sensitivity_u, roughness_u, reason, author, created_at`

// AddTransfer stores the next version and returns its number. The product must be
// locked.
func (s Site) AddTransfer(ctx context.Context, r TransferRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO rig_transfers (site, product, rig, version, reference, study, in_force, begins, units, risk, curve, deviation_u,
			balance_u, sensitivity_u, roughness_u, reason, author, created_at)
		SELECT $1, $2, $3, 1 + coalesce(max(version), 0), $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17
		FROM rig_transfers WHERE site = $1 AND product = $2 AND rig = $3
		RETURNING version`, s.Name, r.Product, r.Rig, r.Reference, r.Study, r.InForce, now(r.Begins), r.Units, r.Risk, r.Curve,
		r.DeviationU, r.BalanceU, r.SensitivityU, r.RoughnessU, r.Reason, r.Author, now(r.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("rig_transfers", fmt.Sprintf("%s/%d/%s", r.Product, version, r.Rig))
	}
	return version, translate(err)
}

// TransferAt returns the version that decides about an attempt that a rig measured at a
// moment: the newest that had begun. It may be a withdrawal. ErrNotFound without any.
func (s Site) TransferAt(ctx context.Context, product, rig string, at time.Time) (TransferRow, error) {
	return one[TransferRow](ctx, s.q, `
		SELECT `+transferColumns+` FROM rig_transfers
		WHERE site = $1 AND product = $2 AND rig = $3 AND begins <= $4 ORDER BY version DESC LIMIT 1`, s.Name, product, rig, now(at))
}

// Transfers lists all versions of a product's transfers, by rig and version.
func (s Site) Transfers(ctx context.Context, product string) ([]TransferRow, error) {
	return all[TransferRow](ctx, s.q, `
		SELECT `+transferColumns+` FROM rig_transfers WHERE site = $1 AND product = $2 ORDER BY rig, version`, s.Name, product)
}

// LastJudgedOn returns when a rig measured the last attempt of a product that has a
// verdict, and of which unit; ErrNotFound without any.
func (s Site) LastJudgedOn(ctx context.Context, product, rig string) (at time.Time, serial string, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT a.measured_at, a.serial FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE a.site = $1 AND u.product = $2 AND a.station = $3 AND a.verdict IS NOT NULL
		ORDER BY a.measured_at DESC LIMIT 1`, s.Name, product, rig).Scan(&at, &serial)
	return at, serial, translate(err)
}
