//go:build unix

package pg

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestCommandOfEachSystem(t *testing.T) {
	t.Parallel()
	// Texts of os-release as the distributions ship them, shortened.
	for _, c := range []struct {
		goos, release string
		root          bool
		major         int
		want          string
	}{
		{"linux", "PRETTY_NAME=\"Debian GNU/Linux 12 (bookworm)\"\nID=debian\n", true, 0, "apt-get install -y --no-install-recommends postgresql"},
		{"linux", "ID=ubuntu\nID_LIKE=debian\n", false, 16, "sudo apt-get install -y --no-install-recommends postgresql-16"},
		{"linux", "ID=linuxmint\nID_LIKE=\"ubuntu debian\"\n", false, 0, "sudo apt-get install -y --no-install-recommends postgresql"},
		{"linux", "ID=fedora\n", false, 0, "sudo dnf install -y postgresql-server"},
		{"linux", "ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\n", true, 15, "dnf install -y postgresql15-server"},
		{"linux", "ID=alpine\n", true, 0, "apk add postgresql"},
		{"linux", "ID=alpine\n", true, 17, "apk add postgresql17"},
		{"linux", "ID=arch\n", false, 0, "sudo pacman -S --noconfirm postgresql"},
		{"linux", "ID=arch\n", false, 14, ""},
		{"linux", "ID='opensuse-leap'\nID_LIKE='suse opensuse'\n", true, 0, "zypper install -y postgresql-server"},
		{"linux", "ID=unheard-of\n", true, 0, ""},
		{"darwin", "", false, 0, "brew install postgresql@17"},
		{"darwin", "", false, 14, "brew install postgresql@14"},
		{"windows", "", false, 0, "winget install PostgreSQL.PostgreSQL.17"},
		{"plan9", "", false, 0, ""},
	} {
		s := system{goos: c.goos, ids: osIDs(c.release), root: c.root}
		if got := s.command(c.major); got != c.want {
			t.Errorf("%s %q %d: got %q, want %q", c.goos, c.release, c.major, got, c.want)
		}
	}
}

func TestOSIDs(t *testing.T) {
	t.Parallel()
	got := osIDs("# a comment\nID_LIKE=\"a b\"\n\nNAME=X\nID=c\n")
	if want := []string{"c", "a", "b"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// Where packages cannot be installed the error is the sentence with the command.
func TestInstallElsewhereNamesTheCommand(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	f := tr.fakeApt("postgresql-15", "") // another apt-get than Debian's
	tr.script(filepath.Join(tr.root, "etc/os-release"), "ID=alpine")
	err := install(t.Context(), f, nil, 0)
	var missing *NotFoundError
	if !errors.As(err, &missing) || !strings.Contains(err.Error(), "apk add postgresql`") || tr.calls() != "" {
		t.Errorf("got %v, calls %s", err, tr.calls())
	}
}

func TestLineWriter(t *testing.T) {
	t.Parallel()
	var got []string
	w := &lineWriter{log: func(s string) { got = append(got, s) }}
	for _, part := range []string{"one\ntw", "o\r\n", "\n", "rest"} {
		if n, err := w.Write([]byte(part)); n != len(part) || err != nil {
			t.Fatal(n, err)
		}
	}
	if want := []string{"one", "two"}; !slices.Equal(got, want) || w.last != "two" {
		t.Errorf("got %q, last %q, want %q", got, w.last, want)
	}
}

// fakeApt adds programs in place of apt's, which write down how they are called.
// Before an update they have nothing on offer unless the names say so.
func (tr tree) fakeApt(before, after string) *Finder {
	tr.t.Helper()
	root := tr.root
	bin := filepath.Join(root, "bin")
	tr.script(filepath.Join(root, "etc/os-release"), "ID=debian")
	tr.script(filepath.Join(bin, "apt-cache"), `[ -e '`+root+`/updated' ] && echo `+after+` || echo `+before)
	tr.script(filepath.Join(bin, "apt-get"), `
		for a in "$@"; do case $a in update) touch '`+root+`/updated' ;; esac; done
		while [ "$1" != update ] && [ "$1" != install ]; do shift; done
		echo "$@" $(grep -h create_ '`+root+`'/etc/postgresql-common/createcluster.d/*.conf) >>'`+root+`/calls'
		echo "$DEBIAN_FRONTEND, $NEEDRESTART_MODE"
		case "$*" in *broken*|*-17) echo "E: out of order" >&2; exit 100 ;; esac`)
	return &Finder{Path: bin, Root: root, GOOS: "linux"}
}

func (tr tree) calls() string {
	text, _ := os.ReadFile(filepath.Join(tr.root, "calls"))
	return strings.TrimSpace(string(text))
}

func TestAptInstallsTheServerAlone(t *testing.T) {
	t.Setenv("DEBIAN_FRONTEND", "readline")
	const held = " create_main_cluster = false"
	const add = "install -y --no-install-recommends postgresql-"
	for _, c := range []struct {
		name, before, after string
		major               int
		calls, err          string
	}{
		{"newest", "postgresql-client-16 postgresql-9.6 postgresql-13 postgresql-15 postgresql-14 postgresql-19 postgresql-common", "", 0, add + "15" + held, ""},
		{"asked for", "postgresql-15 postgresql-14", "", 14, add + "14" + held, ""},
		{"after update", "postgresql-common", "postgresql-18 postgresql-common", 0, "update\n" + add + "18" + held, ""},
		{"none", "", "postgresql-13", 0, "update", "apt has no fitting postgresql package on offer"},
		{"failing", "postgresql-17", "postgresql-17", 0, add + "17" + held + "\nupdate\n" + add + "17" + held, "apt-get install: exit status 100: E: out of order"},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := newTree(t)
			f := tr.fakeApt(c.before, c.after)
			var said []string
			log := func(line string) { said = append(said, line) }
			err := aptGet{folder: f.Path, root: tr.root, log: log}.server(t.Context(), c.major)
			if c.err == "" && err != nil || c.err != "" && (err == nil || err.Error() != c.err) {
				t.Errorf("got %v, want %q", err, c.err)
			}
			if got := tr.calls(); got != c.calls {
				t.Errorf("calls\n%s\nwant\n%s", got, c.calls)
			}
			if strings.Contains(c.calls, "install") && !slices.Contains(said, "noninteractive, l") {
				t.Errorf("said %q", said)
			}
			if _, err := os.Stat(filepath.Join(tr.root, "etc/postgresql-common/createcluster.d")); err == nil {
				t.Error("the folder with our setting is left")
			}
		})
	}
}

// What an administrator has put beside our setting stays.
func TestAptLeavesOtherSettings(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	f := tr.fakeApt("postgresql-15", "")
	other := filepath.Join(tr.root, "etc/postgresql-common/createcluster.d/own.conf")
	tr.script(other, "")
	if err := (aptGet{folder: f.Path, root: tr.root, log: func(string) {}}).server(t.Context(), 0); err != nil {
		t.Error(err)
	}
	left, _ := filepath.Glob(filepath.Join(filepath.Dir(other), "*"))
	if !slices.Equal(left, []string{other}) {
		t.Errorf("left are %v", left)
	}
}

// Root on Debian installs; anybody else is told the command.
func TestInstallByWhom(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	f := tr.fakeApt("postgresql-15", "")
	err := install(t.Context(), f, nil, 0)
	if isRoot() {
		if err != nil || !strings.HasSuffix(tr.calls(), "postgresql-15 create_main_cluster = false") {
			t.Errorf("got %v, calls %s", err, tr.calls())
		}
		return
	}
	if err == nil || !strings.Contains(err.Error(), "install it with `sudo apt-get install") || tr.calls() != "" {
		t.Errorf("got %v, calls %s", err, tr.calls())
	}
}

// Another process may have installed it while we waited.
func TestInstallOnlyOnce(t *testing.T) {
	t.Parallel()
	tr := newTree(t)
	f := tr.fakeApt("postgresql-15", "")
	tr.server("usr/lib/postgresql/15/bin", "15.4", "")
	if !isRoot() {
		return // does not come so far
	}
	if err := install(t.Context(), f, nil, 0); err != nil || tr.calls() != "" {
		t.Errorf("got %v, calls %s", err, tr.calls())
	}
}
