package pg

import (
	"os"
	"os/user"
	"syscall"
)

// On Windows the server runs as the user who starts this program; it refuses to
// run for an administrator in an elevated session and says so itself.

func isRoot() bool { return false }

func accountFor(string) (account, error) {
	u, err := user.Current()
	if err != nil {
		return account{}, err
	}
	return account{name: u.Username, self: u.Username}, nil
}

func isOurs(path string) bool {
	info, err := os.Lstat(path)
	return err == nil && info.IsDir()
}

func (a account) attributes() *syscall.SysProcAttr { return ownGroup() }

func ownGroup() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{CreationFlags: syscall.CREATE_NEW_PROCESS_GROUP}
}

func (a account) reaches(string) bool { return true }

func (a account) give(string) error { return nil }

func giveToOwnerOf(string, string) error { return nil }

func open(path string, flag int) (*os.File, error) { return os.OpenFile(path, flag, 0o600) }

// Folders cannot be flushed on Windows; its file systems log renames.
func syncDir(string) error { return nil }
