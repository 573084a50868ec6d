package pg

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// Options says where the cluster lives and what Start may do.
type Options struct {
	// Dir is the data folder; it is created if need be.
	Dir string
	// MayInstall allows to install PostgreSQL, see [Install], if no fitting
	// server is found.
	MayInstall bool
	// KeepOnCancel makes the end of Start's context matter only during Start.
	// Use it with a context that ends at Ctrl-C, when the program still has
	// work to finish, and call Stop after that work. Without it the end of
	// the context stops the server.
	KeepOnCancel bool
	// Log gets lines of progress, if not nil.
	Log func(string)
	// Program is what a second program reads about this one; by default its
	// name and first argument, as in "alike serve".
	Program string
	// Finder says where to look for the server; nil means DefaultFinder.
	Finder *Finder
	// Throwaway is for tests only: the cluster is fast and does not survive
	// a crash of the machine, and Dir is removed when the server has been
	// stopped or this program has died (on Windows only when stopped).
	Throwaway bool

	loopback bool   // by network and password, as on Windows
	state    string // where root puts clusters it cannot keep in Dir
	noSync   bool   // do not flush a new cluster to disk
}

func (o Options) withDefaults() Options {
	if o.Log == nil {
		o.Log = func(string) {}
	}
	if o.Program == "" {
		o.Program = programName(os.Args)
	}
	if o.Finder == nil {
		o.Finder = DefaultFinder()
	}
	if o.state == "" {
		o.state = stateRoot
	}
	o.noSync = o.noSync || o.Throwaway
	o.loopback = o.loopback || runtime.GOOS == "windows"
	return o
}

// Start starts the cluster of the data folder, creating it if there is none, and
// returns when it answers. Kinds of errors: *[InUseError], *[NotFoundError],
// *[WrongVersionError]; the error of ctx when that ended first. After an error
// nothing of ours runs and the folder is free.
func Start(ctx context.Context, o Options) (*Cluster, error) {
	o = o.withDefaults()
	dir, err := makeDir(o.Dir)
	if err != nil {
		return nil, err
	}
	lock, err := takeLock(dir, o.Program)
	if err != nil {
		return nil, err
	}
	c, err := startLocked(ctx, o, dir, lock)
	if err != nil {
		if o.Throwaway {
			removeAll(foldersOf(dir, o.state))
		}
		return nil, errors.Join(err, lock.release())
	}
	if !o.KeepOnCancel {
		go c.stopAfter(ctx)
	}
	return c, nil
}

func startLocked(ctx context.Context, o Options, dir string, lock *dirLock) (*Cluster, error) {
	p, err := locate(dir, o.state, o.Log)
	if err != nil {
		return nil, err
	}
	if p.base != dir {
		if err := lock.add(p.base); err != nil {
			return nil, err
		}
	}
	major, err := clusterMajor(p.data())
	if err != nil {
		return nil, err
	}
	b, err := binaries(ctx, o, p, major)
	if err != nil {
		return nil, err
	}
	if err := stopOrphans(ctx, p.data(), p.who, b, o.Log); err != nil {
		return nil, err
	}
	if err := removeUnfinished(p, o.Log); err != nil {
		return nil, err
	}
	if major == 0 {
		o.Log(fmt.Sprintf("creating a PostgreSQL %s cluster in %s", b.Version, p.data()))
		if err := initCluster(ctx, p, b, o); err != nil {
			return nil, err
		}
	}
	return launchPatiently(ctx, o, p, b, lock)
}

// binaries finds the server for a cluster of the major version (0: a new one).
func binaries(ctx context.Context, o Options, p place, major int) (Binaries, error) {
	b, err := o.Finder.find(ctx, major)
	var missing *NotFoundError
	if errors.As(err, &missing) && o.MayInstall && missing.Override == "" {
		o.Log("no fitting PostgreSQL server here, installing one")
		if err = install(ctx, o.Finder, o.Log, major); err == nil {
			b, err = o.Finder.find(ctx, major)
		}
	}
	if errors.As(err, &missing) && major != 0 {
		return b, &WrongVersionError{Data: p.data(), Major: major, Missing: missing}
	}
	return b, err
}

// launchPatiently tries again while the server finds children of a killed one,
// which end within moments, that stopOrphans could not see.
func launchPatiently(ctx context.Context, o Options, p place, b Binaries, lock *dirLock) (*Cluster, error) {
	o.Log("starting PostgreSQL " + b.Version)
	deadline := time.Now().Add(10 * time.Second)
	for tried := 0; ; tried++ {
		c, err := launch(ctx, o, p, b, lock)
		if err == nil || !strings.Contains(err.Error(), "pre-existing shared memory block") || time.Now().After(deadline) {
			return c, err
		}
		if tried == 0 {
			o.Log("waiting for the last processes of a killed server")
		}
		if err := sleep(ctx, 200*time.Millisecond); err != nil {
			return nil, err
		}
	}
}

// launch starts the server on a complete cluster.
func launch(ctx context.Context, o Options, p place, b Binaries, lock *dirLock) (c *Cluster, err error) {
	c = &Cluster{Version: b.Version, bin: b, place: p, lock: lock, log: o.Log, throwaway: o.Throwaway,
		died: make(chan struct{}), ended: make(chan struct{}), stopped: make(chan struct{})}
	var remove []string
	if o.Throwaway {
		remove = p.folders()
	}
	if c.access, err = chooseAccess(o, p, c); err != nil {
		return nil, err
	}
	if c.socketTemporary {
		remove = append(remove, c.access.socket)
	}
	if err = writeAccess(p, c.access); err != nil {
		return nil, err
	}
	rotateLog(c.logFile())
	cmd := command{who: p.who, env: serverEnv(os.Environ()), program: b.tool("postgres"),
		args: serverArgs(o, p, c.access), log: c.logFile(), remove: remove}
	if c.child, err = cmd.start(); err != nil {
		c.removeSocket()
		return nil, err
	}
	go c.watch()
	if err = c.waitReady(ctx); err == nil {
		err = lock.announce(c.URL())
	}
	if err != nil {
		c.halt(context.Background())
		return nil, err
	}
	return c, nil
}

func chooseAccess(o Options, p place, c *Cluster) (a access, err error) {
	if o.loopback {
		if a.password, err = password(p); err == nil {
			a.port, err = freePort()
		}
		return a, err
	}
	a.port = socketPort
	a.socket, c.socketTemporary, err = makeSocketDir(p)
	return a, err
}

// freePort asks the system for a port nobody uses. Another program may take it
// before the server does; the start then fails, and the next one asks again.
func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

func serverArgs(o Options, p place, a access) []string {
	set := []string{
		"hba_file=" + p.file("hba"),
		"ident_file=" + p.file("ident"),
		"timezone=UTC", // queries that cut time into days must not depend on the machine
		"log_timezone=UTC",
		"logging_collector=off", // the log is the server's plain output
		"log_destination=stderr",
		fmt.Sprintf("port=%d", a.port),
	}
	if a.socket != "" {
		// The setting is a list parted by commas, which socketFits refuses.
		set = append(set, "listen_addresses=", "unix_socket_permissions=0700",
			"unix_socket_directories="+a.socket)
	} else {
		set = append(set, "listen_addresses=127.0.0.1", "unix_socket_directories=", "password_encryption=scram-sha-256")
	}
	if o.Throwaway {
		set = append(set, "fsync=off", "synchronous_commit=off", "full_page_writes=off",
			"wal_level=minimal", "max_wal_senders=0", "autovacuum=off")
	}
	args := []string{"-D", p.data()}
	for _, s := range set {
		args = append(args, "-c", s)
	}
	return args
}

// rotateLog keeps the log of the server from growing for years.
func rotateLog(name string) {
	const largest = 8 << 20
	if info, err := os.Lstat(name); err == nil && info.Size() > largest {
		os.Rename(name, name+".1")
	}
}

// logTail returns the last lines of the server's log, to be told with an error.
func logTail(name string) string {
	f, err := open(name, os.O_RDONLY)
	if err != nil {
		return err.Error()
	}
	defer f.Close()
	buf := make([]byte, 2000)
	if info, err := f.Stat(); err == nil && info.Size() > int64(len(buf)) {
		f.Seek(-int64(len(buf)), 2)
	}
	n, _ := f.Read(buf)
	lines := strings.Split(strings.TrimSpace(string(buf[:n])), "\n")
	return strings.Join(lines[max(0, len(lines)-6):], "; ")
}

func (c *Cluster) logFile() string { return filepath.Join(c.place.data(), "server.log") }
