package store

import (
	"context"
	"encoding/hex"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// A TakeRow is one curve of one attempt, as band levels.
type TakeRow struct {
	Take        uuid.UUID
	Attempt     uuid.UUID
	Channel     string
	Seating     int
	MeasuredAt  time.Time
	ReceivedAt  time.Time
	ContentHash []byte
	Bands       []float32
	Source      string
	Notes       []string
}

// A CurveRow is the curve behind a take. Its numbers are little-endian:
// frequencies float64, levels and phases float32; Grid is the hash of the
// frequencies.
type CurveRow struct {
	Take        uuid.UUID
	Grid        []byte
	Frequencies []byte
	Levels      []byte
	Phases      []byte // nil when not measured
}

const takeColumns = `take, attempt, channel, seating, measured_at, received_at, content_hash, bands, source, notes`

// AddTakes stores takes and their curves in one round trip.
func (s Site) AddTakes(ctx context.Context, takes []TakeRow, curves []CurveRow) error {
	b := &pgx.Batch{}
	grids := map[string]bool{}
	for _, c := range curves {
		if !grids[string(c.Grid)] {
			grids[string(c.Grid)] = true
			s.queueGrid(b, c)
		}
	}
	for _, t := range takes {
		s.touch("takes", t.Take.String())
		b.Queue(`INSERT INTO takes (site, `+takeColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			s.Name, t.Take, t.Attempt, t.Channel, t.Seating, now(t.MeasuredAt), now(t.ReceivedAt), t.ContentHash, t.Bands,
			t.Source, t.Notes)
	}
	for _, c := range curves {
		s.touch("take_curves", c.Take.String())
		b.Queue(`INSERT INTO take_curves (site, take, grid, levels, phases) VALUES ($1, $2, $3, $4, $5)`,
			s.Name, c.Take, c.Grid, c.Levels, c.Phases)
	}
	return translate(s.q.SendBatch(ctx, b).Close())
}

// queueGrid stores the grid of a curve unless it is there.
func (s Site) queueGrid(b *pgx.Batch, c CurveRow) {
	b.Queue(`INSERT INTO grids (site, grid, frequencies) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`,
		s.Name, c.Grid, c.Frequencies).Exec(func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() == 1 {
			s.touch("grids", hex.EncodeToString(c.Grid))
		}
		return nil
	})
}

// Takes returns the takes of an attempt by channel and seating.
func (s Site) Takes(ctx context.Context, attempt uuid.UUID) ([]TakeRow, error) {
	return all[TakeRow](ctx, s.q, `
		SELECT `+takeColumns+` FROM takes WHERE site = $1 AND attempt = $2 ORDER BY channel, seating`, s.Name, attempt)
}

// A Twin is where a curve with some content is already stored: Number is the attempt,
// or of a take that is not production the visit, and Visit tells the two apart.
type Twin struct {
	Take        uuid.UUID
	ContentHash []byte
	Serial      string
	Number      int
	Channel     string
	Seating     int
	Visit       bool
}

// Twins returns the stored takes whose content has one of the given hashes.
func (s Site) Twins(ctx context.Context, hashes [][]byte) ([]Twin, error) {
	return all[Twin](ctx, s.q, `
		SELECT t.take, t.content_hash, a.serial, a.number, t.channel, t.seating, false AS visit
		FROM takes t JOIN attempts a ON a.site = t.site AND a.attempt = t.attempt
		WHERE t.site = $1 AND t.content_hash = ANY($2)
		UNION ALL
		SELECT t.take, t.content_hash, v.serial, v.number, t.channel, t.seating, true
		FROM rig_takes t JOIN rig_visits v ON v.site = t.site AND v.visit = t.visit
		WHERE t.site = $1 AND t.content_hash = ANY($2) ORDER BY 1`, s.Name, hashes)
}

// Curve returns the curve behind a take.
func (s Site) Curve(ctx context.Context, take uuid.UUID) (CurveRow, error) {
	return one[CurveRow](ctx, s.q, `
		SELECT c.take, c.grid, g.frequencies, c.levels, c.phases
		FROM take_curves c JOIN grids g ON g.site = c.site AND g.grid = c.grid
		WHERE c.site = $1 AND c.take = $2`, s.Name, take)
}

// CountTakes returns the number of takes of a lot.
func (s Site) CountTakes(ctx context.Context, lot string) (n int, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT count(*) FROM takes t JOIN attempts a ON a.site = t.site AND a.attempt = t.attempt
		JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE t.site = $1 AND u.lot = $2`, s.Name, lot).Scan(&n)
	return n, translate(err)
}

// LotDigest returns every take of a lot in a fixed order as content hash and where
// it belongs, for a hash over the lot's data.
func (s Site) LotDigest(ctx context.Context, lot string) ([]Twin, error) {
	return all[Twin](ctx, s.q, `
		SELECT t.take, t.content_hash, a.serial, a.number, t.channel, t.seating, false AS visit
		FROM takes t JOIN attempts a ON a.site = t.site AND a.attempt = t.attempt
		JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE t.site = $1 AND u.lot = $2 ORDER BY a.serial, a.number, t.channel, t.seating`, s.Name, lot)
}
