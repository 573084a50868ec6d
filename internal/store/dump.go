package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Connect opens a database as it is: without applying migrations, as a backup before
// an upgrade needs it.
func Connect(ctx context.Context, url string) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, errBadAddress
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, translate(err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, translate(err)
	}
	return &DB{pool}, nil
}

// A Table is one table with its columns, as a dump holds it.
type Table struct {
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
}

// A Dump reads all rows of all sites as they were at one moment.
type Dump struct{ tx pgx.Tx }

// Dump runs do in one read-only transaction that sees one moment, while others go on
// writing.
func (db *DB) Dump(ctx context.Context, do func(*Dump) error) error {
	o := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return translate(pgx.BeginTxFunc(ctx, db.pool, o, func(tx pgx.Tx) error {
		if err := plainText(ctx, tx); err != nil {
			return err
		}
		return do(&Dump{tx})
	}))
}

// plainText makes the text form of every value the same on every server, and works as
// the owner of the tables, who sees all sites. With row_security off a role that may not
// see all rows gets an error where it would dump a part in silence.
func plainText(ctx context.Context, tx pgx.Tx) error {
	for _, set := range []string{"role = 'none'", "datestyle = 'ISO, MDY'", "timezone = 'UTC'", "intervalstyle = 'postgres'", "extra_float_digits = 1",
		"bytea_output = 'hex'", "client_encoding = 'UTF8'", "row_security = off", "statement_timeout = 0", "idle_in_transaction_session_timeout = 0"} {
		if _, err := tx.Exec(ctx, "SET LOCAL "+set); err != nil {
			return err
		}
	}
	return nil
}

// Schema returns the number of the newest migration that was applied.
func (d *Dump) Schema(ctx context.Context) (version int64, err error) {
	var there bool
	if err := d.tx.QueryRow(ctx, `SELECT to_regclass('goose_db_version') IS NOT NULL`).Scan(&there); err != nil || !there {
		return 0, translate(err)
	}
	err = d.tx.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&version)
	return version, translate(err)
}

// notKept are tables that no dump holds: secrets that open doors, and what is gone in a
// day. After a restore people set new passwords by links; tokens go on, for their hashes
// open nothing.
var notKept = []string{"passwords", "sessions", "invitations", "sign_in_tries"}

// Tables returns the tables in an order in which each stands behind those that it
// refers to, except the one of the migrations and those of notKept.
func (d *Dump) Tables(ctx context.Context) ([]Table, error) {
	rows, err := all[struct {
		Name    string
		Columns []string
		Needs   []string
	}](ctx, d.tx, `
		SELECT c.relname AS name,
			ARRAY(SELECT a.attname::text FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
				AND a.attgenerated = '' ORDER BY a.attnum) AS columns,
			ARRAY(SELECT DISTINCT r.relname::text FROM pg_constraint k JOIN pg_class r ON r.oid = k.confrelid
				WHERE k.conrelid = c.oid AND k.contype = 'f' AND k.confrelid <> c.oid) AS needs
		FROM pg_class c
		WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p') AND NOT c.relispartition
			AND c.relname <> 'goose_db_version' AND c.relname <> ALL($1)
		ORDER BY c.relname`, notKept)
	if err != nil {
		return nil, err
	}
	var out []Table
	placed := map[string]bool{}
	for len(out) < len(rows) {
		before := len(out)
		for _, r := range rows {
			if !placed[r.Name] && !slices.ContainsFunc(r.Needs, func(n string) bool { return !placed[n] }) {
				placed[r.Name] = true
				out = append(out, Table{r.Name, r.Columns})
			}
		}
		if len(out) == before {
			return nil, errors.New("some tables refer to each other in a circle, which a backup cannot put in order")
		}
	}
	return out, nil
}

// Copy writes the rows of a table in PostgreSQL's text form for COPY: a line per row,
// tabs between columns, in no stated order.
func (d *Dump) Copy(ctx context.Context, t Table, w io.Writer) error {
	_, err := d.tx.Conn().PgConn().CopyTo(ctx, w, fmt.Sprintf("COPY (SELECT %s FROM %s) TO STDOUT", columnList(t), pgx.Identifier{t.Name}.Sanitize()))
	return translate(err)
}

func columnList(t Table) string {
	var names []string
	for _, c := range t.Columns {
		names = append(names, pgx.Identifier{c}.Sanitize())
	}
	return strings.Join(names, ", ")
}

// A JournalEnd is the end of one site's journal: how many entries it has and the last one,
// whole, as JSON. What a migration adds to the journal, such as a hash that chains the
// entries, is in it.
type JournalEnd struct {
	Site    string `json:"site"`
	Entries int64  `json:"entries"`
	Last    int64  `json:"last"`
	Entry   string `json:"entry"`
}

// Heads returns the end of each site's journal.
func (d *Dump) Heads(ctx context.Context) ([]JournalEnd, error) {
	return all[JournalEnd](ctx, d.tx, `
		SELECT n.site, n.entries, n.last, to_jsonb(j)::text AS entry
		FROM (SELECT site, count(*) AS entries, max(entry) AS last FROM journal GROUP BY site) n
		JOIN journal j ON j.site = n.site AND j.entry = n.last
		ORDER BY n.site`)
}

// Sequences returns the last values of counters that are no part of a table, by name.
func (d *Dump) Sequences(ctx context.Context) (map[string]int64, error) {
	rows, err := all[struct {
		Name  string
		Value int64
	}](ctx, d.tx, `
		SELECT sequencename AS name, last_value AS value FROM pg_sequences
		WHERE schemaname = current_schema() AND last_value IS NOT NULL AND sequencename NOT LIKE 'goose_db_version%'`)
	out := map[string]int64{}
	for _, r := range rows {
		out[r.Name] = r.Value
	}
	return out, err
}

// A Content is a stored curve beside the hash that it should have.
type Content struct {
	Site        string
	Take        uuid.UUID
	ContentHash []byte
	Frequencies []byte
	Levels      []byte
}

// Contents calls each for every stored curve. The slices are only valid during the
// call.
func (d *Dump) Contents(ctx context.Context, each func(Content) error) error {
	rows, err := d.tx.Query(ctx, `
		SELECT t.site, t.take, t.content_hash, g.frequencies, c.levels
		FROM takes t JOIN take_curves c ON c.site = t.site AND c.take = t.take JOIN grids g ON g.site = c.site AND g.grid = c.grid`)
	if err != nil {
		return translate(err)
	}
	var k Content
	_, err = pgx.ForEachRow(rows, []any{&k.Site, &k.Take, &k.ContentHash, &k.Frequencies, &k.Levels}, func() error { return each(k) })
	return translate(err)
}
