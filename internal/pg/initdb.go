package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// clusterMajor returns the major version of the cluster in the folder data, or 0
// if there is none.
func clusterMajor(data string) (int, error) {
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		entries, err := os.ReadDir(data)
		if err == nil && len(entries) > 0 {
			return 0, fmt.Errorf("%s holds files but no PostgreSQL cluster (it lacks PG_VERSION): move the folder away, or restore the file from a backup", data)
		}
		return 0, ignoreMissing(err)
	}
	if err != nil {
		return 0, err
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s is not a version number: restore the file from a backup", filepath.Join(data, "PG_VERSION"))
	}
	return major, nil
}

// WrongVersionError says that the cluster needs a server which is not here.
type WrongVersionError struct {
	Data    string         // folder of the cluster
	Major   int            // the version that made it
	Missing *NotFoundError // what was found instead, and how to install the right one
}

func (e *WrongVersionError) Error() string {
	return fmt.Sprintf("the database in %s was made by PostgreSQL %d, which no other version can open; %v; "+
		"or make a backup with the program and server that still open it, and restore that into a new data folder", e.Data, e.Major, e.Missing)
}

func (e *WrongVersionError) Unwrap() error { return e.Missing }

// unfinished matches the temporary names under which clusters are created.
const unfinished = "postgres.new-*"

// removeUnfinished removes what a killed creation left behind.
func removeUnfinished(p place, log func(string)) error {
	found, err := filepath.Glob(filepath.Join(escapeGlob(p.base), unfinished))
	for _, dir := range found {
		log("removing the half-made cluster " + dir)
		err = errors.Join(err, os.RemoveAll(dir))
	}
	return err
}

// initCluster creates the cluster of p. It appears under its name only when
// complete.
func initCluster(ctx context.Context, p place, b Binaries, o Options) (err error) {
	dir, err := os.MkdirTemp(p.base, unfinished)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.RemoveAll(dir)
		}
	}()
	if err := p.who.give(dir); err != nil {
		return err
	}
	args, cleanup, err := initArgs(p, o, dir)
	if err != nil {
		return err
	}
	defer cleanup()
	cmd := command{who: p.who, env: serverEnv(os.Environ()), program: b.tool("initdb"), args: args,
		group: true, remove: []string{dir}}
	if o.Throwaway {
		cmd.remove = p.folders()
	}
	if err := cmd.run(ctx); err != nil {
		return fmt.Errorf("creating the database cluster: %w", err)
	}
	if err := os.Remove(p.data()); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err // clusterMajor has seen it empty
	}
	if err := os.Rename(dir, p.data()); err != nil {
		return err
	}
	return syncDir(p.base)
}

// initArgs: byte order and plain English messages do not depend on the machine,
// which keeps sorting the same everywhere and the log readable for us. Where
// people's words are sorted, the query names a collation.
func initArgs(p place, o Options, dir string) (args []string, cleanup func(), err error) {
	args = []string{"-D", dir, "-U", role, "--encoding=UTF8", "--locale=C"}
	cleanup = func() {}
	if !o.Throwaway {
		args = append(args, "--data-checksums")
	}
	if o.noSync {
		args = append(args, "--no-sync")
	}
	if !o.loopback {
		return append(args, "--auth=peer"), cleanup, nil
	}
	secret, err := password(p)
	if err != nil {
		return nil, nil, err
	}
	file, err := os.CreateTemp(p.base, ".new-*")
	if err != nil {
		return nil, nil, err
	}
	cleanup = func() { os.Remove(file.Name()) }
	_, err = file.WriteString(secret + "\n")
	if err = errors.Join(err, file.Close(), p.who.give(file.Name())); err != nil {
		cleanup()
		return nil, nil, err
	}
	return append(args, "--auth=scram-sha-256", "--pwfile="+file.Name()), cleanup, nil
}

// run runs the command to its end, or kills it with its children when ctx ends.
func (c command) run(ctx context.Context) error {
	held, err := c.start()
	if err != nil {
		return err
	}
	defer held.leash.release()
	ended := make(chan error, 1)
	go func() { ended <- held.wait() }()
	select {
	case err = <-ended:
	case <-ctx.Done():
		held.killGroup()
		<-ended
		return ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("%s: %w: %s", filepath.Base(c.program), err, strings.TrimSpace(held.said.String()))
	}
	return nil
}

// serverEnv drops what would change the server's ways: settings for clients, the
// language, and the socket on which a service manager hears from its service,
// which is us and not the server.
func serverEnv(env []string) []string {
	kept := []string{"LC_ALL=C"}
	for _, entry := range env {
		name, _, _ := strings.Cut(entry, "=")
		if strings.HasPrefix(name, "PG") || strings.HasPrefix(name, "LC_") || strings.HasPrefix(name, "LANG") || name == "NOTIFY_SOCKET" {
			continue
		}
		kept = append(kept, entry)
	}
	return kept
}
