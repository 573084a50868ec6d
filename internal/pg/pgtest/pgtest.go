// Package pgtest gives tests a PostgreSQL database each.
//
//	func TestTakes(t *testing.T) {
//		t.Parallel()
//		url := pgtest.New(t, migrations.Up)
//		...
//	}
//
// The first call in a test process starts a cluster for that process, in a
// temporary folder and without flushing to disk, and brings one template database
// to the wanted schema; each test gets a clone of it, dropped when the test ends.
// Nothing has to be stopped: the cluster and its folder go when the process ends,
// even when it is killed.
//
// A missing PostgreSQL fails the test; it is never a reason to skip. Where that
// is possible (root on Debian and its relatives) it is installed.
package pgtest

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"github.com/jackc/pgx/v5"
)

// Migrate brings the empty database of the URL to the schema under test.
type Migrate = func(ctx context.Context, url string) error

// limit is how long making a cluster, a template or a clone may take.
const limit = 3 * time.Minute

// New creates a database for the test and returns its URL. It is a clone of one
// to which migrate was applied; with a nil migrate it is empty. migrate runs once
// in a test process; another function, or the same made anew with other captured
// variables, counts as another schema.
//
// The database is dropped when the test and its subtests have ended, together
// with connections still open.
func New(t testing.TB, migrate Migrate) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	server, err := started(ctx, t)
	if err != nil {
		t.Fatalf("starting PostgreSQL for tests: %v", err)
	}
	source, err := server.template(ctx, migrate)
	if err != nil {
		t.Fatalf("migrating the template database: %v", err)
	}
	name, err := server.clone(ctx, source)
	if err != nil {
		t.Fatalf("cloning the template database: %v", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		defer cancel()
		if err := server.drop(ctx, name); err != nil {
			t.Errorf("dropping the database of the test: %v", err)
		}
	})
	return server.url(name)
}

// server is the cluster of this process.
type server struct {
	base *url.URL // of its maintenance database
	how  string   // option of CREATE DATABASE

	clones    atomic.Int64
	mu        sync.Mutex
	templates map[unsafe.Pointer]*template
}

// template is a migrated database, made once.
type template struct {
	once    sync.Once
	migrate Migrate // keeps the function, hence its address, from being reused
	name    string
	err     error
}

func (s *server) url(database string) string {
	u := *s.base
	u.Path = "/" + database
	return u.String()
}

// template returns the name of the database that migrate has prepared.
func (s *server) template(ctx context.Context, migrate Migrate) (string, error) {
	if migrate == nil {
		return "template0", nil
	}
	// The address of the closure tells functions apart, captured variables
	// included; the address of the code, which reflect gives, would not.
	key := *(*unsafe.Pointer)(unsafe.Pointer(&migrate))
	s.mu.Lock()
	tpl := s.templates[key]
	if tpl == nil {
		tpl = &template{migrate: migrate, name: fmt.Sprintf("template_%d", len(s.templates)+2)}
		s.templates[key] = tpl
	}
	s.mu.Unlock()
	tpl.once.Do(func() { tpl.err = s.prepare(ctx, tpl) })
	return tpl.name, tpl.err
}

func (s *server) prepare(ctx context.Context, tpl *template) error {
	if err := s.exec(ctx, "CREATE DATABASE "+tpl.name+s.how); err != nil {
		return err
	}
	if err := tpl.migrate(ctx, s.url(tpl.name)); err != nil {
		return err
	}
	// A database with open connections cannot be copied, so connections
	// which the migration has left open end, and no new one is let in.
	return s.exec(ctx, "ALTER DATABASE "+tpl.name+" ALLOW_CONNECTIONS false",
		"SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = '"+tpl.name+"'")
}

// clone may run many times at once: only sessions connected to the template would
// be in the way, of which there are none.
func (s *server) clone(ctx context.Context, source string) (string, error) {
	name := fmt.Sprintf("test_%d", s.clones.Add(1))
	return name, s.exec(ctx, "CREATE DATABASE "+name+" TEMPLATE "+source+s.how)
}

func (s *server) drop(ctx context.Context, name string) error {
	return s.exec(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)")
}

// exec runs statements one by one on a connection of their own, so that tests
// which run side by side share nothing.
func (s *server) exec(ctx context.Context, statements ...string) error {
	conn, err := pgx.Connect(ctx, s.url("postgres"))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	for _, sql := range statements {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return fmt.Errorf("%s: %w", strings.ToLower(sql), err)
		}
	}
	return nil
}
