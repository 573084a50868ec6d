//go:build unix

package pg

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// envChild makes the test binary a program that runs the cluster of the folder
// the variable names, until it is killed.
const envChild = "ALIKE_PG_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(envChild); dir != "" {
		os.Exit(runChild(dir))
	}
	code := m.Run()
	if patternDir != "" {
		os.RemoveAll(patternDir)
	}
	os.Exit(code)
}

var patternDir string

// pattern makes one stopped cluster for the tests to copy, which takes a tenth of
// the time of creating one.
var pattern = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "alike-pattern-")
	if err != nil {
		return "", err
	}
	patternDir = dir
	if err := os.Chmod(dir, 0o711); err != nil {
		return dir, err
	}
	c, err := Start(context.Background(), Options{Dir: dir, MayInstall: true, noSync: true})
	if err != nil {
		return dir, err
	}
	return dir, c.Stop(context.Background())
})

// seeded puts a copy of that cluster into the data folder and returns the folder.
func seeded(t *testing.T, dir string) string {
	t.Helper()
	from, err := pattern()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("cp", "-a", filepath.Join(from, "postgres"), dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return dir
}

func runChild(dir string) int {
	say := func(line string) { fmt.Println(line) }
	c, err := Start(context.Background(), Options{Dir: dir, Log: say, Program: "child of a test", noSync: true})
	if err != nil {
		fmt.Println("error: " + err.Error())
		return 1
	}
	fmt.Println("ready", c.PID(), c.child.leash.pid())
	<-c.Done()
	return 2
}

// program is a running child.
type program struct {
	t     *testing.T
	cmd   *exec.Cmd
	lines *bufio.Scanner
}

func startProgram(t *testing.T, dir string) *program {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	p := &program{t: t, cmd: exec.Command(exe)}
	p.cmd.Env = append(os.Environ(), envChild+"="+dir)
	p.cmd.Stderr = os.Stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.lines = bufio.NewScanner(out)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	return p
}

// waitFor returns the first line that begins so.
func (p *program) waitFor(prefix string) string {
	p.t.Helper()
	for p.lines.Scan() {
		if line := p.lines.Text(); strings.HasPrefix(line, prefix) {
			return line
		}
	}
	p.t.Fatalf("the program ended without saying %q", prefix)
	return ""
}

// ready returns the numbers of its server and of the leash.
func (p *program) ready() (server, leash int) {
	p.t.Helper()
	line := p.waitFor("ready ")
	if _, err := fmt.Sscanf(line, "ready %d %d", &server, &leash); err != nil {
		p.t.Fatal(err)
	}
	return server, leash
}

func (p *program) kill() {
	p.t.Helper()
	if err := p.cmd.Process.Kill(); err != nil {
		p.t.Fatal(err)
	}
	p.cmd.Wait()
}

// thisMachine returns the server used by the tests.
func thisMachine(t *testing.T) Binaries {
	t.Helper()
	b, err := binaries(t.Context(), testOptions(t, ""), place{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tempDir returns a folder which other accounts can reach, as the server's must
// when the tests run as root. What t.TempDir returns lies in a folder of mode 0700.
func tempDir(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Chmod(filepath.Dir(dir), 0o711); err != nil {
		t.Fatal(err)
	}
	return dir
}

func testOptions(t *testing.T, dir string) Options {
	o := Options{Dir: dir, MayInstall: true, Program: "this test", Log: func(line string) { t.Log(line) }}
	o.noSync = true // no test pulls the plug, and making a cluster is most of the time
	return o.withDefaults()
}

// start starts a cluster and stops it at the end of the test.
func start(t *testing.T, o Options) *Cluster {
	t.Helper()
	c, err := Start(context.Background(), o)
	if err != nil {
		t.Fatalf("Start: %v", err)
	}
	t.Cleanup(func() {
		if err := c.Stop(context.Background()); err != nil {
			t.Errorf("Stop: %v", err)
		}
	})
	return c
}

func stop(t *testing.T, c *Cluster) {
	t.Helper()
	if err := c.Stop(context.Background()); err != nil {
		t.Fatalf("Stop: %v", err)
	}
}

// query runs one statement and returns its first value as text.
func query(t *testing.T, url, sql string) string {
	t.Helper()
	text, err := tryQuery(url, sql)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return text
}

func tryQuery(url, sql string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, sql, pgx.QueryExecModeSimpleProtocol)
	if err != nil {
		return "", err
	}
	text, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if len(text) == 0 {
		return "", err
	}
	return text[0], err
}

// keep stores a value which kept must find after whatever happens to the server.
func keep(t *testing.T, url string) {
	t.Helper()
	query(t, url, "CREATE TABLE kept (v text)")
	query(t, url, "INSERT INTO kept VALUES ('still here')")
}

func kept(t *testing.T, url string) {
	t.Helper()
	if got := query(t, url, "SELECT v FROM kept"); got != "still here" {
		t.Errorf("kept %q", got)
	}
}

// processes lists all processes: number, parent and command, from ps(1), which
// does not depend on the code under test.
func processes(t *testing.T) (list []process) {
	t.Helper()
	out, err := exec.Command("ps", "-A", "-ww", "-o", "pid=,ppid=,stat=,command=").Output()
	if err != nil {
		t.Fatalf("ps: %v", err)
	}
	for _, line := range strings.Split(string(out), "\n") {
		f := strings.Fields(line)
		if len(f) < 4 || strings.HasPrefix(f[2], "Z") {
			continue
		}
		pid, _ := strconv.Atoi(f[0])
		parent, _ := strconv.Atoi(f[1])
		list = append(list, process{pid, parent, strings.Join(f[3:], " ")})
	}
	return list
}

type process struct {
	pid, parent int
	command     string
}

// familyOf lists a server and its children.
func familyOf(t *testing.T, pid int) []process {
	t.Helper()
	return familyOfAtLeast(t, pid, 3)
}

func familyOfAtLeast(t *testing.T, pid, least int) (all []process) {
	t.Helper()
	for _, p := range processes(t) {
		if p.pid == pid || p.parent == pid {
			all = append(all, p)
		}
	}
	if len(all) < least {
		t.Fatalf("process %d has the family %v", pid, all)
	}
	return all
}

// expectGone waits until neither the given processes nor any that names dir
// remain, for the given time at most.
func expectGone(t *testing.T, within time.Duration, dir string, given ...process) {
	t.Helper()
	deadline := time.Now().Add(within)
	for {
		var left []process
		for _, p := range processes(t) {
			known := false
			for _, g := range given {
				known = known || p.pid == g.pid && strings.HasPrefix(p.command, "postgres")
			}
			if known || strings.Contains(p.command, dir) {
				left = append(left, p)
			}
		}
		if len(left) == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("still there after %v: %v", within, left)
		}
		time.Sleep(50 * time.Millisecond)
	}
}
