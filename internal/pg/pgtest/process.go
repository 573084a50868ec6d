package pgtest

import (
	"context"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	"unsafe"

	"alike/internal/pg"
)

// folderPrefix marks the folders of test clusters in the folder for temporary
// files.
const folderPrefix = "alike-pgtest-"

var process struct {
	once   sync.Once
	server *server
	err    error
}

// started returns the cluster of this process, started at the first call.
func started(ctx context.Context, t testing.TB) (*server, error) {
	process.once.Do(func() { process.server, process.err = start(ctx, t.Logf) })
	return process.server, process.err
}

func start(ctx context.Context, logf func(string, ...any)) (*server, error) {
	sweep(ctx, os.TempDir(), time.Now().Add(-time.Minute), logf)
	dir, err := os.MkdirTemp("", folderPrefix)
	if err != nil {
		return nil, err
	}
	// Root runs the server as another account, which has to pass through.
	if err := os.Chmod(dir, 0o711); err != nil {
		return nil, err
	}
	c, err := pg.Start(ctx, pg.Options{
		Dir: dir, Throwaway: true, MayInstall: true, KeepOnCancel: true,
		Log: func(line string) { logf("%s", line) },
	})
	if err != nil {
		os.RemoveAll(dir)
		return nil, err
	}
	s := &server{templates: map[unsafe.Pointer]*template{}}
	if !strings.HasPrefix(c.Version, "14.") {
		// Without flushing, copying files takes half as long as the newer
		// way of writing all blocks to the log. 14 knows no other.
		s.how = " STRATEGY file_copy"
	}
	s.base, err = url.Parse(c.URL())
	return s, err
}

// sweep removes what is left of killed test processes whose leash was killed as
// well. Folders younger than the given time may belong to a process that has not
// locked them yet.
func sweep(ctx context.Context, dir string, before time.Time, logf func(string, ...any)) {
	found, _ := filepath.Glob(filepath.Join(dir, folderPrefix+"*"))
	for _, old := range found {
		info, err := os.Lstat(old)
		if err != nil || info.ModTime().After(before) {
			continue
		}
		// In use, or of another account: most likely no leftover.
		if err := pg.Discard(ctx, old); err == nil {
			logf("removed %s, left by a killed test process", old)
		}
	}
}
