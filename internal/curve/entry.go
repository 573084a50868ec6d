package curve

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// An Entry is a file that Plan found, not yet read.
type Entry struct {
	File     string // path for people: the one given, and what lies below it
	Identity        // known before reading; empty for a wide CSV
	Wide     bool   // a wide CSV, which holds many takes

	root, rel string // the file is opened below root, so that no link leads out
	src       source
}

// Takes reads the file. A text gives one take or one refusal, a wide CSV any
// number of both.
func (e Entry) Takes() ([]Take, []*Refusal) {
	data, r := e.read()
	if r != nil {
		return nil, []*Refusal{r}
	}
	if e.Wide {
		return readWide(e.File, data, e.src)
	}
	c, notes, r := readText(e.File, data)
	if r != nil {
		return nil, []*Refusal{r}
	}
	return []Take{{Identity: e.Identity, Curve: c, Source: Source{File: e.File}, Notes: notes}}, nil
}

// read returns the content of the file, unless it changes meanwhile.
func (e *Entry) read() ([]byte, *Refusal) {
	if r := e.findable(); r != nil {
		return nil, r
	}
	root, err := os.OpenRoot(e.root)
	if err != nil {
		return nil, e.unreadable(err)
	}
	defer root.Close()
	f, err := root.Open(e.rel)
	if err != nil {
		return nil, e.unreadable(err)
	}
	defer f.Close()
	data, r := readSteady(e.File, f)
	if r != nil {
		return nil, r
	}
	if after, err := root.Stat(e.rel); err != nil || changed(f, after) {
		return nil, stillWritten(e.File)
	}
	return data, nil
}

// findable refuses what is not there, is no ordinary file or lies outside the
// folder. Opening anything but an ordinary file could wait for ever.
func (e *Entry) findable() *Refusal {
	root, err := os.OpenRoot(e.root)
	if err != nil {
		return e.unreadable(err)
	}
	defer root.Close()
	info, err := root.Stat(e.rel)
	switch {
	case err != nil && os.IsNotExist(err):
		return refuse(e.File, 0, "", "is missing", "put the file there, or take it out of the list")
	case err != nil && leadsOut(e.root, e.rel):
		return refuse(e.File, 0, "", "leads out of the folder by a symbolic link", "put the file itself into the folder")
	case err != nil:
		return e.unreadable(err)
	case !info.Mode().IsRegular():
		return refuse(e.File, 0, "", "is no ordinary file", "give the file itself")
	}
	return nil
}

func (e *Entry) unreadable(err error) *Refusal {
	return refuse(e.File, 0, "", "cannot be read: "+plainError(err), "check the permissions")
}

// leadsOut reports whether a path below root ends outside it.
func leadsOut(root, rel string) bool {
	top, err := filepath.EvalSymlinks(root)
	if err != nil {
		return false
	}
	full, err := filepath.EvalSymlinks(filepath.Join(root, rel))
	if err != nil {
		return false
	}
	below, err := filepath.Rel(top, full)
	return err != nil || !filepath.IsLocal(below)
}

// readSteady reads an open file to its end, and refuses it when it is too large
// or when its size or time of change differ afterwards.
func readSteady(name string, f fs.File) ([]byte, *Refusal) {
	before, err := f.Stat()
	if err != nil {
		return nil, refuse(name, 0, "", "cannot be read: "+plainError(err), "check the permissions")
	}
	if before.Size() > MaxBytes {
		return nil, tooLarge(name, before.Size())
	}
	data, err := io.ReadAll(io.LimitReader(f, MaxBytes+1))
	if err != nil {
		return nil, refuse(name, 0, "", "cannot be read: "+plainError(err), "check the medium and the permissions")
	}
	if int64(len(data)) != before.Size() || changed(f, before) {
		return nil, stillWritten(name)
	}
	return data, nil
}

func changed(f fs.File, other fs.FileInfo) bool {
	now, err := f.Stat()
	return err != nil || now.Size() != other.Size() || !now.ModTime().Equal(other.ModTime())
}

func stillWritten(name string) *Refusal {
	return refuse(name, 0, "", "is still being written", "wait until the export is done, then read it again")
}

// headIsWide looks at the start of the file. A file that cannot be read is taken
// for a text; reading it gives the refusal.
func (e *Entry) headIsWide() bool {
	if e.findable() != nil {
		return false
	}
	root, err := os.OpenRoot(e.root)
	if err != nil {
		return false
	}
	defer root.Close()
	f, err := root.Open(e.rel)
	if err != nil {
		return false
	}
	defer f.Close()
	const look = 1 << 20 // a head of 20 000 frequencies fits
	data, err := io.ReadAll(io.LimitReader(f, look))
	if err != nil {
		return false
	}
	return isWideData(data)
}

func isWideData(data []byte) bool {
	text, _, r := decode("", data[:len(data)&^1])
	if r != nil {
		return false
	}
	for l := (lines{text: text}); l.next(); {
		if s := trimBlanks(l.line, true); s != "" && !strings.ContainsRune("#*;", rune(s[0])) {
			return isWideHead(l.line)
		}
	}
	return false
}
