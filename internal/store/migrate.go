package store

import (
	"context"
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
	// The default waits five seconds between tries, longer than a migration takes.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 120))
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db, migrations.FS, goose.WithSessionLocker(locker))
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
