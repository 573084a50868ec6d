package pg

import (
	"fmt"
	"os"
	"os/exec"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// A leash on Windows is a job which ends all its processes when the last handle
// to it, ours, is closed by our death. The server repairs such an end at its next
// start. What command.remove names stays.
type leash struct{ job windows.Handle }

func newLeash(pid int) (*leash, error) {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return nil, fmt.Errorf("starting the leash of the database: %w", err)
	}
	l := &leash{job}
	limits := windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION{}
	limits.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE
	_, err = windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&limits)), uint32(unsafe.Sizeof(limits)))
	if err == nil {
		err = l.hold(pid)
	}
	if err != nil {
		l.release()
		return nil, fmt.Errorf("starting the leash of the database: %w", err)
	}
	return l, nil
}

func (l *leash) hold(pid int) error {
	process, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, uint32(pid))
	if err != nil {
		return err
	}
	defer windows.CloseHandle(process)
	return windows.AssignProcessToJobObject(l.job, process)
}

func (l *leash) gone() {}

func (l *leash) release() { windows.CloseHandle(l.job) }

// start starts the command. Our death between the start and the leash would
// leave the process running; the next start on the data folder stops it.
func (c command) start() (*child, error) {
	held := &child{cmd: exec.Command(c.program, c.args...)}
	cmd := held.cmd
	cmd.Env = c.env
	cmd.Stdout, cmd.Stderr = &held.said, &held.said
	if c.log != "" {
		log, err := os.OpenFile(c.log, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		if err != nil {
			return nil, err
		}
		defer log.Close()
		cmd.Stdout, cmd.Stderr = log, log
	}
	cmd.WaitDelay = 5 * time.Second
	cmd.SysProcAttr = c.who.attributes()
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	var err error
	if held.leash, err = newLeash(held.pid()); err != nil {
		cmd.Process.Kill()
		cmd.Wait()
		return nil, err
	}
	return held, nil
}
