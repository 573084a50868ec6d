//go:build unix

package pg

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// tree is a folder tree that looks like a machine with servers installed.
type tree struct {
	t    *testing.T
	root string
}

func newTree(t *testing.T) tree { return tree{t, t.TempDir()} }

// server adds a server that gives the version when asked.
func (tr tree) server(dir, version, suffix string) string {
	tr.t.Helper()
	dir = filepath.Join(tr.root, dir)
	tr.script(filepath.Join(dir, "postgres"+suffix), "echo 'postgres (PostgreSQL) "+version+"'")
	tr.script(filepath.Join(dir, "initdb"+suffix), "exit 1")
	return dir
}

func (tr tree) script(name, text string) {
	tr.t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		tr.t.Fatal(err)
	}
	// A process forked meanwhile would hold the file open for writing, and
	// the system refuses to run such a file.
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	if err := os.WriteFile(name, []byte("#!/bin/sh\n"+text+"\n"), 0o755); err != nil {
		tr.t.Fatal(err)
	}
}

// layouts are the usual places of each system, with %d for the major version.
var layouts = []struct{ goos, dir string }{
	{"linux", "usr/lib/postgresql/%d/bin"},
	{"linux", "usr/pgsql-%d/bin"},
	{"linux", "usr/lib/postgresql%d/bin"},
	{"linux", "usr/libexec/postgresql%d"},
	{"linux", "home/linuxbrew/.linuxbrew/opt/postgresql@%d/bin"},
	{"darwin", "opt/homebrew/opt/postgresql@%d/bin"},
	{"darwin", "usr/local/opt/postgresql@%d/bin"},
	{"windows", "Program Files/PostgreSQL/%d/bin"},
}

func TestFindTakesNewestSupportedOfEachLayout(t *testing.T) {
	t.Parallel()
	for _, layout := range layouts {
		tr := newTree(t)
		f := &Finder{Root: tr.root, GOOS: layout.goos}
		at := func(major int) string {
			return tr.server(fmt.Sprintf(layout.dir, major), fmt.Sprintf("%d.3", major), f.suffix())
		}
		at(13)
		at(19)
		if b, err := f.Find(t.Context()); err == nil {
			t.Errorf("%s: took %v", layout.dir, b)
		}
		for major := 14; major <= 18; major++ {
			want := Binaries{Dir: at(major), Version: fmt.Sprintf("%d.3", major), Major: major, suffix: f.suffix()}
			if b, err := f.Find(t.Context()); err != nil || b != want {
				t.Errorf("%s: got %v, %v, want %v", layout.dir, b, err, want)
			}
			if b, err := f.find(t.Context(), 14); err != nil || b.Major != 14 {
				t.Errorf("%s: asked for 14, got %v, %v", layout.dir, b, err)
			}
		}
		if n := len(f.All(t.Context())); n != 5 {
			t.Errorf("%s: %d servers, want 5", layout.dir, n)
		}
	}
}

func TestFindPlacesWithoutVersionInName(t *testing.T) {
	t.Parallel()
	for goos, dir := range map[string]string{"linux": "usr/bin", "freebsd": "usr/local/bin", "darwin": "usr/local/pgsql/bin"} {
		tr := newTree(t)
		dir := tr.server(dir, "17.2 (Fedora 17.2-1)", "")
		b, err := (&Finder{Root: tr.root, GOOS: goos}).Find(t.Context())
		if err != nil || b.Dir != dir || b.Version != "17.2" {
			t.Errorf("%s: got %v, %v", goos, b, err)
		}
	}
}

func TestFindComparesVersionsAsNumbers(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	tr.server("usr/lib/postgresql/a/bin", "15.9", "")
	tr.server("usr/lib/postgresql/b/bin", "15.18 (Debian 15.18-0+deb12u1)", "")
	tr.server("usr/lib/postgresql/c/bin", "15.10", "")
	b, err := (&Finder{Root: tr.root, GOOS: "linux"}).Find(t.Context())
	if err != nil || b.Version != "15.18" {
		t.Errorf("got %v, %v, want 15.18", b, err)
	}
}

func TestFindByPathAndConfig(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	real := tr.server("opt/here/bin", "16.1", "")
	links := filepath.Join(tr.root, "links")
	tr.script(filepath.Join(links, "unrelated"), "")
	for _, name := range []string{"postgres", "initdb"} {
		if err := os.Symlink(filepath.Join(real, name), filepath.Join(links, name)); err != nil {
			t.Fatal(err)
		}
	}
	config := filepath.Join(tr.root, "config")
	tr.script(filepath.Join(config, "pg_config"), `[ "$1" = --bindir ] && echo '`+real+"'")
	for _, path := range []string{real, links, config, "relative:" + links, links + ":" + real + ":" + config} {
		f := &Finder{Path: path, Root: tr.root, GOOS: "linux"}
		if all := f.All(t.Context()); len(all) != 1 || all[0].Dir != real {
			t.Errorf("PATH %s: got %v, want the one in %s", path, all, real)
		}
	}
	// The folder of this test must not be searched for an entry "".
	t.Run("empty entry", func(t *testing.T) {
		f := &Finder{Path: "", Root: tr.root, GOOS: "linux"}
		if all := f.All(t.Context()); len(all) != 0 {
			t.Errorf("got %v", all)
		}
	})
}

func TestFindOverrideIsTheOnlyPlace(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	tr.server("usr/lib/postgresql/18/bin", "18.0", "")
	old := tr.server("own", "14.9", "")
	f := &Finder{Override: old, Root: tr.root, GOOS: "linux"}
	if b, err := f.Find(t.Context()); err != nil || b.Dir != old {
		t.Errorf("got %v, %v, want the one in %s", b, err, old)
	}
	f.Override = filepath.Join(tr.root, "nothing")
	_, err := f.Find(t.Context())
	want := "ALIKE_PG_BIN is " + f.Override + ", which has no working initdb and postgres: point ALIKE_PG_BIN at a folder with the server of version 14 to 18, or unset it to search the usual places"
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

func TestFindIgnoresFoldersWithoutInitdb(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	dir := tr.server("usr/lib/postgresql/16/bin", "16.1", "")
	if err := os.Remove(filepath.Join(dir, "initdb")); err != nil {
		t.Fatal(err)
	}
	if b, err := (&Finder{Root: tr.root, GOOS: "linux"}).Find(t.Context()); err == nil {
		t.Errorf("took %v", b)
	}
}

func TestFindSaysWhatDoesNotFit(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	tr.script(filepath.Join(tr.root, "etc/os-release"), "ID=fedora")
	f := &Finder{Root: tr.root, GOOS: "linux"}
	_, err := f.Find(t.Context())
	command := f.system().command(0)
	want := "no PostgreSQL server found (version 14 to 18 is needed): install it with `" + command + "`, or set ALIKE_PG_BIN to the folder that holds initdb and postgres"
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	a, b := tr.server("usr/pgsql-13/bin", "13.20", ""), tr.server("usr/pgsql-19/bin", "19beta2", "")
	_, err = f.Find(t.Context())
	want = "found PostgreSQL 19 in " + b + ", 13.20 in " + a + ", but version 14 to 18 is needed: install"
	if err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("got  %v\nwant %s ...", err, want)
	}
	var missing *NotFoundError
	if !errors.As(err, &missing) || len(missing.Other) != 2 {
		t.Errorf("error is %#v", err)
	}
	broken := filepath.Join(tr.root, "usr/pgsql-15/bin/postgres")
	tr.server("usr/pgsql-15/bin", "15.1", "")
	tr.script(broken, "exit 127")
	_, err = f.Find(t.Context())
	if err == nil || !strings.Contains(err.Error(), "(does not run: "+broken+" --version: exit status 127)") {
		t.Errorf("got %v, want the broken %s named", err, broken)
	}
}

// On this machine, whatever it has, the default must agree with the server.
func TestFindOnThisMachine(t *testing.T) {
	t.Parallel()
	b := thisMachine(t)
	out, err := output(t.Context(), filepath.Join(b.Dir, "postgres"), "--version")
	if err != nil || !strings.Contains(out, b.Version) {
		t.Errorf("found %v, the server says %q, %v", b, out, err)
	}
}
