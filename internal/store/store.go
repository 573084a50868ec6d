// Package store holds all SQL of alike. Methods are questions; the rows they
// return are plain structs. Errors of the database are translated here, so that
// nothing above this package knows the driver.
package store

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

var (
	// ErrNotFound means that there is no such row.
	ErrNotFound = errors.New("not found")
	// ErrExists means that a row with this key is already there.
	ErrExists = errors.New("already there")
	// ErrForbidden means that the database does not let its role do this: the licensor
	// writes nothing, and no site another one's rows.
	ErrForbidden = errors.New("the database does not allow this")
	// ErrText means that a text holds what no text in the database can have.
	ErrText = errors.New("a text holds bytes that are no text in UTF-8, or U+0000")
	// ErrUnavailable means that the database did not answer; trying again later may
	// help.
	ErrUnavailable = errors.New("the database does not answer")
)

// errBadAddress stands for the driver's own text, which repeats the address, password
// and all.
var errBadAddress = errors.New("the database address cannot be read: give it as postgres://user@host:port/name")

// A DB is a pool of connections to one database.
type DB struct{ pool *pgxpool.Pool }

// Open connects to url, applies the migrations that are missing, lets the journal
// speak for rows that it did not speak for yet, and waits for all that. The caller
// closes the DB.
func Open(ctx context.Context, url string) (*DB, error) { return open(ctx, url, nil) }

// OpenWatched is Open for a measuring program: every statement is added up in w.
func OpenWatched(ctx context.Context, url string, w *Watch) (*DB, error) { return open(ctx, url, w) }

func open(ctx context.Context, url string, w *Watch) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, errBadAddress
	}
	if err := Migrate(ctx, config.ConnConfig.Copy()); err != nil {
		return nil, translate(err)
	}
	if w != nil {
		config.ConnConfig.Tracer = w
	}
	config.AfterConnect = takeRole
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, translate(err)
	}
	db := &DB{pool}
	if err := db.anchor(ctx); err != nil {
		db.Close()
		return nil, translate(err)
	}
	return db, nil
}

// Close waits for the connections in use and closes them.
func (db *DB) Close() { db.pool.Close() }

// Ping asks whether the database answers.
func (db *DB) Ping(ctx context.Context) error { return translate(db.pool.Ping(ctx)) }

// querier is what a pool and a transaction have in common.
type querier interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// A Site asks questions about one workshop's rows and, inside InSite, changes
// them.
type Site struct {
	q       querier
	Name    string
	touched *touched // nil outside a transaction
}

// Site returns the workshop's rows for reading, outside any transaction.
func (db *DB) Site(name string) Site { return Site{fenced{db.pool, name}, name, nil} }

// InSite runs do in one transaction. It is committed when do returns nil, else
// nothing of it remains. Rows that were written without a journal entry behind them
// are an error.
func (db *DB) InSite(ctx context.Context, name string, do func(Site) error) error {
	err := db.within(ctx, pgx.TxOptions{}, roleOf(ctx), name, func(tx pgx.Tx) error {
		s := Site{tx, name, &touched{}}
		if err := do(s); err != nil {
			return err
		}
		return s.touched.unspoken()
	})
	return translate(err)
}

// Snapshot runs do in one read-only transaction that sees one moment.
func (db *DB) Snapshot(ctx context.Context, name string, do func(Site) error) error {
	o := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	err := db.within(ctx, o, roleOf(ctx), name, func(tx pgx.Tx) error { return do(Site{tx, name, nil}) })
	return translate(err)
}

// Within runs do behind a savepoint of the present transaction: when do returns an
// error, what it did is undone and the transaction goes on.
func (s Site) Within(ctx context.Context, do func(Site) error) error {
	tx, ok := s.q.(pgx.Tx)
	if !ok {
		panic("store: Within outside a transaction")
	}
	before := slices.Clone(s.touched.rows)
	err := pgx.BeginFunc(ctx, tx, func(tx pgx.Tx) error { return do(Site{tx, s.Name, s.touched}) })
	if err != nil {
		s.touched.rows = before
	}
	return translate(err)
}

// translate turns the driver's errors into this package's. It leaves other errors
// alone.
func translate(err error) error {
	if err == nil {
		return nil
	}
	var pg *pgconn.PgError
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return ErrNotFound
	case errors.As(err, &pg) && pg.Code == "23505":
		return fmt.Errorf("%w (%s)", ErrExists, pg.ConstraintName)
	case errors.As(err, &pg) && pg.Code == "42501":
		return fmt.Errorf("%w: %s", ErrForbidden, pg.Message)
	case errors.As(err, &pg) && (pg.Code == "22021" || pg.Code == "22P05"):
		return ErrText
	case errors.As(err, &pg) && (pg.Code[:2] == "57" || pg.Code[:2] == "53" || pg.Code[:2] == "08"):
		return fmt.Errorf("%w: %s", ErrUnavailable, pg.Message)
	case errors.As(err, &pg):
		return fmt.Errorf("database: %s (%s)", pg.Message, pg.Code)
	}
	var network net.Error
	var connect *pgconn.ConnectError
	if !errors.Is(err, context.Canceled) && (errors.As(err, &connect) || errors.As(err, &network) || pgconn.SafeToRetry(err)) {
		return fmt.Errorf("%w: %v", ErrUnavailable, err)
	}
	return err
}

// all collects the rows of a query into structs by column name.
func all[T any](ctx context.Context, q querier, sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, translate(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	return out, translate(err)
}

// one returns the single row of a query, or ErrNotFound.
func one[T any](ctx context.Context, q querier, sql string, args ...any) (T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		var zero T
		return zero, translate(err)
	}
	out, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
	return out, translate(err)
}

// exec runs a statement that returns no rows.
func (s Site) exec(ctx context.Context, sql string, args ...any) error {
	_, err := s.q.Exec(ctx, sql, args...)
	return translate(err)
}

// now is what a caller passes as the time of a deed; PostgreSQL keeps microseconds,
// and rounding here keeps what was written equal to what is read.
func now(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }
