package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"
)

// A SiteRow is one workshop.
type SiteRow struct {
	Site      string
	Name      string
	Zone      string
	CreatedAt time.Time
}

// Sites lists the workshops by their code, as the licensor sees them.
func (db *DB) Sites(ctx context.Context) (out []SiteRow, err error) {
	err = db.within(ctx, pgx.TxOptions{AccessMode: pgx.ReadOnly}, licensorRole, "", func(tx pgx.Tx) (err error) {
		out, err = all[SiteRow](ctx, tx, `SELECT site, name, zone, created_at FROM sites ORDER BY site`)
		return err
	})
	return out, translate(err)
}

// Row returns the site's own row.
func (s Site) Row(ctx context.Context) (SiteRow, error) {
	return one[SiteRow](ctx, s.q, `SELECT site, name, zone, created_at FROM sites WHERE site = $1`, s.Name)
}

// AddSite adds the workshop unless it is there and reports whether it was new.
func (s Site) AddSite(ctx context.Context, name, zone string, at time.Time) (bool, error) {
	tag, err := s.q.Exec(ctx, `
		INSERT INTO sites (site, name, zone, created_at, journalled) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT DO NOTHING`, s.Name, name, zone, now(at), kindNames)
	if tag.RowsAffected() == 1 {
		s.touch("sites", s.Name)
	}
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

// JournalAbout returns the entries about a subject after a number, oldest first, at
// most limit; an empty subject stands for all.
func (s Site) JournalAbout(ctx context.Context, subject string, after int64, limit int) ([]Entry, error) {
	if subject == "" {
		return s.Journal(ctx, after, limit)
	}
	return all[Entry](ctx, s.q, `
		SELECT entry, at, actor, origin, action, subject, reason, detail FROM journal
		WHERE site = $1 AND subject = $2 AND entry > $3 ORDER BY entry LIMIT $4`, s.Name, subject, after, limit)
}

// A JournalFilter chooses entries; an empty field stands for all.
type JournalFilter struct {
	Lot     string // about the lot or one of its units
	About   string // exactly this subject: a serial, a lot, a product
	Finding string // about the finding of this number
	Who     string // part of the actor's name
}

// JournalBefore returns the entries before a number, newest first, at most limit.
func (s Site) JournalBefore(ctx context.Context, f JournalFilter, before int64, limit int) ([]Entry, error) {
	return all[Entry](ctx, s.q, `
		SELECT entry, at, actor, origin, action, subject, reason, detail FROM journal
		WHERE site = $1 AND entry < $2
			AND ($3 = '' OR subject = $3 OR subject IN (SELECT serial FROM units WHERE site = $1 AND lot = $3))
			AND ($4 = '' OR subject = $4)
			AND ($5 = '' OR subject = $5 AND (action = 'open finding' OR action LIKE 'finding: %'))
			AND ($6 = '' OR strpos(lower(actor), lower($6)) > 0)
		ORDER BY entry DESC LIMIT $7`, s.Name, before, f.Lot, f.About, f.Finding, f.Who, limit)
}

// JournalOfLot returns the entries about a lot and its units up to an entry, oldest
// first.
func (s Site) JournalOfLot(ctx context.Context, lot string, upTo int64) ([]Entry, error) {
	return all[Entry](ctx, s.q, `
		SELECT entry, at, actor, origin, action, subject, reason, detail FROM journal
		WHERE site = $1 AND entry <= $3 AND subject = ANY(
			SELECT $2 UNION ALL SELECT serial FROM units WHERE site = $1 AND lot = $2)
		ORDER BY entry`, s.Name, lot, upTo)
}
