package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// The roles under which the store works; migration 0011 says what each may do.
const (
	siteRole     = "alike_site"
	licensorRole = "alike_licensor"
	ownerRole    = "none" // whoever the connection belongs to
)

// enter names role and site for the transaction in which it runs, and no longer.
const enter = `SELECT set_config('role', $1, true), set_config('alike.site', $2, true)`

// takeRole makes a new connection one of the site's role, so that a statement which
// nobody led into a site sees nothing.
func takeRole(ctx context.Context, conn *pgx.Conn) error {
	_, err := conn.Exec(ctx, `SET ROLE `+siteRole)
	if err != nil {
		return fmt.Errorf("the database user may not act as %s: let an administrator of PostgreSQL run: GRANT %s, %s TO %q (%w)", siteRole, siteRole, licensorRole, conn.Config().User, err)
	}
	return nil
}

type licensorKey struct{}

// AsLicensor returns a context in which the store reads as the licensor: whatever is
// measured, of all sites; every write is refused by the database.
func AsLicensor(ctx context.Context) context.Context {
	return context.WithValue(ctx, licensorKey{}, true)
}

// AsSite returns a context in which the store works as the site again.
func AsSite(ctx context.Context) context.Context {
	return context.WithValue(ctx, licensorKey{}, false)
}

func roleOf(ctx context.Context) string {
	if yes, _ := ctx.Value(licensorKey{}).(bool); yes {
		return licensorRole
	}
	return siteRole
}

// within runs do in a transaction under a role and, unless it is empty, in a site.
func (db *DB) within(ctx context.Context, o pgx.TxOptions, role, site string, do func(pgx.Tx) error) error {
	return pgx.BeginTxFunc(ctx, db.pool, o, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, enter, role, site); err != nil {
			return err
		}
		return do(tx)
	})
}

// A fenced querier leads every statement into a site. Both go to the server in one round
// trip, and PostgreSQL runs what comes so in one transaction.
type fenced struct {
	pool *pgxpool.Pool
	site string
}

// send begins a batch with the way into the site.
func (f fenced) send(ctx context.Context, queries ...*pgx.QueuedQuery) (pgx.BatchResults, error) {
	b := &pgx.Batch{}
	b.Queue(enter, roleOf(ctx), f.site)
	b.QueuedQueries = append(b.QueuedQueries, queries...)
	r := f.pool.SendBatch(ctx, b)
	if _, err := r.Exec(); err != nil {
		_ = r.Close()
		return nil, err
	}
	return r, nil
}

func (f fenced) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	r, err := f.send(ctx, &pgx.QueuedQuery{SQL: sql, Arguments: args})
	if err != nil {
		return pgconn.CommandTag{}, err
	}
	tag, err := r.Exec()
	if e := r.Close(); err == nil {
		err = e
	}
	return tag, err
}

func (f fenced) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	r, err := f.send(ctx, &pgx.QueuedQuery{SQL: sql, Arguments: args})
	if err != nil {
		return nil, err
	}
	rows, err := r.Query()
	if err != nil {
		_ = r.Close()
		return nil, err
	}
	return &fencedRows{Rows: rows, batch: r}, nil
}

func (f fenced) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	rows, err := f.Query(ctx, sql, args...)
	return fencedRow{rows, err}
}

func (f fenced) SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults {
	r, err := f.send(ctx, b.QueuedQueries...)
	if err != nil {
		return pgx.FailedBatchResults(b, err)
	}
	return r
}

// fencedRows give their connection back when they are closed or read to their end.
type fencedRows struct {
	pgx.Rows
	batch pgx.BatchResults
	err   error
}

func (r *fencedRows) Next() bool {
	if r.Rows.Next() {
		return true
	}
	r.Close()
	return false
}

func (r *fencedRows) Close() {
	r.Rows.Close()
	if r.batch != nil {
		r.err = r.batch.Close()
		r.batch = nil
	}
}

func (r *fencedRows) Err() error {
	if err := r.Rows.Err(); err != nil {
		return err
	}
	return r.err
}

type fencedRow struct {
	rows pgx.Rows
	err  error
}

// Scan reads the first row, as a row of the driver does.
func (r fencedRow) Scan(into ...any) error {
	if r.err != nil {
		return r.err
	}
	defer r.rows.Close()
	if !r.rows.Next() {
		if err := r.rows.Err(); err != nil {
			return err
		}
		return pgx.ErrNoRows
	}
	if err := r.rows.Scan(into...); err != nil {
		return err
	}
	r.rows.Close()
	return r.rows.Err()
}
