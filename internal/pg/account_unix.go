//go:build unix

package pg

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

func isRoot() bool { return os.Geteuid() == 0 }

// accountFor chooses the account of the cluster in the folder data, which need
// not exist yet.
func accountFor(data string) (account, error) {
	me, err := accountOf(os.Geteuid())
	if err != nil {
		return account{}, err
	}
	me.self = me.name
	if isRoot() {
		other, err := accountForRoot(data)
		other.self, other.drop = me.name, true
		return other, err
	}
	owner, exists, err := ownerOf(data)
	if err == nil && exists && owner != me.uid {
		err = fmt.Errorf("the cluster in %s belongs to the account with number %d: run this program as that account or as root", data, owner)
	}
	return me, err
}

// accountForRoot prefers the owner of the cluster, then the owner of the folder
// around it, so that what root begins the owner can go on with.
func accountForRoot(data string) (account, error) {
	owner, exists, err := ownerOf(filepath.Join(data, "PG_VERSION"))
	switch {
	case err != nil:
		return account{}, err
	case exists && owner == 0:
		return account{}, fmt.Errorf("the cluster in %s belongs to root, as whom PostgreSQL does not run: give it to another account with `chown -R postgres %s`", data, data)
	case exists:
		return accountOf(owner)
	}
	if owner, exists, err = ownerOf(filepath.Dir(data)); err == nil && exists && owner != 0 {
		if a, err := accountOf(owner); err == nil {
			return a, nil
		}
	}
	return serviceAccount()
}

// serviceAccount is whom root starts the server as, see the package comment.
func serviceAccount() (account, error) {
	for _, name := range []string{"postgres", "_postgres", "alike", "nobody"} {
		if u, err := user.Lookup(name); err == nil && u.Uid != "0" {
			return fromUser(u)
		}
	}
	return account{}, errors.New("PostgreSQL does not run as root, and the system knows none of the accounts postgres, _postgres, alike, nobody: create one with `useradd --system postgres`, or start this program as an ordinary user")
}

func accountOf(uid int) (account, error) {
	u, err := user.LookupId(strconv.Itoa(uid))
	if err != nil {
		return account{}, fmt.Errorf("the account with number %d has no name on this system, which PostgreSQL needs: add it to /etc/passwd (%w)", uid, err)
	}
	return fromUser(u)
}

func fromUser(u *user.User) (account, error) {
	uid, err1 := strconv.Atoi(u.Uid)
	gid, err2 := strconv.Atoi(u.Gid)
	return account{name: u.Username, uid: uid, gid: gid}, errors.Join(err1, err2)
}

// ownerOf returns the number of the account that owns the path, if it exists.
func ownerOf(path string) (uid int, exists bool, err error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	return int(info.Sys().(*syscall.Stat_t).Uid), true, nil
}

// isOurs tells whether the path is a real folder owned by the account we run as.
func isOurs(path string) bool {
	info, err := os.Lstat(path)
	if err != nil || !info.IsDir() {
		return false
	}
	return int(info.Sys().(*syscall.Stat_t).Uid) == os.Geteuid()
}

// attributes makes a process start in its own process group, under the account.
// The group keeps Ctrl-C in the terminal from the server: only this program
// shall stop it, after its last transaction.
func (a account) attributes() *syscall.SysProcAttr {
	attr := ownGroup()
	if a.drop {
		attr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return attr
}

func ownGroup() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }

// reaches tells whether the account may enter the folder. It tries, instead of
// reading modes, so that access lists and security modules count as well.
func (a account) reaches(dir string) bool {
	if !a.drop {
		return true
	}
	cmd := exec.Command("/bin/sh", "-c", ":")
	cmd.Dir = dir
	cmd.SysProcAttr = a.attributes()
	return cmd.Run() == nil
}

// give hands a file or folder we created to the account.
func (a account) give(path string) error {
	if !a.drop {
		return nil
	}
	return os.Lchown(path, a.uid, a.gid)
}

// giveToOwnerOf hands a file that root made in dir to the owner of dir, who may
// want to run this program without being root later.
func giveToOwnerOf(dir, path string) error {
	if !isRoot() {
		return nil
	}
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	st := info.Sys().(*syscall.Stat_t)
	return os.Lchown(path, int(st.Uid), int(st.Gid))
}

// open opens a file in a folder which another account may have filled: links
// are not followed.
func open(path string, flag int) (*os.File, error) {
	return os.OpenFile(path, flag|syscall.O_NOFOLLOW, 0o600)
}

func syncDir(path string) error {
	d, err := os.Open(filepath.Clean(path))
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
