package store

import (
	"context"
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
)

// A BatchRow is one version of a component batch.
type BatchRow struct {
	Kind       string
	Batch      string
	Version    int
	Supplier   string
	ReceivedOn *time.Time
	Pieces     *int // nil when not counted
	Note       string
	Reason     string // of a correction
	Author     string
	EnteredAt  time.Time
}

// A BatchValue is one number of a batch's certificate.
type BatchValue struct {
	Kind    string
	Batch   string
	Version int
	Name    string
	Value   float64
	Unit    string
}

const batchColumns = `kind, batch, version, supplier, received_on, pieces, note, reason, author, entered_at`

// AddBatch stores a version of a batch with its certificate; ErrExists when somebody
// was faster.
func (s Site) AddBatch(ctx context.Context, b BatchRow, values []BatchValue) error {
	key := fmt.Sprintf("%d/%d/%s/%s", b.Version, utf8.RuneCountInString(b.Kind), b.Kind, b.Batch)
	s.touch("batches", key)
	if len(values) > 0 {
		s.touch("batch_values", key)
	}
	q := &pgx.Batch{}
	q.Queue(`INSERT INTO batches (site, `+batchColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		s.Name, b.Kind, b.Batch, b.Version, b.Supplier, b.ReceivedOn, b.Pieces, b.Note, b.Reason, b.Author, now(b.EnteredAt))
	for _, v := range values {
		q.Queue(`INSERT INTO batch_values (site, kind, batch, version, name, value, unit) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			s.Name, b.Kind, b.Batch, b.Version, v.Name, v.Value, v.Unit)
	}
	return translate(s.q.SendBatch(ctx, q).Close())
}

// Batches lists the batches in force, by kind and date received. An empty kind means
// all.
func (s Site) Batches(ctx context.Context, kind string) ([]BatchRow, error) {
	return all[BatchRow](ctx, s.q, `
		SELECT `+batchColumns+` FROM (
			SELECT DISTINCT ON (kind, batch) `+batchColumns+` FROM batches
			WHERE site = $1 AND ($2 = '' OR kind = $2) ORDER BY kind, batch, version DESC
		) latest ORDER BY kind, received_on NULLS LAST, batch`, s.Name, kind)
}

// BatchHistory lists the versions of a batch, oldest first.
func (s Site) BatchHistory(ctx context.Context, kind, batch string) ([]BatchRow, error) {
	return all[BatchRow](ctx, s.q, `
		SELECT `+batchColumns+` FROM batches WHERE site = $1 AND kind = $2 AND batch = $3 ORDER BY version`,
		s.Name, kind, batch)
}

// BatchValues returns the certificates of all versions of the batches of a kind; an
// empty kind means all.
func (s Site) BatchValues(ctx context.Context, kind string) ([]BatchValue, error) {
	return all[BatchValue](ctx, s.q, `
		SELECT kind, batch, version, name, value, unit FROM batch_values
		WHERE site = $1 AND ($2 = '' OR kind = $2) ORDER BY kind, batch, version, name`, s.Name, kind)
}
