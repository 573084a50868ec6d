package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
)

// A ValueRow is a number measured beside a unit's curve. Measured again it has the
// next round.
type ValueRow struct {
	Serial      string
	Name        string
	Round       int
	Value       float64
	Reason      string
	Source      string
	ContentHash []byte
	MeasuredAt  time.Time
	ReceivedAt  time.Time
}

const valueColumns = `serial, name, round, value, reason, source, content_hash, measured_at, received_at`

// AddValues stores numbers of units.
func (s Site) AddValues(ctx context.Context, rows []ValueRow) error {
	b := &pgx.Batch{}
	for _, r := range rows {
		s.touch("unit_values", fmt.Sprintf("%d/%d/%s/%s", r.Round, utf8.RuneCountInString(r.Name), r.Name, r.Serial))
		b.Queue(`INSERT INTO unit_values (site, `+valueColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			s.Name, r.Serial, r.Name, r.Round, r.Value, r.Reason, r.Source, r.ContentHash, now(r.MeasuredAt), now(r.ReceivedAt))
	}
	return translate(s.q.SendBatch(ctx, b).Close())
}

// Values returns the numbers of units that hold, by serial and name.
func (s Site) Values(ctx context.Context, serials []string) ([]ValueRow, error) {
	return all[ValueRow](ctx, s.q, `
		SELECT DISTINCT ON (serial, name) `+valueColumns+` FROM unit_values
		WHERE site = $1 AND serial = ANY($2) ORDER BY serial, name, round DESC`, s.Name, serials)
}

// A MeasuredRow is a take of the last attempt of a unit that has a verdict on the
// unit itself. Its curve is left out unless it has a phase.
type MeasuredRow struct {
	Serial      string
	Lot         string
	Number      int
	Verdict     *string // nil for a unit that has none so far; then no bands either
	Judgement   json.RawMessage
	MeasuredAt  *time.Time
	Bands       []float32
	Frequencies []byte
	Phases      []byte
}

// Measured returns the takes by which the units of a product, from the given lots or
// all for none, are known: those of the last attempt that was judged and not sent
// back. A unit without one has a single row.
func (s Site) Measured(ctx context.Context, product string, lots []string) ([]MeasuredRow, error) {
	return all[MeasuredRow](ctx, s.q, `
		SELECT u.serial, u.lot, coalesce(a.number, 0) AS number, a.verdict, a.judgement, a.measured_at, t.bands,
			CASE WHEN c.phases IS NOT NULL THEN g.frequencies END AS frequencies, c.phases
		FROM units u
		LEFT JOIN LATERAL (
			SELECT attempt, number, verdict, judgement, measured_at FROM attempts a
			WHERE a.site = u.site AND a.serial = u.serial AND a.verdict IN ('pass', 'fail', 'doubtful')
			ORDER BY number DESC LIMIT 1
		) a ON true
		LEFT JOIN takes t ON t.site = u.site AND t.attempt = a.attempt
		LEFT JOIN take_curves c ON c.site = t.site AND c.take = t.take
		LEFT JOIN grids g ON g.site = c.site AND g.grid = c.grid
		WHERE u.site = $1 AND u.product = $2 AND (coalesce(cardinality($3::text[]), 0) = 0 OR u.lot = ANY($3))
		ORDER BY u.lot, u.place NULLS LAST, u.serial, t.channel, t.seating`, s.Name, product, lots)
}

// A PairingRow is a pairing that was decided for.
type PairingRow struct {
	Product      string
	Pairing      int
	Settings     json.RawMessage
	Outcome      json.RawMessage
	Author       string
	MadeAt       time.Time
	WithdrawnAt  *time.Time
	WithdrawnBy  *string
	WithdrawnWhy *string
}

// A PairRow is one pair of a pairing.
type PairRow struct {
	Rank       int
	LeftPiece  string
	RightPiece string
	Mismatch   float64 // dB
	Balance    float64 // predicted, dB
	Fixed      bool
}

const pairingColumns = `product, pairing, settings, outcome, author, made_at, withdrawn_at, withdrawn_by, withdrawn_why`

// AddPairing stores a pairing under the next number and returns it. The product must
// be locked.
func (s Site) AddPairing(ctx context.Context, p PairingRow, pairs []PairRow) (number int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO pairings (site, product, pairing, settings, outcome, author, made_at)
		SELECT $1, $2, 1 + coalesce(max(pairing), 0), $3, $4, $5, $6 FROM pairings WHERE site = $1 AND product = $2
		RETURNING pairing`, s.Name, p.Product, p.Settings, p.Outcome, p.Author, now(p.MadeAt)).Scan(&number)
	if err != nil {
		return 0, translate(err)
	}
	key := fmt.Sprintf("%s/%d", p.Product, number)
	s.touch("pairings", key)
	if len(pairs) > 0 {
		s.touch("pairing_pairs", key)
	}
	b := &pgx.Batch{}
	for _, r := range pairs {
		b.Queue(`
			INSERT INTO pairing_pairs (site, product, pairing, rank, left_piece, right_piece, mismatch, balance, fixed)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			s.Name, p.Product, number, r.Rank, r.LeftPiece, r.RightPiece, r.Mismatch, r.Balance, r.Fixed)
	}
	return number, translate(s.q.SendBatch(ctx, b).Close())
}

// Pairings lists the pairings of a product's drivers, oldest first.
func (s Site) Pairings(ctx context.Context, product string) ([]PairingRow, error) {
	return all[PairingRow](ctx, s.q, `
		SELECT `+pairingColumns+` FROM pairings WHERE site = $1 AND product = $2 ORDER BY pairing`, s.Name, product)
}

// Pairing returns one pairing.
func (s Site) Pairing(ctx context.Context, product string, number int) (PairingRow, error) {
	return one[PairingRow](ctx, s.q, `
		SELECT `+pairingColumns+` FROM pairings WHERE site = $1 AND product = $2 AND pairing = $3`, s.Name, product, number)
}

// Pairs returns the pairs of a pairing, best first.
func (s Site) Pairs(ctx context.Context, product string, number int) ([]PairRow, error) {
	return all[PairRow](ctx, s.q, `
		SELECT rank, left_piece, right_piece, mismatch, balance, fixed FROM pairing_pairs
		WHERE site = $1 AND product = $2 AND pairing = $3 ORDER BY rank`, s.Name, product, number)
}

// WithdrawPairing frees the drivers of a pairing; ErrNotFound when there is none in
// force under the number.
func (s Site) WithdrawPairing(ctx context.Context, product string, number int, at time.Time, by, why string) error {
	tag, err := s.q.Exec(ctx, `
		UPDATE pairings SET withdrawn_at = $4, withdrawn_by = $5, withdrawn_why = $6
		WHERE site = $1 AND product = $2 AND pairing = $3 AND withdrawn_at IS NULL`,
		s.Name, product, number, now(at), by, why)
	if err == nil && tag.RowsAffected() == 0 {
		return ErrNotFound
	}
	s.touch("pairings", fmt.Sprintf("%s/%d", product, number))
	return translate(err)
}

// A Promise is a driver that a pairing in force speaks for.
type Promise struct {
	Piece   string
	Pairing int
}

// Promised returns the drivers in pairings that are in force, by serial.
func (s Site) Promised(ctx context.Context, product string) ([]Promise, error) {
	return all[Promise](ctx, s.q, `
		SELECT piece, max(p.pairing) AS pairing FROM pairings p
		JOIN pairing_pairs r ON r.site = p.site AND r.product = p.product AND r.pairing = p.pairing
		CROSS JOIN LATERAL (VALUES (r.left_piece), (r.right_piece)) v (piece)
		WHERE p.site = $1 AND p.product = $2 AND p.withdrawn_at IS NULL
		GROUP BY piece ORDER BY piece`, s.Name, product)
}
