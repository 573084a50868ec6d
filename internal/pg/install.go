package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/gofrs/flock"
)

// stateRoot is where root keeps what has no place in a data folder.
const stateRoot = "/var/lib/alike"

// Install installs the PostgreSQL server with the system's package tool and
// tells its progress to log (may be nil). It acts only as root on Debian and its
// relatives; elsewhere the error is a *[NotFoundError] with the command to run.
//
// It installs the versioned server package alone and keeps Debian's scripts from
// creating and starting a cluster by adding a file of settings for the time of
// the installation; settings and clusters already there stay untouched.
func Install(ctx context.Context, log func(string)) error {
	return install(ctx, DefaultFinder(), log, 0)
}

// install installs the given major version, 0 for the newest on offer, unless
// another process did so while this one waited for its turn.
func install(ctx context.Context, f *Finder, log func(string), major int) error {
	if log == nil {
		log = func(string) {}
	}
	sys := f.system()
	apt := aptGet{folder: f.folderOf("apt-get"), root: f.Root, log: log}
	if apt.folder == "" || !sys.isDebian() || !sys.root {
		return &NotFoundError{Major: major, Command: sys.command(major)}
	}
	turn, err := takeTurn(ctx, filepath.Join(f.Root, stateRoot))
	if err != nil {
		return err
	}
	defer turn.Unlock()
	if _, err := f.find(ctx, major); err == nil {
		return nil
	}
	if err := apt.server(ctx, major); err != nil {
		return fmt.Errorf("installing PostgreSQL: %w; run `%s` by hand", err, sys.command(major))
	}
	return nil
}

// folderOf returns the folder in the finder's path that has the program, or "".
func (f *Finder) folderOf(program string) string {
	for _, dir := range filepath.SplitList(f.Path) {
		if _, err := os.Stat(filepath.Join(dir, program)); err == nil && filepath.IsAbs(dir) {
			return dir
		}
	}
	return ""
}

// takeTurn keeps test processes that start together from running the package
// tool all at once.
func takeTurn(ctx context.Context, state string) (*flock.Flock, error) {
	if err := makeWithMode(state, 0o755); err != nil {
		return nil, err
	}
	turn := flock.New(filepath.Join(state, "install.lock"))
	if _, err := turn.TryLockContext(ctx, 100*time.Millisecond); err != nil {
		return nil, fmt.Errorf("waiting for another installation of PostgreSQL: %w", err)
	}
	return turn, nil
}

// aptGet installs by apt-get.
type aptGet struct {
	folder string // of apt-get and apt-cache
	root   string // where /etc is
	log    func(string)
}

func (a aptGet) server(ctx context.Context, major int) error {
	name, err := a.offered(ctx, major)
	if err == nil {
		if err = a.add(ctx, name); err == nil {
			return nil
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	// No list of packages yet (a fresh container), or an outdated one.
	if err := a.run(ctx, "update"); err != nil {
		return err
	}
	if name, err = a.offered(ctx, major); err != nil {
		return err
	}
	return a.add(ctx, name)
}

func (a aptGet) add(ctx context.Context, name string) error {
	undo, err := a.holdClusterCreation()
	if err != nil {
		return err
	}
	defer undo()
	return a.run(ctx, "install", "-y", "--no-install-recommends", name)
}

// offered returns the newest server package which apt has on offer.
func (a aptGet) offered(ctx context.Context, major int) (string, error) {
	out, err := output(ctx, filepath.Join(a.folder, "apt-cache"), "pkgnames", "postgresql-")
	if err != nil {
		return "", fmt.Errorf("apt-cache pkgnames: %w", err)
	}
	best := 0
	for _, name := range strings.Fields(out) {
		n, err := strconv.Atoi(strings.TrimPrefix(name, "postgresql-"))
		if err == nil && n >= OldestMajor && n <= NewestMajor && n > best && (major == 0 || n == major) {
			best = n
		}
	}
	if best == 0 {
		return "", errors.New("apt has no fitting postgresql package on offer")
	}
	return "postgresql-" + strconv.Itoa(best), nil
}

// holdClusterCreation adds a file which Debian's package scripts read by the
// include_dir of /etc/postgresql-common/createcluster.conf. Where an
// administrator's own file has no such line, that file decides.
func (a aptGet) holdClusterCreation() (undo func(), err error) {
	dir := filepath.Join(a.root, "etc/postgresql-common/createcluster.d")
	_, err = os.Stat(dir)
	ours := os.IsNotExist(err)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	name := filepath.Join(dir, "zz-alike.conf")
	text := "# present only while alike installs PostgreSQL\ncreate_main_cluster = false\n"
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		return nil, err
	}
	return func() {
		os.Remove(name)
		if ours {
			os.Remove(dir) // only if empty
		}
	}, nil
}

func (a aptGet) run(ctx context.Context, args ...string) error {
	a.log("running apt-get " + strings.Join(args, " "))
	options := []string{"-q", "-o", "DPkg::Lock::Timeout=300", "-o", "Dpkg::Use-Pty=0"}
	cmd := exec.CommandContext(ctx, filepath.Join(a.folder, "apt-get"), append(options, args...)...)
	// needrestart, where present, would restart other services: list only.
	cmd.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive", "NEEDRESTART_MODE=l")
	// apt ends at SIGINT between two packages. Ctrl-C in the terminal must
	// not reach dpkg below it, so both get a process group of their own.
	cmd.SysProcAttr = ownGroup()
	cmd.Cancel = func() error { return send(Binaries{}, cmd.Process.Pid, fast) }
	cmd.WaitDelay = 30 * time.Second
	said := &lineWriter{log: a.log}
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Run(); err != nil && !errors.Is(err, exec.ErrWaitDelay) {
		return fmt.Errorf("apt-get %s: %w: %s", args[0], err, said.last)
	}
	return nil
}

// lineWriter passes on each line written to it and remembers the last.
type lineWriter struct {
	log  func(string)
	rest string
	last string
}

func (w *lineWriter) Write(p []byte) (int, error) {
	lines := strings.Split(w.rest+string(p), "\n")
	w.rest = lines[len(lines)-1]
	for _, line := range lines[:len(lines)-1] {
		if line = strings.TrimSpace(line); line != "" {
			w.log(line)
			w.last = line
		}
	}
	return len(p), nil
}
