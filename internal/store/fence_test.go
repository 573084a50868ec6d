package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"alike/internal/pg/pgtest"
	"alike/internal/store"
	"alike/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

// under returns a connection with the role that the store works under, led into a site
// for as long as it lives.
func under(t testing.TB, url, role, site string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	for _, sql := range []string{"SET ROLE " + role, "SELECT set_config('alike.site', '" + site + "', false)"} {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	return conn
}

// tables lists every table of the database from the catalogue.
func tables(t testing.TB, url string) []string {
	t.Helper()
	rows, err := newForger(t, url).conn.Query(t.Context(), `
		SELECT c.relname FROM pg_class c WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p', 'v', 'm') AND c.relname <> 'goose_db_version' ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(out) < 40 {
		t.Fatalf("%d tables (%v)", len(out), err)
	}
	return out
}

// full is a database with a row of site "a" in every table, and nothing of another site
// but that it exists.
func full(t *testing.T) string {
	t.Helper()
	db, url := record(t)
	ctx := t.Context()
	must(t, db.InSite(ctx, "a", func(s store.Site) error {
		return errors.Join(
			s.AddSession(ctx, store.SessionRow{Session: []byte{1}, Person: "Zoë", OpenedAt: moment, EndsAt: moment}),
			s.AddInvitation(ctx, []byte{2}, "Zoë", moment, moment),
			second(s.CountTry(ctx, "zoë", moment)))
	}))
	// Site b keeps its row and its journal only.
	conn := newForger(t, url).conn
	for _, name := range tables(t, url) {
		if name != "sites" && name != "journal" && name != "journal_rows" {
			if _, err := conn.Exec(ctx, `DELETE FROM `+name+` WHERE site = 'b'`); err != nil {
				t.Fatal(err)
			}
		}
	}
	return url
}

// As the role that the server works under for one site, every table of the catalogue is
// read and written: nothing of another site comes back, nothing gets there.
func TestNoSiteReachesAnother(t *testing.T) {
	t.Parallel()
	url := full(t)
	ctx := t.Context()
	owner, b, a, none := newForger(t, url).conn, under(t, url, "alike_site", "b"), under(t, url, "alike_site", "a"), under(t, url, "alike_site", "")
	count := func(conn *pgx.Conn, table, where string) (n int) {
		t.Helper()
		if err := conn.QueryRow(ctx, `SELECT count(*) FROM `+table+where).Scan(&n); err != nil {
			t.Errorf("%s: %v", table, err)
		}
		return n
	}
	tried := 0
	for _, table := range tables(t, url) {
		there := count(owner, table, ` WHERE site = 'a'`)
		if there == 0 {
			t.Errorf("no row of site a in %s: give it one in the test's record", table)
		}
		if n := count(a, table, ""); n != there {
			t.Errorf("site a sees %d of its %d rows of %s", n, there, table)
		}
		if n := count(b, table, ` WHERE site <> 'b'`); n != 0 {
			t.Errorf("site b sees %d rows of another site in %s", n, table)
		}
		if n := count(none, table, ""); n != 0 {
			t.Errorf("a statement led into no site sees %d rows of %s", n, table)
		}
		before := content(t, owner, table)
		for _, conn := range []*pgx.Conn{b, none} {
			for _, sql := range []string{`UPDATE %s SET site = site WHERE site = 'a'`, `UPDATE %s SET site = 'b' WHERE site = 'a'`, `UPDATE %s SET site = site`, `DELETE FROM %s WHERE site = 'a'`, `DELETE FROM %s`, `TRUNCATE %s`} {
				tag, err := conn.Exec(ctx, fmt.Sprintf(sql, table))
				own := table == "sites" && conn == b && !strings.Contains(sql, "WHERE") // its own row, which stays as it is
				if err != nil && !strings.Contains(err.Error(), "42501") {
					t.Errorf(sql+": %v", table, err)
				} else if err == nil && tag.RowsAffected() > 0 && !own {
					t.Errorf(sql+" reaches %d rows", table, tag.RowsAffected())
				}
				tried++
			}
		}
		if after := content(t, owner, table); after != before {
			t.Errorf("%s is not as it was", table)
		}
		copyAcross(t, owner, b, table)
	}
	t.Logf("%d tables, %d statements that write", len(tables(t, url)), tried)
}

// content is a digest of all rows of a table.
func content(t *testing.T, owner *pgx.Conn, table string) (sum string) {
	t.Helper()
	err := owner.QueryRow(t.Context(), `SELECT coalesce(md5(string_agg(md5(t::text), '' ORDER BY md5(t::text))), '') FROM `+table+` t`).Scan(&sum)
	if err != nil {
		t.Errorf("%s: %v", table, err)
	}
	return sum
}

// copyAcross tries to write, as site b, the very rows that site a has.
func copyAcross(t *testing.T, owner, b *pgx.Conn, table string) {
	t.Helper()
	ctx := t.Context()
	var row string
	if err := owner.QueryRow(ctx, `SELECT row_to_json(t)::text FROM `+table+` t WHERE site = 'a' LIMIT 1`).Scan(&row); err != nil {
		t.Errorf("%s: %v", table, err)
		return
	}
	var columns string // that a statement may write
	if err := owner.QueryRow(ctx, `SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute
		WHERE attrelid = $1::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''`, table).Scan(&columns); err != nil {
		t.Errorf("%s: %v", table, err)
		return
	}
	_, err := b.Exec(ctx, `INSERT INTO `+table+` (`+columns+`) SELECT `+columns+` FROM json_populate_record(NULL::`+table+`, $1::json)`, row)
	if err == nil || !strings.Contains(err.Error(), "row-level security") {
		t.Errorf("site b writes a row of site a into %s: %v", table, err)
	}
}

// The licensor reads all sites' measurements, nobody's secrets, and writes nothing.
func TestLicensorReadsAllAndWritesNothing(t *testing.T) {
	t.Parallel()
	url := full(t)
	ctx := t.Context()
	licensor := under(t, url, "alike_licensor", "b")
	own := []string{"invitations", "passwords", "people", "sessions", "sign_in_tries", "tokens"}
	for _, table := range tables(t, url) {
		var n int
		err := licensor.QueryRow(ctx, `SELECT count(*) FROM `+table+` WHERE site = 'a'`).Scan(&n)
		if slices.Contains(own, table) {
			if err == nil {
				t.Errorf("the licensor reads %s, which is the site's own", table)
			}
		} else if err != nil || n == 0 {
			t.Errorf("the licensor sees %d rows of site a in %s (%v)", n, table, err)
		}
		for _, sql := range []string{`UPDATE %s SET site = site`, `DELETE FROM %s`, `INSERT INTO %s (site) SELECT site FROM %[1]s`, `TRUNCATE %s`} {
			if _, err := licensor.Exec(ctx, fmt.Sprintf(sql, table)); err == nil || !strings.Contains(err.Error(), "42501") {
				t.Errorf("the licensor may "+sql+": %v", table, err)
			}
		}
	}
}

// The store itself works under these roles, in and outside transactions.
func TestStoreWorksBehindTheFence(t *testing.T) {
	t.Parallel()
	db, _ := record(t)
	ctx := t.Context()
	as := store.AsLicensor(ctx)
	if rows, err := db.Site("a").People(ctx); err != nil || len(rows) != 1 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if rows, err := db.Sites(ctx); err != nil || len(rows) != 2 {
		t.Errorf("%+v (%v)", rows, err)
	}
	if u, err := db.Site("a").Unit(as, "U1"); err != nil || u.Serial != "U1" {
		t.Errorf("the licensor reads %+v (%v)", u, err)
	}
	for name, err := range map[string]error{
		"a write in a transaction": db.InSite(as, "a", func(s store.Site) error { return second(s.AddLot(as, "L9", "p", moment)) }),
		"a write outside one":      second(db.Site("a").AddLot(as, "L9", "p", moment)),
		"a journal entry":          second(db.Site("a").Write(as, store.Entry{At: moment, Action: "x"})),
		"a look at people":         second(db.Site("a").People(as)),
	} {
		if !errors.Is(err, store.ErrForbidden) {
			t.Errorf("%s by the licensor: %v", name, err)
		}
	}
	// A statement with a NUL, and one that finds nothing, are told as what they are.
	if _, err := db.Site("a").Unit(ctx, "a\x00b"); !errors.Is(err, store.ErrText) {
		t.Errorf("a NUL: %v", err)
	}
	if _, err := db.Site("a").LastEntry(ctx); err != nil {
		t.Error(err)
	}
	if _, err := db.Site("a").PasswordHash(ctx, "nobody"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("nobody's password: %v", err)
	}
	// Rows that are left before their end give their connection back.
	for range 200 {
		if _, err := db.Site("a").Person(ctx, "Zoë"); err != nil {
			t.Fatal(err)
		}
	}
	stop, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := db.Site("a").UnitsOfLot(stop, "L1"); err == nil {
		t.Error("a question whose asker is gone is answered")
	}
}

// Another order of things: what a database user who is no superuser gets, and what it is
// told when it may not make the roles.
func TestOwnerWithoutTheRightToMakeRoles(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	url := pgtest.New(t, nil)
	boss := newForger(t, url).conn
	var database string
	must(t, boss.QueryRow(ctx, `SELECT current_database()`).Scan(&database))
	user := "plain_" + database
	for _, sql := range []string{`CREATE ROLE ` + user + ` LOGIN`, `GRANT ALL ON SCHEMA public TO ` + user} {
		if _, err := boss.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		for _, sql := range []string{`DROP OWNED BY ` + user, `DROP ROLE ` + user} {
			if _, err := boss.Exec(context.Background(), sql); err != nil {
				t.Error(err)
			}
		}
	})
	config, err := pgx.ParseConfig(url)
	must(t, err)
	// The tests' server lets no other user in; this one takes another's rights.
	plain := func(ctx context.Context, conn *pgx.Conn) error {
		_, err := conn.Exec(ctx, `SET SESSION AUTHORIZATION `+user)
		return err
	}
	old := stdlib.OpenDB(*config, stdlib.OptionAfterConnect(plain))
	defer old.Close()
	p, err := goose.NewProvider(goose.DialectPostgres, old, migrations.FS)
	must(t, err)
	if _, err := p.Up(ctx); err == nil || !strings.Contains(err.Error(), "GRANT alike_site, alike_licensor TO") {
		t.Fatalf("without the right: %v", err)
	}
	for _, sql := range []string{`DO $$ BEGIN CREATE ROLE alike_site; EXCEPTION WHEN duplicate_object THEN NULL; END $$`, `DO $$ BEGIN CREATE ROLE alike_licensor; EXCEPTION WHEN duplicate_object THEN NULL; END $$`,
		`GRANT alike_site, alike_licensor TO ` + user + ` WITH ADMIN OPTION`} {
		if _, err := boss.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := p.Up(ctx); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.ConnectConfig(ctx, config)
	must(t, err)
	defer conn.Close(context.Background())
	must(t, plain(ctx, conn))
	for _, sql := range []string{
		`SET ROLE alike_site`, `BEGIN`, `SELECT set_config('alike.site', 'a', true)`,
		`INSERT INTO sites (site, name, zone, created_at) VALUES ('a', 'A', 'UTC', now())`,
		`SELECT set_config('role', 'alike_licensor', true)`, `SELECT FROM takes`,
		`SELECT set_config('role', 'none', true)`, `SET LOCAL row_security = off`, `SELECT FROM people`, `COMMIT`,
	} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
}
