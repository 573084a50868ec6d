package store_test

import (
	"testing"
	"time"

	"alike/internal/pg/pgtest"
	"alike/internal/store"
	"alike/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

// BenchmarkVerify walks 100 000 entries and 300 000 rows that they speak for, and
// prints how many times as long that takes as reading the same tables once as text. It
// also logs how long chaining and anchoring them took at the upgrade.
//
//	go test -run '^$' -bench Verify -benchtime 3x -v ./internal/store
func BenchmarkVerify(b *testing.B) {
	url, ctx := pgtest.New(b, nil), b.Context()
	config, err := pgx.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	old := stdlib.OpenDB(*config)
	defer old.Close()
	p, err := goose.NewProvider(goose.DialectPostgres, old, migrations.FS)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := p.UpTo(ctx, 1); err != nil {
		b.Fatal(err)
	}
	for _, sql := range []string{
		`INSERT INTO sites (site, name, zone, next_entry, created_at) VALUES ('a', 'A', 'UTC', 100001, now())`,
		`INSERT INTO products (site, product, definition, created_at) VALUES ('a', 'p', '{}', now())`,
		`INSERT INTO lots VALUES ('a', 'L1', 'p', now())`,
		`INSERT INTO units SELECT 'a', 'U' || n, 'p', 'L1', n, now() FROM generate_series(1, 100000) n`,
		`INSERT INTO attempts SELECT 'a', gen_random_uuid(), 'U' || n, 1, 'bench', 'x', '', now(), now(), 'pass', '{"word": "pass"}', 1, NULL FROM generate_series(1, 100000) n`,
		`INSERT INTO takes SELECT 'a', gen_random_uuid(), attempt, 'left', 1, now(), now(), sha256(serial::bytea), array_fill(1.5::real, ARRAY[31]), 'f', '{}' FROM attempts`,
		`INSERT INTO journal SELECT 'a', n, now(), 'station', '127.0.0.1', 'take in', 'U' || n, '', '{"takes": 4, "attempt": 1, "verdict": "pass"}' FROM generate_series(1, 100000) n`,
		`ANALYZE`,
	} {
		if _, err := old.ExecContext(ctx, sql); err != nil {
			b.Fatalf("%s: %v", sql, err)
		}
	}
	began := time.Now()
	db, err := store.Open(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	b.Logf("chained and anchored in %v", time.Since(began))
	conn := newForger(b, url).conn
	var plain time.Duration
	for b.Loop() {
		began, entries := time.Now(), time.Duration(0)
		v, err := db.Verify(ctx, "a", nil, func(s store.VerifyStep) {
			if s.What == "entries" {
				entries = time.Since(began)
			}
		})
		b.Logf("entries %v, rows %v", entries, time.Since(began)-entries)
		if err != nil || len(v.Faults) > 0 || v.Entries != 100_001 || v.Rows < 300_000 {
			b.Fatalf("%+v (%v)", v, err)
		}
		b.StopTimer()
		t := time.Now()
		for _, table := range []string{"journal", "journal_rows", "units", "attempts", "takes"} {
			if _, err := conn.Exec(ctx, "SELECT count(*), sum(length(t::text)) FROM "+table+" t"); err != nil {
				b.Fatal(err)
			}
		}
		plain = time.Since(t)
		b.StartTimer()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/plain.Seconds(), "times-reading-as-text")
}
