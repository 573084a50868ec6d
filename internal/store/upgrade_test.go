package store_test

import (
	"errors"
	"os"
	"strings"
	"testing"

	"alike/internal/pg/pgtest"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

// The hashes are those that testdata/chain.py computes with Python's hashlib from the
// written form of entries and rows.
func TestHashesAreThoseOfTheWrittenForm(t *testing.T) {
	t.Parallel()
	want := map[string]string{}
	text, err := os.ReadFile("testdata/chain.txt")
	must(t, err)
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		want[f[0]+" "+f[1]] = f[2]
	}
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	must(t, err)
	defer db.Close()
	ctx := t.Context()
	conn := newForger(t, url)
	conn.do(1, `INSERT INTO sites (site, name, zone, created_at, journalled) VALUES ('a', 'A', 'UTC', now(), '{}')`)
	conn.do(1, `INSERT INTO products (site, product, definition, created_at) VALUES ('a', 'p', '{}', now())`)
	must(t, db.InSite(ctx, "a", func(s store.Site) error {
		return errors.Join(second(s.AddLot(ctx, "L1", "p", moment)),
			s.AddUnit(ctx, store.UnitRow{Serial: "U1", Product: "p", Lot: "L1", FirstSeen: moment}),
			second(s.Write(ctx, store.Entry{At: moment, Actor: "Zoë", Origin: "test", Action: "begin", Subject: "U1", Reason: "3:a,b", Detail: []byte(`{"b":1,"a":[1.50,"x"]}`)})),
			second(s.Write(ctx, store.Entry{At: moment, Action: "note"})))
	}))
	rows, err := conn.conn.Query(ctx, `
		SELECT 'entry ' || entry, encode(hash, 'hex') FROM journal UNION ALL
		SELECT kind || ' ' || key, encode(digest, 'hex') FROM journal_rows`)
	must(t, err)
	got := map[string]string{}
	var key, hash string
	_, err = pgx.ForEachRow(rows, []any{&key, &hash}, func() error { got[key] = hash; return nil })
	must(t, err)
	if len(got) != 4 || len(want) != 4 {
		t.Errorf("%d hashes, %d wanted, expected 4 each", len(got), len(want))
	}
	for k, w := range want {
		if got[k] != w {
			t.Errorf("%s: %s, want %s", k, got[k], w)
		}
	}
}

// A database from before the chain keeps its entries: they are chained and its rows are
// anchored as they stand, and edits after that are found.
func TestJournalFromBeforeTheChain(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t, nil)
	ctx := t.Context()
	config, err := pgx.ParseConfig(url)
	must(t, err)
	old := stdlib.OpenDB(*config)
	defer old.Close()
	p, err := goose.NewProvider(goose.DialectPostgres, old, migrations.FS)
	must(t, err)
	_, err = p.UpTo(ctx, 1)
	must(t, err)
	for _, sql := range []string{
		`INSERT INTO sites (site, name, zone, next_entry, created_at) VALUES ('a', 'A', 'UTC', 4, now()), ('empty', 'E', 'UTC', 1, now())`,
		`INSERT INTO products (site, product, definition, created_at) VALUES ('a', 'p', '{"b": 1}', now())`,
		`INSERT INTO lots VALUES ('a', 'L1', 'p', now())`,
		`INSERT INTO units VALUES ('a', 'U1', 'p', 'L1', 1, now()), ('a', 'U2', 'p', 'L1', 2, now())`,
		`INSERT INTO journal SELECT 'a', n, '2026-01-01T00:00:00.000001Z', 'Zoë', 'test', 'old', 'U1', 'r:1,', '{"x": [1.50, null]}' FROM generate_series(1, 3) n`,
	} {
		if _, err := old.ExecContext(ctx, sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	for range 2 { // opening it again adds nothing
		db, err := store.Open(ctx, url)
		must(t, err)
		db.Close()
	}
	db, err := store.Open(ctx, url)
	must(t, err)
	defer db.Close()
	v := verify(t, db)
	if len(v.Faults) > 0 || v.Entries != 4 || v.Rows != 5 || len(v.Anchors) != 1 || v.Anchors[0].Entry != 4 {
		t.Fatalf("%+v", v)
	}
	if e, err := db.Verify(ctx, "empty", nil, func(store.VerifyStep) {}); err != nil || e.Entries != 1 || len(e.Faults) > 0 {
		t.Errorf("%+v (%v)", e, err)
	}
	f := newForger(t, url)
	f.do(1, `UPDATE journal SET actor = 'Zoe' WHERE site = 'a' AND entry = 2`)
	wantFault(t, verify(t, db), "Entry 2 was altered")
	f.do(1, `UPDATE journal SET actor = 'Zoë' WHERE site = 'a' AND entry = 2`)
	f.do(1, `UPDATE units SET lot = 'L1', place = 3 WHERE serial = 'U2'`)
	wantFault(t, verify(t, db), "Row U2 of table units was altered: it is not what entry 4 wrote.")
	f.do(1, `UPDATE units SET place = 2 WHERE serial = 'U2'`)
	if v := verify(t, db); len(v.Faults) > 0 {
		t.Errorf("all is as it was, yet %+v", v.Faults)
	}
	// Editing rows and having them anchored anew leaves a second anchor to be seen.
	f.do(1, `UPDATE units SET place = 3 WHERE serial = 'U2'`)
	f.do(1, `UPDATE sites SET journalled = '{}' WHERE site = 'a'`)
	again, err := store.Open(ctx, url)
	must(t, err)
	defer again.Close()
	if v := verify(t, again); len(v.Anchors) != 2 || len(v.Faults) > 0 {
		t.Errorf("%+v", v)
	}
}
