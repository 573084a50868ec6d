package pg

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
)

// The major versions of PostgreSQL the product works with, both included. 14 is
// the oldest that upstream still mends; a major version not yet published may
// change what we rely on, so there is an upper end too.
const (
	OldestMajor = 14
	NewestMajor = 18
)

// EnvBin names the environment variable which overrides the search: the folder
// that holds initdb and postgres.
const EnvBin = "ALIKE_PG_BIN"

// Binaries is one installation of the PostgreSQL server.
type Binaries struct {
	Dir     string // folder of initdb and postgres, links resolved
	Version string // as in "15.4"
	Major   int    // as in 15
	suffix  string // ".exe" on Windows
}

func (b Binaries) tool(name string) string { return filepath.Join(b.Dir, name+b.suffix) }

func (b Binaries) String() string { return b.Version + " in " + b.Dir }

// Finder says where to look for server binaries. Use [DefaultFinder] for this
// machine; tests fill the fields to look into a tree of their own.
type Finder struct {
	Override string // if not empty, the only folder looked into
	Path     string // list of folders as in PATH, searched for postgres and pg_config
	Root     string // the usual places are looked up below this folder; "/" or `C:\`
	GOOS     string // whose usual places and file names, as runtime.GOOS
}

// DefaultFinder looks on this machine: ALIKE_PG_BIN alone if set, else PATH,
// pg_config and the usual places of the system.
func DefaultFinder() *Finder {
	root := "/"
	if runtime.GOOS == "windows" {
		root = os.Getenv("SystemDrive") + `\`
	}
	return &Finder{Override: os.Getenv(EnvBin), Path: os.Getenv("PATH"), Root: root, GOOS: runtime.GOOS}
}

// Find returns the newest supported server on this machine, see [Finder.Find].
func Find(ctx context.Context) (Binaries, error) { return DefaultFinder().Find(ctx) }

// Find returns the newest supported server. The error is a *[NotFoundError] when
// there is none.
func (f *Finder) Find(ctx context.Context) (Binaries, error) { return f.find(ctx, 0) }

// find returns the newest server of the given major version; 0 takes any
// supported one.
func (f *Finder) find(ctx context.Context, major int) (Binaries, error) {
	good, missing := f.search(ctx)
	if err := ctx.Err(); err != nil {
		return Binaries{}, err
	}
	for _, b := range good {
		if major == 0 || b.Major == major {
			return b, nil
		}
	}
	missing.Major = major
	missing.Other = append(good, missing.Other...)
	missing.Command = f.system().command(major)
	return Binaries{}, missing
}

// All returns the supported servers, newest first.
func (f *Finder) All(ctx context.Context) []Binaries {
	good, _ := f.search(ctx)
	return good
}

func (f *Finder) search(ctx context.Context) (good []Binaries, missing *NotFoundError) {
	missing = &NotFoundError{Override: f.Override}
	seen := map[string]bool{}
	for _, dir := range f.folders(ctx) {
		b, ok, err := f.inspect(ctx, dir, seen)
		switch {
		case err != nil:
			missing.Broken = append(missing.Broken, err.Error())
		case ok && b.Major >= OldestMajor && b.Major <= NewestMajor:
			good = append(good, b)
		case ok:
			missing.Other = append(missing.Other, b)
		}
	}
	newestFirst(good)
	newestFirst(missing.Other)
	return good, missing
}

// inspect reads the version of the server in dir. Both postgres and initdb must
// be there: client packages and Debian's wrappers have neither.
func (f *Finder) inspect(ctx context.Context, dir string, seen map[string]bool) (Binaries, bool, error) {
	b := Binaries{suffix: f.suffix()}
	server, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"+b.suffix))
	if err != nil {
		return b, false, nil
	}
	b.Dir = filepath.Dir(server)
	if seen[b.Dir] {
		return b, false, nil
	}
	seen[b.Dir] = true
	if _, err := os.Stat(b.tool("initdb")); err != nil {
		return b, false, nil
	}
	out, err := output(ctx, server, "--version")
	if err != nil {
		return b, false, fmt.Errorf("%s --version: %w", server, err)
	}
	b.Version, b.Major, err = parseVersion(out)
	if err != nil {
		return b, false, fmt.Errorf("%s: %w", server, err)
	}
	return b, true, nil
}

// folders lists the candidates in the order in which equal versions win.
func (f *Finder) folders(ctx context.Context) []string {
	if f.Override != "" {
		return []string{f.Override}
	}
	var dirs []string
	for _, dir := range filepath.SplitList(f.Path) {
		// An empty or relative entry means the current folder, where
		// anybody may have put a file named postgres.
		if filepath.IsAbs(dir) {
			dirs = append(dirs, dir)
		}
	}
	for _, dir := range dirs {
		config := filepath.Join(dir, "pg_config"+f.suffix())
		if _, err := os.Stat(config); err != nil {
			continue
		}
		if out, err := output(ctx, config, "--bindir"); err == nil {
			dirs = append(dirs, filepath.FromSlash(strings.TrimSpace(out)))
		}
		break
	}
	for _, pattern := range usualPlaces[f.GOOS] {
		found, err := filepath.Glob(filepath.Join(escapeGlob(f.Root), filepath.FromSlash(pattern)))
		if err == nil {
			dirs = append(dirs, found...)
		}
	}
	return dirs
}

func (f *Finder) suffix() string {
	if f.GOOS == "windows" {
		return ".exe"
	}
	return ""
}

// usualPlaces holds where packages put the server, below the root.
var usualPlaces = map[string][]string{
	"linux": {
		"usr/lib/postgresql/*/bin", // Debian and its relatives
		"usr/pgsql-*/bin",          // Fedora and its relatives, upstream's packages
		"usr/lib/postgresql*/bin",  // SUSE
		"usr/libexec/postgresql*",  // Alpine
		"usr/bin",                  // Fedora, Arch
		"usr/local/pgsql/bin",      // built from source
		"usr/local/bin",            //
		"opt/postgresql*/bin",      //
		"home/linuxbrew/.linuxbrew/opt/postgresql*/bin",
	},
	"darwin": {
		"opt/homebrew/opt/postgresql*/bin",
		"usr/local/opt/postgresql*/bin",
		"opt/local/lib/postgresql*/bin",
		"Library/PostgreSQL/*/bin",
		"Applications/Postgres.app/Contents/Versions/*/bin",
		"usr/local/pgsql/bin",
	},
	"windows": {
		"Program Files/PostgreSQL/*/bin",
	},
	"freebsd": {"usr/local/bin"},
	"openbsd": {"usr/local/bin"},
	"netbsd":  {"usr/pkg/bin"},
}

// 18beta1 and 19devel count as their major version.
var versionText = regexp.MustCompile(`\(PostgreSQL\) (\d+)(\.\d+)*`)

func parseVersion(out string) (version string, major int, err error) {
	m := versionText.FindStringSubmatch(out)
	if m == nil {
		return "", 0, fmt.Errorf("no version in %q", strings.TrimSpace(out))
	}
	major, err = strconv.Atoi(m[1])
	return strings.TrimPrefix(m[0], "(PostgreSQL) "), major, err
}

// newestFirst sorts by version, keeping the order of the search among equals.
func newestFirst(list []Binaries) {
	number := func(b Binaries) []int {
		var n []int
		for _, part := range strings.Split(b.Version, ".") {
			v, _ := strconv.Atoi(part) // digits only, by versionText
			n = append(n, v)
		}
		return n
	}
	sort.SliceStable(list, func(i, j int) bool {
		return slices.Compare(number(list[i]), number(list[j])) > 0
	})
}

func escapeGlob(path string) string {
	if runtime.GOOS == "windows" {
		return path // the backslash parts folders there and escapes nothing
	}
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}

// output runs a tool that answers at once; the limit is for a broken one that
// never does.
func output(ctx context.Context, name string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.WaitDelay = time.Second
	out, err := cmd.Output()
	return string(out), err
}
