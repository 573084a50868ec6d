package store

import (
	"context"
	"encoding/json"
	"time"
)

// A SiteRow is one workshop.
type SiteRow struct {
	Site      string
	Name      string
	Zone      string
	CreatedAt time.Time
}

// Sites lists the workshops by their code.
func (db *DB) Sites(ctx context.Context) ([]SiteRow, error) {
	return all[SiteRow](ctx, db.pool, `SELECT site, name, zone, created_at FROM sites ORDER BY site`)
}

// Row returns the site's own row.
func (s Site) Row(ctx context.Context) (SiteRow, error) {
	return one[SiteRow](ctx, s.q, `SELECT site, name, zone, created_at FROM sites WHERE site = $1`, s.Name)
}

// AddSite adds the workshop unless it is there and reports whether it was new.
func (s Site) AddSite(ctx context.Context, name, zone string, at time.Time) (bool, error) {
	tag, err := s.q.Exec(ctx, `
		INSERT INTO sites (site, name, zone, created_at) VALUES ($1, $2, $3, $4)
		ON CONFLICT DO NOTHING`, s.Name, name, zone, now(at))
	return tag.RowsAffected() == 1, translate(err)
}

// An Entry is one line of the journal.
type Entry struct {
	Entry   int64
	At      time.Time
	Actor   string
	Origin  string
	Action  string
	Subject string
	Reason  string
	Detail  json.RawMessage
}

// Write appends an entry to the journal and returns its number. The site's row
// stays locked until the transaction ends, so that numbers have no gaps. Who listens
// is told when the transaction is committed.
func (s Site) Write(ctx context.Context, e Entry) (int64, error) {
	if e.Detail == nil {
		e.Detail = json.RawMessage(`{}`)
	}
	var n int64
	err := s.q.QueryRow(ctx, `
		WITH number AS (
			UPDATE sites SET next_entry = next_entry + 1 WHERE site = $1 RETURNING next_entry - 1 AS entry
		), written AS (
			INSERT INTO journal (site, entry, at, actor, origin, action, subject, reason, detail)
			SELECT $1, entry, $2, $3, $4, $5, $6, $7, $8 FROM number
			RETURNING entry
		)
		SELECT entry FROM written CROSS JOIN LATERAL pg_notify('`+journalChannel+`', $1::text)`,
		s.Name, now(e.At), e.Actor, e.Origin, e.Action, e.Subject, e.Reason, e.Detail).Scan(&n)
	return n, translate(err)
}

// Journal returns the entries after a number, oldest first, at most limit.
func (s Site) Journal(ctx context.Context, after int64, limit int) ([]Entry, error) {
	return all[Entry](ctx, s.q, `
		SELECT entry, at, actor, origin, action, subject, reason, detail FROM journal
		WHERE site = $1 AND entry > $2 ORDER BY entry LIMIT $3`, s.Name, after, limit)
}

// LastEntry returns the number of the newest entry, 0 when there is none.
func (s Site) LastEntry(ctx context.Context) (n int64, err error) {
	err = s.q.QueryRow(ctx, `SELECT coalesce(max(entry), 0) FROM journal WHERE site = $1`, s.Name).Scan(&n)
	return n, translate(err)
}
