package pg

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/gofrs/flock"
)

// InUseError says that another program holds the data folder.
type InUseError struct {
	Dir     string    `json:"-"`
	PID     int       `json:"pid"`     // of the other program; 0 if it has not said yet
	Program string    `json:"program"` // as in "alike serve"
	URL     string    `json:"url"`     // its database; empty while it starts. On Windows it contains the password.
	Since   time.Time `json:"since"`   // when it took the folder
}

func (e *InUseError) Error() string {
	who := "another program"
	if e.PID != 0 {
		who = fmt.Sprintf("%s (process %d, since %s)", e.Program, e.PID, e.Since.Format("2006-01-02 15:04"))
	}
	text := fmt.Sprintf("the data folder %s is in use by %s", e.Dir, who)
	if u, err := url.Parse(e.URL); err == nil && e.URL != "" {
		text += ", whose database is at " + u.Redacted()
	}
	return text + ": stop it first, or give another data folder"
}

// dirLock is the exclusive hold on a data folder, and on the folder of the
// cluster when that is another. The system releases it when we die.
type dirLock struct {
	dir   string
	locks []*flock.Flock
	owner InUseError
}

func ownerFile(dir string) string { return filepath.Join(dir, "postgres.owner") }

// takeLock locks dir for the program; the error is a *InUseError if another
// process, or another cluster of this process, has it.
func takeLock(dir, program string) (*dirLock, error) {
	l := &dirLock{dir: dir, owner: InUseError{PID: os.Getpid(), Program: program, Since: time.Now()}}
	if err := l.add(dir); err != nil {
		return nil, err
	}
	if err := l.announce(""); err != nil {
		l.release()
		return nil, err
	}
	return l, nil
}

// add locks one more folder, with the same hold.
func (l *dirLock) add(dir string) error {
	lock := flock.New(filepath.Join(dir, "postgres.lock"))
	ok, err := lock.TryLock()
	if err != nil {
		return fmt.Errorf("locking the data folder %s: %w", dir, err)
	}
	if !ok {
		return readOwner(dir)
	}
	l.locks = append(l.locks, lock)
	return giveToOwnerOf(dir, lock.Path())
}

// announce tells other programs who we are and where our database is.
func (l *dirLock) announce(url string) error {
	l.owner.URL = url
	text, err := json.Marshal(l.owner)
	if err != nil {
		return err
	}
	return writeFile(l.dir, ownerFile(l.dir), string(text)+"\n", 0o600)
}

// release removes the announcement and gives up the folder. The lock files stay:
// removing them would let a third program lock a new file beside a second one
// that already waits on the old.
func (l *dirLock) release() error {
	var errs []error
	if len(l.locks) > 0 {
		errs = append(errs, ignoreMissing(os.Remove(ownerFile(l.dir))))
	}
	for _, lock := range l.locks {
		errs = append(errs, lock.Unlock())
	}
	l.locks = nil
	return errors.Join(errs...)
}

// readOwner reads what the holder of the lock announced; what cannot be read
// stays empty.
func readOwner(dir string) *InUseError {
	e := &InUseError{}
	if text, err := os.ReadFile(ownerFile(dir)); err != nil || json.Unmarshal(text, e) != nil {
		e = &InUseError{}
	}
	e.Dir = dir
	return e
}

func ignoreMissing(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// programName is what the second program reads about the first: the command, but
// none of its options, which may hold secrets.
func programName(args []string) string {
	name := strings.TrimSuffix(filepath.Base(args[0]), ".exe")
	if len(args) > 1 && !strings.HasPrefix(args[1], "-") {
		name += " " + args[1]
	}
	return name
}
