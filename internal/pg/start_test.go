//go:build unix

package pg

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

func TestRestartKeepsData(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(tempDir(t), "new", "data")
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	for setting, want := range map[string]string{
		"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_checksums": "on",
		"listen_addresses": "", "server_encoding": "UTF8", "lc_collate": "C", "TimeZone": "UTC",
		"server_version": c.Version,
	} {
		got := query(t, c.URL(), "SELECT coalesce(current_setting('"+setting+"', true), 'C')")
		if got != want && !strings.HasPrefix(got, want+" (") { // 15.4 (Debian 15.4-1)
			t.Errorf("%s is %q, want %q", setting, got, want)
		}
	}
	if info, err := os.Stat(c.access.socket); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("folder of the socket: %v, %v, want mode 0700", info.Mode(), err)
	}
	if got := query(t, c.URL(), "SELECT current_user || '@' || current_database()"); got != "alike@alike" {
		t.Errorf("connected as %s", got)
	}
	family := familyOf(t, c.PID())
	stop(t, c)
	expectGone(t, 0, dir, family...)
	if left, _ := filepath.Glob(filepath.Join(dir, "postgres.[os][wo]*")); len(left) > 0 {
		t.Errorf("left after Stop: %v", left)
	}
	c = start(t, testOptions(t, dir))
	kept(t, c.URL())
}

func TestEnvironmentDoesNotMatter(t *testing.T) {
	t.Setenv("PGHOST", "/nowhere")
	t.Setenv("PGPORT", "1")
	t.Setenv("PGUSER", "nobody-here")
	t.Setenv("PGDATABASE", "nothing-here")
	t.Setenv("PGSSLMODE", "require")
	t.Setenv("PGDATA", "/nowhere")
	t.Setenv("LC_ALL", "xx_YY.nothing")
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "notify"))
	c := start(t, testOptions(t, tempDir(t)))
	if got := query(t, c.URL(), "SHOW port"); got != "5432" {
		t.Errorf("port %s", got)
	}
	if got := query(t, c.URL(), "SHOW lc_messages"); got != "C" {
		t.Errorf("lc_messages %s", got)
	}
}

func TestServerEnv(t *testing.T) {
	t.Parallel()
	got := serverEnv([]string{"PATH=/bin", "PGDATA=x", "LC_MESSAGES=de_DE", "LANG=de_DE", "LANGUAGE=de", "NOTIFY_SOCKET=/x", "TZ=UTC"})
	if text := strings.Join(got, " "); text != "LC_ALL=C PATH=/bin TZ=UTC" {
		t.Errorf("got %s", text)
	}
}

func TestOddFolders(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("a-rather-long-name/", 11)
	for name, sub := range map[string]string{
		"space": "Prüf stand/データ 100%+",
		"comma": "a,b",
		"quote": `it's "so" \here`,
		"glob":  "[a-z]*?",
		"long":  long,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(tempDir(t), sub)
			if name != "space" && name != "quote" { // these create their clusters
				seeded(t, dir)
			}
			c := start(t, testOptions(t, dir))
			keep(t, c.URL())
			socket := c.access.socket
			if name := filepath.Join(socket, ".s.PGSQL.5432"); len(name) > 107 {
				t.Errorf("the path of the socket has %d bytes: %s", len(name), name)
			} else if _, err := os.Stat(name); err != nil {
				t.Error(err)
			}
			fits := len(filepath.Join(dir, "postgres.socket", ".s.PGSQL.5432")) <= 103 && !strings.Contains(dir, ",")
			if inside := strings.HasPrefix(socket, dir); inside != fits {
				t.Errorf("the socket is in %s", socket)
			}
			stop(t, c)
			if _, err := os.Stat(socket); err == nil {
				t.Errorf("%s is left", socket)
			}
			c = start(t, testOptions(t, dir))
			kept(t, c.URL())
		})
	}
}

func TestStopMayBeCalledOften(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	c := start(t, testOptions(t, dir))
	var calls sync.WaitGroup
	for range 4 {
		calls.Go(func() {
			if err := c.Stop(context.Background()); err != nil {
				t.Errorf("Stop: %v", err)
			}
			expectGone(t, 0, dir)
		})
	}
	calls.Wait()
	stop(t, c)
	select {
	case <-c.Done():
		t.Error("Done is closed, but the server did not die by itself")
	default:
	}
	if err := c.Err(); err != nil {
		t.Error(err)
	}
}

// A server that does not react is cut off, and its data survive.
func TestStopOfFrozenServer(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	family := familyOf(t, c.PID())
	if err := syscall.Kill(c.PID(), syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	if err := c.Stop(ctx); err != nil {
		t.Fatal(err)
	}
	expectGone(t, 5*time.Second, dir, family...)
	kept(t, start(t, testOptions(t, dir)).URL())
}

func TestEndOfContextStops(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	ctx, cancel := context.WithCancel(context.Background())
	c, err := Start(ctx, testOptions(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	family := familyOf(t, c.PID())
	cancel()
	expectGone(t, 10*time.Second, dir, family...)
	stop(t, c) // waits until the folder is free

	o := testOptions(t, dir)
	o.KeepOnCancel = true
	ctx, cancel = context.WithCancel(context.Background())
	c, err = Start(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Stop(context.Background())
	cancel()
	time.Sleep(300 * time.Millisecond)
	query(t, c.URL(), "SELECT 'lives'")
}

func TestCancelDuringStartLeavesNothing(t *testing.T) {
	t.Parallel()
	thisMachine(t) // so that no moment is spent on an installation
	dir := tempDir(t)
	// Cancelled when this line comes, and a little after it.
	for _, at := range []string{"creating", "starting"} {
		for _, later := range []time.Duration{0, 30 * time.Millisecond, 150 * time.Millisecond} {
			ctx, cancel := context.WithCancel(context.Background())
			o := testOptions(t, dir)
			o.Log = func(line string) {
				if strings.HasPrefix(line, at) {
					time.AfterFunc(later, cancel)
					if later == 0 {
						cancel()
					}
				}
			}
			c, err := Start(ctx, o)
			cancel()
			if err == nil { // it was quicker than that
				stop(t, c)
			} else if !errors.Is(err, context.Canceled) {
				t.Errorf("%s %v: %v", at, later, err)
			}
			expectGone(t, 0, dir)
			if left, _ := filepath.Glob(filepath.Join(dir, "*new*")); len(left) > 0 {
				t.Errorf("%s %v: left %v", at, later, left)
			}
		}
	}
	start(t, testOptions(t, dir))
}

// Ctrl-C in a terminal goes to the process group of the program.
func TestServerHasItsOwnProcessGroup(t *testing.T) {
	t.Parallel()
	c := start(t, testOptions(t, seeded(t, tempDir(t))))
	for _, pid := range []int{c.PID(), c.child.leash.pid()} {
		if group, err := syscall.Getpgid(pid); err != nil || group == syscall.Getpgrp() {
			t.Errorf("process %d: group %d, %v; ours is %d", pid, group, err, syscall.Getpgrp())
		}
	}
}

// The way of Windows, as far as it can be tried here.
func TestByNetworkAndPassword(t *testing.T) {
	t.Parallel()
	o := testOptions(t, tempDir(t))
	o.loopback = true
	c := start(t, o)
	keep(t, c.URL())
	if info, err := os.Stat(filepath.Join(o.Dir, "postgres.password")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("file of the password: %v, %v, want mode 0600", info.Mode(), err)
	}
	wrong := strings.Replace(c.URL(), c.access.password, "guessed", 1)
	if _, err := tryQuery(wrong, "SELECT 'in'"); err == nil || !strings.Contains(err.Error(), "28P01") {
		t.Errorf("with a wrong password: %v", err)
	}
	other := strings.Replace(c.URL(), "127.0.0.1", "127.0.0.2", 1)
	if _, err := tryQuery(other, "SELECT 'in'"); err == nil {
		t.Error("the server listens on other addresses too")
	}
	if got := query(t, c.URL(), "SELECT count(*)::text FROM pg_authid WHERE rolcanlogin AND rolpassword NOT LIKE 'SCRAM-SHA-256%'"); got != "0" {
		t.Errorf("%s roles have no scram password", got)
	}
	_, err := Start(t.Context(), o)
	if err == nil || strings.Contains(err.Error(), c.access.password) {
		t.Errorf("the message of a second start has the password: %v", err)
	}
	stop(t, c)
	kept(t, start(t, o).URL())
	stop(t, c)
}

func TestLogIsRotated(t *testing.T) {
	t.Parallel()
	name := filepath.Join(tempDir(t), "server.log")
	for size, rotated := range map[int64]bool{8 << 20: false, 8<<20 + 1: true} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(name, size); err != nil {
			t.Fatal(err)
		}
		rotateLog(name)
		if _, err := os.Stat(name); (err != nil) != rotated {
			t.Errorf("size %d: %v", size, err)
		}
		os.Remove(name)
	}
}
