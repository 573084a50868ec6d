// Package storetest gives tests a database of their own with the current schema.
package storetest

import (
	"context"
	"testing"

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
