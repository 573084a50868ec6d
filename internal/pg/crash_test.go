//go:build unix

package pg

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

func TestServerKilled(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	// A child of the server that computes does not notice the server's end.
	go tryQuery(c.URL(), "SELECT count(*)::text FROM generate_series(1, 1000000000000)")
	for query(t, c.URL(), "SELECT count(*)::text FROM pg_stat_activity WHERE query LIKE '%generate_series%' AND pid <> pg_backend_pid()") != "1" {
		time.Sleep(10 * time.Millisecond)
	}
	family := familyOf(t, c.PID())
	if err := syscall.Kill(c.PID(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	select {
	case <-c.Done():
	case <-time.After(5 * time.Second):
		t.Fatal("Done is not closed after the server's death")
	}
	if err := c.Err(); err == nil || !strings.Contains(err.Error(), "killed") || !strings.Contains(err.Error(), "server.log") {
		t.Errorf("Err: %v", err)
	}
	stop(t, c)
	c = start(t, testOptions(t, dir))
	expectGone(t, 0, "no such folder", family...)
	kept(t, c.URL())
}

func TestProgramKilled(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	p := startProgram(t, dir)
	server, leash := p.ready()
	keep(t, readOwner(dir).URL)
	family := familyOf(t, server)
	p.kill()
	expectGone(t, 5*time.Second, dir, family...)
	expectGone(t, 5*time.Second, "alike-leash INT "+strconv.Itoa(server), process{pid: leash})
	kept(t, start(t, testOptions(t, dir)).URL())
}

// The next start does not wait for the leash of the last to do its work.
func TestProgramKilledAndStartedAtOnce(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	for n := range 3 {
		p := startProgram(t, dir)
		p.ready()
		if n == 0 {
			keep(t, readOwner(dir).URL)
		}
		p.kill()
	}
	kept(t, start(t, testOptions(t, dir)).URL())
}

// With the leash killed as well, the server stays; the next start ends it.
func TestProgramAndLeashKilled(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(tempDir(t), "link") // the system tells real paths
	if err := os.Symlink(seeded(t, tempDir(t)), dir); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, dir)
	server, leash := p.ready()
	keep(t, readOwner(dir).URL)
	if err := syscall.Kill(leash, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	p.kill()
	family := familyOf(t, server) // fails if it is gone
	c := start(t, testOptions(t, dir))
	kept(t, c.URL())
	expectGone(t, 0, "no such folder", family...)
}

func TestProgramKilledWhileCreating(t *testing.T) {
	t.Parallel()
	dir := tempDir(t)
	p := startProgram(t, dir)
	p.waitFor("creating")
	half := filepath.Join(dir, unfinished, "global")
	for {
		if found, _ := filepath.Glob(half); len(found) > 0 {
			break
		}
		time.Sleep(time.Millisecond)
	}
	p.kill()
	expectGone(t, 5*time.Second, dir)
	if left, _ := filepath.Glob(filepath.Join(dir, "postgres*new*")); len(left) > 0 {
		t.Errorf("the leash left %v", left)
	}
	if _, err := os.Stat(filepath.Join(dir, "postgres")); err == nil {
		t.Error("there is a cluster, although it was not complete")
	}
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
}

// The program may be killed at any moment of its start.
func TestProgramKilledWhileStarting(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	for _, later := range []time.Duration{0, 5 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond} {
		p := startProgram(t, dir)
		p.waitFor("starting")
		time.Sleep(later)
		p.kill()
		expectGone(t, 5*time.Second, dir)
	}
	stop(t, start(t, testOptions(t, dir)))
}

// After a restart of the machine the number in the server's lock file may be
// that of any program, also of one of the same account.
func TestStaleLockWithNumberOfAnother(t *testing.T) {
	t.Parallel()
	dir := seeded(t, tempDir(t))
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	if err := syscall.Kill(c.PID(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	stop(t, c)

	stranger := exec.Command("sleep", "1000")
	stranger.Dir = c.Data() // as an administrator's shell might
	stranger.SysProcAttr = c.place.who.attributes()
	if err := stranger.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { stranger.Process.Kill(); stranger.Wait() }()
	name := filepath.Join(c.Data(), "postmaster.pid")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "\n")
	if err := os.WriteFile(name, []byte(strconv.Itoa(stranger.Process.Pid)+"\n"+rest), 0o600); err != nil {
		t.Fatal(err)
	}
	kept(t, start(t, testOptions(t, dir)).URL())
	if err := stranger.Process.Signal(syscall.Signal(0)); err != nil {
		t.Errorf("the stranger is gone: %v", err)
	}
}

func TestHalfMadeClusterIsMadeAnew(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(tempDir(t), "[a-z]*") // reads as a pattern
	half := filepath.Join(dir, "postgres.new-123")
	for _, name := range []string{filepath.Join(half, "base"), filepath.Join(dir, "postgres")} {
		if err := os.MkdirAll(name, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(half, "PG_VERSION"), []byte("15\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	neighbour := filepath.Join(filepath.Dir(dir), "[a-z]x", "postgres.new-456") // matches
	if err := os.MkdirAll(neighbour, 0o755); err != nil {
		t.Fatal(err)
	}
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	if _, err := os.Stat(half); err == nil {
		t.Error("the half-made cluster is still there")
	}
	if _, err := os.Stat(neighbour); err != nil {
		t.Errorf("in another data folder: %v", err)
	}
}

func TestForeignFolderIsLeftAlone(t *testing.T) {
	t.Parallel()
	dir := tempDir(t)
	name := filepath.Join(dir, "postgres", "letter")
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte("dear"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Start(context.Background(), testOptions(t, dir))
	want := filepath.Dir(name) + " holds files but no PostgreSQL cluster (it lacks PG_VERSION): move the folder away"
	if err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("got %v, want %s ...", err, want)
	}
	if _, err := os.Stat(name); err != nil {
		t.Error(err)
	}
}

// A stubborn program, with a child, of which only SIGKILL to the group is the end.
// It is named after the test and the test process, so that it can be told from
// those of other runs.
func stubborn(t *testing.T) (cmd command, name string) {
	name = fmt.Sprintf("%s %d", t.Name(), os.Getpid())
	return command{who: account{}, program: "/bin/sh", group: true,
		args: []string{"-c", `trap '' INT TERM QUIT
			for n in 1 2; do sh -c 'sleep 60; exit 0' "$0" & done
			wait`, name}}, name
}

func TestCommandEndsWithContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	cmd, name := stubborn(t)
	if err := cmd.run(ctx); err != context.DeadlineExceeded {
		t.Errorf("got %v", err)
	}
	expectGone(t, time.Second, name)
}

func TestLeashEndsGroupAndRemovesFolders(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "to be removed")
	if err := os.MkdirAll(filepath.Join(dir, "deep"), 0o700); err != nil {
		t.Fatal(err)
	}
	cmd, name := stubborn(t)
	cmd.remove = []string{dir}
	held, err := cmd.start()
	if err != nil {
		t.Fatal(err)
	}
	for len(familyOfAtLeast(t, held.pid(), 0)) < 3 { // itself and two children
		time.Sleep(10 * time.Millisecond)
	}
	held.leash.pipe.Close() // as our death would
	held.cmd.Wait()
	expectGone(t, 5*time.Second, name)
	expectGone(t, 5*time.Second, dir)
	if _, err := os.Stat(dir); err == nil {
		t.Error("the folder is still there")
	}
}

// A gate whose maker dies before it has a leash must not become the program.
func TestGateStaysClosed(t *testing.T) {
	t.Parallel()
	for word, want := range map[string]string{"": "", "go\n": "open\n"} {
		gate := exec.Command("/bin/sh", "-c", gateScript, "gate", "", "/bin/echo", "open")
		gate.Stdin = strings.NewReader(word)
		if out, _ := gate.Output(); string(out) != want {
			t.Errorf("%q: got %q, want %q", word, out, want)
		}
	}
}

// A leash that was told so leaves everything as it is.
func TestLeashReleased(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	other := exec.Command("sleep", "1000")
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { other.Process.Kill(); other.Wait() }()
	for _, how := range []func(*leash){
		func(l *leash) { l.release() },
		func(l *leash) { l.gone(); l.pipe.Close(); l.cmd.Wait() },
	} {
		l, err := newLeash("KILL", strconv.Itoa(other.Process.Pid), groupLimit, nil)
		if err != nil {
			t.Fatal(err)
		}
		how(l)
		if state, err := os.ReadFile("/proc/" + strconv.Itoa(other.Process.Pid) + "/stat"); err == nil && strings.Contains(string(state), ") Z ") {
			t.Fatal("the leash has ended what it was told to leave alone")
		}
	}
	l, err := newLeash("KILL", "", groupLimit, []string{dir})
	if err != nil {
		t.Fatal(err)
	}
	l.release()
	if _, err := os.Stat(dir); err != nil {
		t.Error(err)
	}
}
