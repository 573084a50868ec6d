package pg

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// pointerName is the file in the data folder which says where the cluster is,
// when it is elsewhere.
const pointerName = "postgres.at"

// place says where things are.
type place struct {
	dir  string // the data folder: absolute, links resolved
	base string // the folder that holds the cluster; dir unless root had to move it
	who  account
}

func (p place) data() string { return filepath.Join(p.base, "postgres") }

func (p place) file(name string) string { return filepath.Join(p.base, "postgres."+name) }

// makeDir creates the data folder if need be and returns its real path.
func makeDir(dir string) (string, error) {
	if dir == "" {
		return "", errors.New("no data folder given for the database")
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	mode := fs.FileMode(0o700)
	if isRoot() {
		mode = 0o711 // the server's account has to pass through, not to list
	}
	if err := makeWithMode(dir, mode); err != nil {
		return "", fmt.Errorf("creating the data folder: %w", err)
	}
	return filepath.EvalSymlinks(dir)
}

// makeWithMode creates a folder and those above. If it was not there it gets the
// mode, whatever the umask: a service may run with one that shuts out the
// server's account.
func makeWithMode(dir string, mode fs.FileMode) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, mode); err != nil {
		return err
	}
	return os.Chmod(dir, mode)
}

// locate finds or chooses the place of the cluster for the data folder dir.
// Clusters that must move go below the folder state.
func locate(dir, state string, log func(string)) (place, error) {
	p := place{dir: dir, base: dir}
	base, err := readPointer(dir, state)
	if err != nil {
		return p, err
	}
	if base != "" {
		p.base = base
	}
	if p.who, err = accountFor(p.data()); err != nil {
		return p, err
	}
	if p.who.reaches(p.base) {
		return p, nil
	}
	if _, err := os.Lstat(p.data()); err == nil || base != "" {
		return p, fmt.Errorf("the account %s, under which the database runs, cannot reach %s: allow it with `chmod o+x` on that folder and those above", p.who.name, p.base)
	}
	p.base, err = moveBase(dir, state, log)
	if err == nil && !p.who.reaches(p.base) {
		err = fmt.Errorf("the account %s, under which the database runs, can reach neither %s nor %s: allow it with `chmod o+x` on one of them and the folders above", p.who.name, dir, p.base)
	}
	return p, err
}

// readPointer returns where an earlier run put the cluster, or "". Only folders
// directly below state count: root must not be led elsewhere by a file that the
// owner of the data folder can write.
func readPointer(dir, state string) (string, error) {
	name := filepath.Join(dir, pointerName)
	text, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	base := strings.TrimSpace(string(text))
	if filepath.Dir(base) != filepath.Clean(state) || base != filepath.Clean(base) {
		return "", fmt.Errorf("%s names %q, which is no folder directly below %s: put back the path of the cluster, or remove the file to begin with an empty database", name, base, state)
	}
	if _, err := os.Stat(base); err != nil {
		return "", fmt.Errorf("%s says that the database is in %s, but that folder is gone: restore it from a backup, or remove the file to begin with an empty database", name, base)
	}
	return base, nil
}

// moveBase makes a new folder below state for the cluster of dir and writes it
// down in dir. A folder already there belonged to a data folder of the same path
// which somebody removed to begin anew; it is left alone.
func moveBase(dir, state string, log func(string)) (string, error) {
	if err := makeWithMode(state, 0o755); err != nil {
		return "", err
	}
	sum := sha256.Sum256([]byte(dir))
	first := filepath.Join(state, hex.EncodeToString(sum[:8]))
	base := first
	for n := 2; ; n++ {
		err := os.Mkdir(base, 0o711)
		if err == nil {
			break
		}
		if !errors.Is(err, fs.ErrExist) {
			return "", err
		}
		log("leaving alone the older cluster in " + base)
		base = first + "-" + strconv.Itoa(n)
	}
	log(fmt.Sprintf("the account of the database cannot reach %s, so the database goes to %s", dir, base))
	if err := os.Chmod(base, 0o711); err != nil {
		return "", err
	}
	note := "database of the data folder " + dir + "\n"
	err := writeFile(base, filepath.Join(base, "origin"), note, 0o644)
	return base, errors.Join(err, writeFile(dir, filepath.Join(dir, pointerName), base+"\n", 0o644))
}

// writeFile replaces a file of ours in the folder in one step, so that a reader
// never sees half of it and a link in its place is not followed.
func writeFile(folder, name, text string, mode fs.FileMode) error {
	tmp, err := os.CreateTemp(folder, ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.WriteString(text)
	err = errors.Join(err, tmp.Chmod(mode), tmp.Close(), giveToOwnerOf(folder, tmp.Name()))
	if err != nil {
		return err
	}
	return os.Rename(tmp.Name(), name)
}
