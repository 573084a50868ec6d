//go:build unix

package pg

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// privateHome returns a data folder below a folder of mode 0700, and a folder in
// place of /var/lib/alike.
func privateHome(t *testing.T) Options {
	t.Helper()
	home := filepath.Join(tempDir(t), "home")
	if err := os.Mkdir(home, 0o700); err != nil {
		t.Fatal(err)
	}
	o := testOptions(t, filepath.Join(home, "data"))
	o.state = filepath.Join(tempDir(t), "state")
	return o
}

func TestFolderBelowPrivateHome(t *testing.T) {
	t.Parallel()
	o := privateHome(t)
	c := start(t, o)
	keep(t, c.URL())
	if got, err := filepath.EvalSymlinks(c.Data()); err != nil || got != c.Data() {
		t.Errorf("the cluster is in %s: %v", got, err)
	}
	stop(t, c)
	if !isRoot() {
		if c.Data() != filepath.Join(o.Dir, "postgres") {
			t.Errorf("the cluster is in %s", c.Data())
		}
		return
	}
	pointer, err := os.ReadFile(filepath.Join(o.Dir, "postgres.at"))
	if base := strings.TrimSpace(string(pointer)); err != nil || c.Data() != filepath.Join(base, "postgres") || filepath.Dir(base) != o.state {
		t.Errorf("the cluster is in %s, the pointer says %q, %v", c.Data(), pointer, err)
	}
	if uid, _, err := ownerOf(c.Data()); err != nil || uid == 0 {
		t.Errorf("the cluster belongs to %d, %v", uid, err)
	}
	c = start(t, o)
	kept(t, c.URL())
	stop(t, c)

	t.Run("data folder removed and made anew", func(t *testing.T) {
		if err := os.RemoveAll(o.Dir); err != nil {
			t.Fatal(err)
		}
		fresh := start(t, o)
		if got := query(t, fresh.URL(), "SELECT count(*)::text FROM pg_class WHERE relname = 'kept'"); got != "0" {
			t.Error("the data of the removed folder are back")
		}
		stop(t, fresh)
		if _, err := os.Stat(filepath.Join(c.Data(), "PG_VERSION")); err != nil {
			t.Errorf("the old cluster: %v", err)
		}
	})
}

func TestPointerOfStrangers(t *testing.T) {
	t.Parallel()
	o := privateHome(t)
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		t.Fatal(err)
	}
	for pointer, want := range map[string]string{
		"/etc":                   "which is no folder directly below",
		o.state + "/../etc":      "which is no folder directly below",
		o.state + "/a/b":         "which is no folder directly below",
		"":                       "which is no folder directly below",
		o.state + "/0123456789":  "but that folder is gone: restore it from a backup",
		o.state + "/0123456789/": "which is no folder directly below",
	} {
		if err := os.WriteFile(filepath.Join(o.Dir, "postgres.at"), []byte(pointer+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Start(context.Background(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", pointer, err, want)
		}
	}
}

// Two data folders with the same pointer, one copied from the other, must not
// run one cluster twice.
func TestCopiedDataFolder(t *testing.T) {
	t.Parallel()
	o := privateHome(t)
	c := start(t, o)
	if c.place.base == c.place.dir {
		return // not root: nothing was moved
	}
	other := o
	other.Dir = filepath.Join(filepath.Dir(o.Dir), "copy")
	if err := os.CopyFS(other.Dir, os.DirFS(o.Dir)); err != nil {
		t.Fatal(err)
	}
	if _, err := Start(context.Background(), other); err == nil || !strings.Contains(err.Error(), "is in use by") {
		t.Errorf("got %v", err)
	}
	query(t, c.URL(), "SELECT 'not harmed'")
}

// Root runs the server as the owner of the data folder, later of the cluster, and
// what root leaves in the folder is usable by its owner.
func TestRootInFolderOfAnother(t *testing.T) {
	t.Parallel()
	dir := tempDir(t)
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	owner := os.Geteuid()
	if isRoot() {
		other, err := accountOf(1) // daemon, on every Unix
		if err != nil {
			t.Fatal(err)
		}
		owner = other.uid
		if err := os.Lchown(dir, other.uid, other.gid); err != nil {
			t.Fatal(err)
		}
	}
	c := start(t, testOptions(t, dir))
	keep(t, c.URL())
	err := filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil && int(info.Sys().(*syscall.Stat_t).Uid) != owner {
			t.Errorf("%s belongs to %d, not %d", path, info.Sys().(*syscall.Stat_t).Uid, owner)
		}
		return nil // files of a running server come and go
	})
	if err != nil {
		t.Error(err)
	}
	if uid, _, err := ownerOf(c.Data()); err != nil || uid != owner {
		t.Errorf("the cluster belongs to %d, %v", uid, err)
	}
}

func TestClusterOfAnotherAccount(t *testing.T) {
	t.Parallel()
	data := filepath.Join(tempDir(t), "postgres")
	want := "belongs to root, as whom PostgreSQL does not run: give it to another account with `chown -R postgres " + data + "`"
	if !isRoot() {
		data = "/etc" // of root, on every Unix
		want = "belongs to the account with number 0: run this program as that account or as root"
	} else {
		if err := os.Mkdir(data, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(data, "PG_VERSION"), []byte("15\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := accountFor(data); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestOrderOfAccounts(t *testing.T) {
	t.Parallel()
	if !isRoot() {
		me, err := accountFor(filepath.Join(t.TempDir(), "none"))
		if err != nil || me.uid != os.Geteuid() || me.drop {
			t.Errorf("got %+v, %v", me, err)
		}
		return
	}
	dir := tempDir(t)
	data := filepath.Join(dir, "postgres")
	service, err := serviceAccount()
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, want int) {
		t.Helper()
		if got, err := accountFor(data); err != nil || got.uid != want || !got.drop || got.self != "root" {
			t.Errorf("%s: got %+v, %v, want %d", what, got, err, want)
		}
	}
	check("new folder of root", service.uid)
	if err := os.Lchown(dir, 54321, -1); err != nil { // no such account
		t.Fatal(err)
	}
	check("folder of an account without name", service.uid)
	if err := os.Lchown(dir, 1, -1); err != nil {
		t.Fatal(err)
	}
	check("folder of another", 1)
	if err := os.Mkdir(data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "PG_VERSION"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Lchown(filepath.Join(data, "PG_VERSION"), 2, -1); err != nil {
		t.Fatal(err)
	}
	check("cluster of a third", 2)
}
