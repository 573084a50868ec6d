package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// folders lists all that a throwaway cluster leaves.
func (p place) folders() []string {
	if p.base == p.dir {
		return []string{p.dir}
	}
	return []string{p.dir, p.base}
}

// foldersOf is folders for a data folder of which we know the path only.
func foldersOf(dir, state string) []string {
	p := place{dir: dir, base: dir}
	if base, err := readPointer(dir, state); err == nil && base != "" {
		p.base = base
	}
	return p.folders()
}

func removeAll(paths []string) error {
	var errs []error
	for _, path := range paths {
		errs = append(errs, os.RemoveAll(path))
	}
	return errors.Join(errs...)
}

// Discard removes the data folder of a throwaway cluster after its program and
// its leash were killed, and stops what still runs there. The error is a
// *[InUseError] while the program lives. Folders of other accounts are refused.
func Discard(ctx context.Context, dir string) error {
	if !isOurs(dir) {
		return fmt.Errorf("%s is no folder of ours: leaving it alone", dir)
	}
	dir, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return err
	}
	lock, err := takeLock(dir, programName(os.Args))
	if err != nil {
		return err
	}
	folders := foldersOf(dir, stateRoot)
	for _, base := range folders {
		data := filepath.Join(base, "postgres")
		who, err := accountFor(data)
		if err == nil {
			err = stopOrphans(ctx, data, who, Binaries{}, func(string) {})
		}
		if err != nil {
			return errors.Join(err, lock.release())
		}
	}
	return errors.Join(removeAll(folders), lock.release())
}
