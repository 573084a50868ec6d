// Package storetest gives tests a database of their own with the current schema.
package storetest

import (
	"context"
	"testing"
	"time"

	"alike/internal/pg/pgtest"
	"alike/internal/store"

	"github.com/jackc/pgx/v5"
)

// migrate is one function value, so that every test of a process clones the same
// template.
func migrate(ctx context.Context, url string) error {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return err
	}
	return store.Migrate(ctx, config)
}

// URL returns the address of a migrated database that is the test's own.
func URL(t testing.TB) string {
	t.Helper()
	return pgtest.New(t, migrate)
}

// Open returns an open store on a migrated database that is the test's own.
func Open(t testing.TB) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), URL(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}

// EndListeners ends the connections that listen for changes, as a restart of
// PostgreSQL would, and returns how many there were. It waits for the first.
func EndListeners(t testing.TB, url string) int {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	for range 100 {
		var n int
		err := conn.QueryRow(t.Context(), `
			SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity
			WHERE datname = current_database() AND query LIKE 'LISTEN%'`).Scan(&n)
		if err != nil {
			t.Fatal(err)
		}
		if n > 0 {
			return n
		}
		time.Sleep(20 * time.Millisecond)
	}
	return 0
}
