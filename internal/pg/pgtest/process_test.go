//go:build unix

package pgtest

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// envChild names what TestChild does when the variable is set: this package run
// once more, as the tests of another package would.
const envChild = "ALIKE_PGTEST_CHILD"

// TestChild is the other test process. On its own it only uses a database.
func TestChild(t *testing.T) {
	url := New(t, nil)
	t.Logf("folder %s.", one(t, url, "SELECT current_setting('data_directory')"))
	if os.Getenv(envChild) == "wait" {
		time.Sleep(time.Minute) // to be killed
	}
}

// childTests starts TestChild in a process of its own with its own folder for
// temporary files, and returns that folder.
func childTests(t *testing.T, what string, env ...string) (*exec.Cmd, *strings.Builder, string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	tmp, err := os.MkdirTemp("", "alike-child-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(tmp) })
	if err := os.Chmod(tmp, 0o711); err != nil {
		t.Fatal(err)
	}
	out := &strings.Builder{}
	cmd := exec.Command(exe, "-test.run=^TestChild$", "-test.v")
	cmd.Env = append(append(os.Environ(), envChild+"="+what, "TMPDIR="+tmp), env...)
	cmd.Stdout, cmd.Stderr = out, out
	cmd.WaitDelay = time.Second // a server that holds the output would go unnoticed without
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, out, tmp
}

// folders lists the clusters in tmp.
func folders(tmp string) []string {
	found, _ := filepath.Glob(filepath.Join(tmp, folderPrefix+"*"))
	return found
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not so after ten seconds: %s", what)
		}
	}
}

// leftIn lists processes that name the folder.
func leftIn(t *testing.T, tmp string) (left []string) {
	t.Helper()
	out, err := exec.Command("ps", "-A", "-ww", "-o", "pid=,command=").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(out), "\n") {
		if strings.Contains(line, tmp) {
			left = append(left, line)
		}
	}
	return left
}

func TestNothingIsLeftAfterTests(t *testing.T) {
	t.Parallel()
	cmd, out, tmp := childTests(t, "end")
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !strings.Contains(out.String(), "folder "+tmp) {
		t.Errorf("the cluster was not in %s:\n%s", tmp, out)
	}
	eventually(t, "no folder, no process", func() bool { return len(folders(tmp)) == 0 && len(leftIn(t, tmp)) == 0 })
}

func TestNothingIsLeftAfterKilledTests(t *testing.T) {
	t.Parallel()
	cmd, _, tmp := childTests(t, "wait")
	eventually(t, "the server runs", func() bool {
		found, _ := filepath.Glob(filepath.Join(tmp, folderPrefix+"*", "postgres", "postmaster.pid"))
		return len(found) == 1
	})
	cmd.Process.Kill()
	cmd.Wait()
	eventually(t, "no folder, no process", func() bool { return len(folders(tmp)) == 0 && len(leftIn(t, tmp)) == 0 })
}

// With the leash killed as well, server and folder stay until the next tests.
func TestLeftoversAreSweptAtTheNextStart(t *testing.T) {
	t.Parallel()
	cmd, _, tmp := childTests(t, "wait")
	eventually(t, "the server runs", func() bool {
		found, _ := filepath.Glob(filepath.Join(tmp, folderPrefix+"*", "postgres", "base", "16384"))
		return len(found) == 1
	})
	live := folders(tmp)
	sweep(context.Background(), tmp, time.Now(), t.Logf)
	if got := folders(tmp); len(got) != len(live) {
		t.Fatalf("the folder of a living process was swept: %v", live)
	}
	for _, line := range leftIn(t, tmp) {
		if strings.Contains(line, "alike-leash") {
			if err := exec.Command("kill", "-KILL", strings.Fields(line)[0]).Run(); err != nil {
				t.Fatal(err)
			}
		}
	}
	cmd.Process.Kill()
	cmd.Wait()
	foreign, precious := filepath.Join(tmp, folderPrefix+"link"), t.TempDir()
	if err := os.Symlink(precious, foreign); err != nil {
		t.Fatal(err)
	}
	sweep(context.Background(), tmp, time.Now().Add(-time.Hour), t.Logf)
	if got := folders(tmp); len(got) != 2 {
		t.Fatalf("young folders were swept: left are %v", got)
	}
	sweep(context.Background(), tmp, time.Now(), t.Logf)
	if got := folders(tmp); len(got) != 1 || got[0] != foreign {
		t.Errorf("left are %v, want the link alone", got)
	}
	if _, err := os.Stat(precious); err != nil {
		t.Errorf("what the link points to: %v", err)
	}
	if left := leftIn(t, tmp); len(left) > 0 {
		t.Errorf("still running: %v", left)
	}
}

// Without PostgreSQL the tests fail and say what to do; they do not skip.
func TestMissingServerFails(t *testing.T) {
	t.Parallel()
	nothing := t.TempDir()
	cmd, out, _ := childTests(t, "end", "ALIKE_PG_BIN="+nothing)
	err := cmd.Wait()
	want := "starting PostgreSQL for tests: ALIKE_PG_BIN is " + nothing + ", which has no working initdb and postgres: point ALIKE_PG_BIN at"
	if err == nil || !strings.Contains(out.String(), want) || !strings.Contains(out.String(), "--- FAIL: TestChild") {
		t.Errorf("%v\n%s\nwant %s ...", err, out, want)
	}
}
