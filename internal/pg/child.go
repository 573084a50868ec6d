package pg

import (
	"bytes"
	"os/exec"
)

// command is a program to be started under an account, held by a leash.
type command struct {
	who     account
	env     []string
	program string
	args    []string
	log     string   // its output is appended there; if empty, kept in child.said
	group   bool     // should we die: kill its process group, do not stop it gently
	remove  []string // should we die: remove these after it has ended (Unix only)
}

// child is a started command. It ends when we die.
type child struct {
	cmd   *exec.Cmd
	leash *leash
	said  bytes.Buffer // to be read after wait
}

func (c *child) pid() int { return c.cmd.Process.Pid }

// wait returns when the process has ended; call it once.
func (c *child) wait() error {
	err := c.cmd.Wait()
	c.leash.gone()
	return err
}

// level is how urgently a server is asked to end.
type level int

const (
	fast      level = iota // end transactions, write everything out
	immediate              // as in a crash: the log is replayed at the next start
	kill
)
