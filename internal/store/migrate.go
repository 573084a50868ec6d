package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"alike/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// Migrate brings the schema up to date under a lock that other starting programs
// wait for. A schema that is newer than this program is refused: the program is
// the older one.
func Migrate(ctx context.Context, config *pgx.ConnConfig) error {
	db := stdlib.OpenDB(*config)
	defer db.Close()
	p, err := provider(db)
	if err != nil {
		return err
	}
	wait, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	known := p.ListSources()
	if present, err := p.GetDBVersion(wait); err != nil {
		return err
	} else if newest := known[len(known)-1].Version; present > newest {
		return fmt.Errorf("the database has schema %d, this program knows up to %d: use the newer program", present, newest)
	}
	if pending, err := p.HasPending(wait); err != nil || !pending {
		return err
	}
	_, err = p.Up(wait)
	return err
}

func provider(db *sql.DB) (*goose.Provider, error) {
	// The default waits five seconds between tries, longer than a migration takes.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 120))
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectPostgres, db, migrations.FS, goose.WithSessionLocker(locker))
}

// NewestSchema returns the newest schema that this program knows.
func NewestSchema() (int64, error) {
	db := stdlib.OpenDB(pgx.ConnConfig{}) // is never connected
	defer db.Close()
	p, err := provider(db)
	if err != nil {
		return 0, err
	}
	known := p.ListSources()
	return known[len(known)-1].Version, nil
}

// MigrateTo brings an empty database to a schema that may be older than the newest.
func (db *DB) MigrateTo(ctx context.Context, version int64) error {
	raw := stdlib.OpenDBFromPool(db.pool)
	defer raw.Close()
	p, err := provider(raw)
	if err != nil {
		return err
	}
	_, err = p.UpTo(ctx, version)
	return translate(err)
}
