package pg

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// stopOrphans ends whatever a killed run left on the cluster: a server whose
// leash was killed too or is still at work, or children of a killed server. The
// caller holds the lock of the data folder, so nobody else wants them.
func stopOrphans(ctx context.Context, data string, who account, b Binaries, log func(string)) error {
	if pid := lockedBy(data); exists(pid) {
		if !serves(ctx, pid, data) {
			log(fmt.Sprintf("an earlier server on %s has ended without cleaning up", data))
			return freeLock(data)
		}
		log(fmt.Sprintf("stopping the server an earlier run left behind (process %d)", pid))
		if err := endAll(ctx, b, func() []int { return serving(ctx, pid, data) }, fast, immediate, kill); err != nil {
			return err
		}
	}
	// Children of a dead server: idle ones end by themselves in a moment, the
	// server's shared memory is of no use to any of them.
	return endAll(ctx, b, func() []int { return serversOf(ctx, who, data) }, immediate, kill)
}

func serving(ctx context.Context, pid int, data string) []int {
	if exists(pid) && serves(ctx, pid, data) {
		return []int{pid}
	}
	return nil
}

// endAll asks the processes to end, more urgently every 30 seconds.
func endAll(ctx context.Context, b Binaries, list func() []int, levels ...level) error {
	for _, how := range levels {
		for _, pid := range list() {
			if err := send(b, pid, how); err != nil {
				return fmt.Errorf("stopping process %d, which holds the database: %w", pid, err)
			}
		}
		deadline := time.Now().Add(patience[how])
		for time.Now().Before(deadline) {
			if len(list()) == 0 {
				return nil
			}
			if err := sleep(ctx, 20*time.Millisecond); err != nil {
				return err
			}
		}
	}
	return fmt.Errorf("the database is held by processes that do not end: %v", list())
}

// patience is how long each way to stop may take before the next one.
var patience = map[level]time.Duration{fast: 30 * time.Second, immediate: 10 * time.Second, kill: 5 * time.Second}

func lockFile(data string) string { return filepath.Join(data, "postmaster.pid") }

// lockedBy returns the process number in the server's lock file, 0 if none. The
// number is negative for a server run without its usual supervision.
func lockedBy(data string) int {
	f, err := open(lockFile(data), os.O_RDONLY)
	if err != nil {
		return 0
	}
	defer f.Close()
	line, _ := bufio.NewReader(f).ReadString('\n')
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil {
		return 0
	}
	return max(pid, -pid)
}

// freeLock deals with a stale lock file whose number belongs to a live stranger
// by now, as is common in containers, where numbers are small. The server would
// refuse to start over it.
func freeLock(data string) error {
	pid, ok := asParent()
	if !ok {
		return os.Remove(lockFile(data))
	}
	f, err := open(lockFile(data), os.O_RDWR)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(f)
	if err != nil {
		return err
	}
	_, rest, _ := strings.Cut(string(text), "\n")
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err = f.WriteAt([]byte(strconv.Itoa(pid)+"\n"+rest), 0)
	return err
}

// sleep waits, or returns the error of ctx.
func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
