package pg

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/windows"
)

// send asks the process to end. Windows has no such signals: the server listens
// on a pipe, to which pg_ctl writes.
func send(b Binaries, pid int, how level) error {
	name := map[level]string{fast: "INT", immediate: "QUIT"}[how]
	if name != "" && b.Dir != "" {
		if exec.Command(b.tool("pg_ctl"), "kill", name, strconv.Itoa(pid)).Run() == nil {
			return nil
		}
	}
	p, err := os.FindProcess(pid)
	if err != nil {
		return nil // gone
	}
	defer p.Release()
	return p.Kill()
}

func (c *child) killGroup() { windows.TerminateJobObject(c.leash.job, 1) }

func exists(pid int) bool { return image(pid) != "" }

// serves cannot see which cluster a server is on; a number that was a server's
// and is one again is taken for the same.
func serves(_ context.Context, pid int, _ string) bool {
	return strings.EqualFold(filepath.Base(image(pid)), "postgres.exe")
}

// image returns the program file of a live process, or "".
func image(pid int) string {
	p, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, uint32(pid))
	if err != nil {
		return ""
	}
	defer windows.CloseHandle(p)
	var code uint32
	const stillActive = 259
	if windows.GetExitCodeProcess(p, &code) != nil || code != stillActive {
		return ""
	}
	buf := make([]uint16, windows.MAX_LONG_PATH)
	n := uint32(len(buf))
	if windows.QueryFullProcessImageName(p, 0, &buf[0], &n) != nil {
		return ""
	}
	return windows.UTF16ToString(buf[:n])
}

func serversOf(context.Context, account, string) []int { return nil }

// The server does not know its parent on Windows; a stale lock has to go.
func asParent() (pid int, ok bool) { return 0, false }
