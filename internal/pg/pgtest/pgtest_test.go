package pgtest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
)

// one runs a statement and returns its first value as text.
func one(t testing.TB, url, sql string) string {
	t.Helper()
	text, err := ask(context.Background(), url, sql)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return text
}

func ask(ctx context.Context, url, sql string) (string, error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, sql, pgx.QueryExecModeSimpleProtocol)
	if err != nil {
		return "", err
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if len(list) == 0 {
		return "", err
	}
	return list[0], err
}

var migrations atomic.Int32

func schema(ctx context.Context, url string) error {
	migrations.Add(1)
	_, err := ask(ctx, url, "CREATE TABLE take (id int); INSERT INTO take VALUES (7)")
	return err
}

const countTakes = "SELECT count(*)::text FROM take"

func TestEachTestHasItsOwnClone(t *testing.T) {
	t.Parallel()
	var names sync.Map
	t.Run("side by side", func(t *testing.T) {
		for n := range 8 {
			t.Run(fmt.Sprint(n), func(t *testing.T) {
				t.Parallel()
				url := New(t, schema)
				if _, twice := names.LoadOrStore(one(t, url, "SELECT current_database()"), true); twice {
					t.Error("two tests have the same database")
				}
				if got := one(t, url, countTakes); got != "1" {
					t.Errorf("%s rows, want the one of the template", got)
				}
				one(t, url, "DELETE FROM take")
			})
		}
	})
	if n := migrations.Load(); n != 1 {
		t.Errorf("migrated %d times", n)
	}
	url := New(t, schema)
	for name := range names.Range {
		if got := one(t, url, fmt.Sprintf("SELECT count(*)::text FROM pg_database WHERE datname = '%s'", name)); got != "0" {
			t.Errorf("%s is still there after its test", name)
		}
	}
	if got := one(t, url, "SHOW fsync"); got != "off" {
		t.Errorf("fsync is %s", got)
	}
}

func TestOtherFunctionsAreOtherSchemas(t *testing.T) {
	t.Parallel()
	with := func(column string) Migrate {
		return func(ctx context.Context, url string) error {
			_, err := ask(ctx, url, "CREATE TABLE take ("+column+" int)")
			return err
		}
	}
	a, b := New(t, with("a")), New(t, with("b"))
	one(t, a, "SELECT a::text FROM take")
	one(t, b, "SELECT b::text FROM take")
	if got := one(t, New(t, nil), "SELECT count(*)::text FROM pg_class WHERE relname = 'take'"); got != "0" {
		t.Error("without a migration the database is not empty")
	}
}

// A connection which the migration leaves open must not keep the template from
// being copied, nor one which the test leaves open the clone from being dropped.
func TestConnectionsLeftOpen(t *testing.T) {
	t.Parallel()
	leave := func(ctx context.Context, url string) error {
		conn, err := pgx.Connect(ctx, url)
		if err == nil {
			_, err = conn.Exec(ctx, "BEGIN; CREATE TABLE lost (id int)")
		}
		return err
	}
	for n := range 2 {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			if err := leave(context.Background(), New(t, leave)); err != nil {
				t.Error(err)
			}
		})
	}
}

// recorder is a test that keeps its failure to itself.
type recorder struct {
	testing.TB
	failure string
}

func (r *recorder) Helper() {}

func (r *recorder) Fatalf(format string, args ...any) {
	r.failure = fmt.Sprintf(format, args...)
	panic(r)
}

func failureOf(t *testing.T, migrate Migrate) string {
	r := &recorder{TB: t}
	func() {
		defer func() {
			if got := recover(); got != nil && got != any(r) {
				panic(got)
			}
		}()
		New(r, migrate)
	}()
	return r.failure
}

func TestFailingMigrationFailsEachTest(t *testing.T) {
	t.Parallel()
	broken := func(context.Context, string) error { return errors.New("line 3 is broken") }
	for range 2 {
		if got := failureOf(t, broken); !strings.Contains(got, "migrating the template database: line 3 is broken") {
			t.Errorf("got %q", got)
		}
	}
}
