//go:build unix

package pg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
)

// send asks the process to end. A process already gone is no error.
func send(_ Binaries, pid int, how level) error {
	signal := map[level]syscall.Signal{fast: syscall.SIGINT, immediate: syscall.SIGQUIT, kill: syscall.SIGKILL}[how]
	err := syscall.Kill(pid, signal)
	if errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return err
}

// killGroup ends the command and its children at once.
func (c *child) killGroup() { syscall.Kill(-c.pid(), syscall.SIGKILL) }

// exists tells whether there is a process of that number that PostgreSQL would
// take for the holder of a cluster.
func exists(pid int) bool { return pid > 1 && syscall.Kill(pid, 0) == nil }

// serves tells whether the process is a server on the cluster in the folder
// data. A server's current folder is its cluster; where that cannot be seen, its
// command line tells, which is ours and names the folder. Processes that have
// ended and wait for their parent to notice do not serve.
func serves(ctx context.Context, pid int, data string) bool {
	if runtime.GOOS != "linux" {
		line, err := output(ctx, "ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid))
		return err == nil && strings.Contains(line, "postgres") && strings.Contains(line, data)
	}
	cwd, err := serverCwd(pid)
	if errors.Is(err, fs.ErrPermission) {
		line, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
		return err == nil && strings.Contains(string(line), "\x00"+data+"\x00")
	}
	return err == nil && cwd == data
}

// serverCwd returns the current folder of a process if that is a server; an
// administrator's shell may well have a cluster as current folder too. Root gets
// fs.ErrPermission in containers that withhold the right to trace processes.
func serverCwd(pid int) (string, error) {
	proc := fmt.Sprintf("/proc/%d/", pid)
	if name, err := os.ReadFile(proc + "comm"); err != nil || string(name) != "postgres\n" {
		return "", fs.ErrNotExist
	}
	return os.Readlink(proc + "cwd")
}

// serversOf lists all processes on the cluster. Elsewhere than on Linux it finds
// none: there the children of a killed server, which end by themselves as soon
// as they wait for anything, are left to the server's own check.
func serversOf(ctx context.Context, who account, data string) (pids []int) {
	if runtime.GOOS != "linux" {
		return nil
	}
	names, _ := filepath.Glob("/proc/[0-9]*")
	for _, name := range names {
		pid, err := strconv.Atoi(filepath.Base(name))
		if err != nil {
			continue
		}
		cwd, err := serverCwd(pid)
		if errors.Is(err, fs.ErrPermission) && who.drop {
			return serversSeenBy(ctx, who, data)
		}
		if err == nil && cwd == data {
			pids = append(pids, pid)
		}
	}
	return pids
}

// serversSeenBy is serversOf with the eyes of the account, which may look at its
// own processes where root may not.
func serversSeenBy(ctx context.Context, who account, data string) (pids []int) {
	const script = `for p in /proc/[0-9]*; do
		[ "$p/cwd" -ef "$1" ] && read -r name <"$p/comm" && [ "$name" = postgres ] && echo "${p#/proc/}"
	done`
	cmd := exec.CommandContext(ctx, "/bin/sh", "-c", script, "sh", data)
	cmd.Dir = "/"
	cmd.SysProcAttr = who.attributes()
	out, _ := cmd.Output() // the status is that of the last test
	for _, word := range strings.Fields(string(out)) {
		if pid, err := strconv.Atoi(word); err == nil {
			pids = append(pids, pid)
		}
	}
	return pids
}

// asParent is what to put in place of a number that a stale lock of the cluster
// shares with a live stranger: PostgreSQL ignores the number of its own parent,
// but then still looks for orphaned children of the dead server, which it would
// not if we removed the file.
func asParent() (pid int, ok bool) { return os.Getpid(), true }
