package station

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"alike/internal/curve"
)

// reasonEnding is the end of the name of a text that says why the file beside it was
// refused. Such texts are no takes, also when they are put back with the file.
const reasonEnding = ".reason.txt"

func sourceText(file string, line int) string {
	if line > 0 {
		return fmt.Sprintf("%s, line %d", file, line)
	}
	return file
}

func reasonText(file string, line int, field, reason, remedy string) string {
	r := curve.Refusal{File: file, Line: line, Field: field, Reason: reason, Remedy: remedy}
	return strings.TrimSuffix(r.Error(), "; ")
}

// plain drops the path from a file error.
func plain(err error) error {
	if p := (*fs.PathError)(nil); errors.As(err, &p) {
		return p.Err
	}
	return err
}

// putAway moves a file that is dealt with to done or refused. It may be called again
// after it failed or the station was killed in it.
func (s *station) putAway(e entry, stored int) error {
	if len(e.Refused) == 0 {
		return s.move(e.origin, doneFolder, nil)
	}
	text := fmt.Sprintf("refused %s: %s\n\n%s\n\n", time.Now().Format("2006-01-02 15:04:05 -07:00"), e.Source, strings.Join(e.Refused, "\n"))
	if stored > 0 {
		text += fmt.Sprintf("%d other takes of the file are stored; sent again they change nothing.\n", stored)
	}
	text += "To try again put the file, set right, back into the watched folder.\n"
	if err := s.move(e.origin, refusedFolder, []byte(text)); err != nil {
		return err
	}
	if here, err := s.moved(e.origin, refusedFolder); err != nil || here || len(e.Requests) == 0 {
		return err
	}
	// The file is not what was sent any more: what was sent is kept from the spool.
	kept, err := json.MarshalIndent(e, "", "  ")
	if err != nil {
		return err
	}
	name := s.free(path.Join(refusedFolder, e.Source+".sent.json"))
	if err := writeDurably(s.full(name), kept); err != nil {
		return err
	}
	return writeDurably(s.full(name+reasonEnding), []byte(text))
}

func (s *station) full(name string) string { return filepath.Join(s.Dir, filepath.FromSlash(name)) }

// move moves a file into a folder of ours under its own path, unless it changed since
// it was read. The reason is written first, so that no refused file is without one.
func (s *station) move(o origin, folder string, reason []byte) error {
	info, err := os.Lstat(s.full(o.Source))
	if errors.Is(err, os.ErrNotExist) || err == nil && !markOf(info).same(o.mark) {
		return nil
	} else if err != nil {
		return err
	}
	to := s.free(path.Join(folder, o.Source))
	if err := os.MkdirAll(filepath.Dir(s.full(to)), 0o755); err != nil {
		return err
	}
	if reason != nil {
		if err := writeDurably(s.full(to+reasonEnding), reason); err != nil {
			return err
		}
	}
	if err := os.Rename(s.full(o.Source), s.full(to)); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(s.full(to)))
}

// moved reports whether a folder of ours holds the file as it was read.
func (s *station) moved(o origin, folder string) (bool, error) {
	for n := 1; ; n++ {
		info, err := os.Lstat(s.full(numbered(path.Join(folder, o.Source), n)))
		switch {
		case errors.Is(err, os.ErrNotExist):
			return false, nil
		case err != nil:
			return false, err
		case markOf(info).same(o.mark):
			return true, nil
		}
	}
}

// free returns the name, or with a number the first that no file has: nothing is
// overwritten. Only one station works in a folder, so that it stays free.
func (s *station) free(name string) string {
	for n := 1; ; n++ {
		if _, err := os.Lstat(s.full(numbered(name, n))); errors.Is(err, os.ErrNotExist) {
			return numbered(name, n)
		}
	}
}

// longestName leaves room in the 255 bytes of most file systems for a number and the
// ending of a reason.
const longestName = 220

func numbered(name string, n int) string {
	folder, base := path.Split(name)
	ending := path.Ext(base)
	stem := strings.TrimSuffix(base, ending)
	if len(base) > longestName && len(ending) < longestName/2 {
		cut := longestName - len(ending)
		for cut > 0 && !utf8.RuneStart(stem[cut]) {
			cut--
		}
		stem = stem[:cut]
	}
	if n > 1 {
		stem = fmt.Sprintf("%s-%d", stem, n)
	}
	return folder + stem + ending
}

// damaged puts away an entry of the spool that cannot be read. Its source is still in
// the folder, unless the disk lost it.
func (s *station) damaged(file string, why error) error {
	to := s.free(path.Join(refusedFolder, "spool-"+filepath.Base(file)))
	if err := os.MkdirAll(filepath.Dir(s.full(to)), 0o755); err != nil {
		return err
	}
	text := fmt.Sprintf("%s: an entry of the station's spool is damaged: %v.\nIts file, if it is still in the folder, is read again.\n", file, why)
	if err := writeDurably(s.full(to+reasonEnding), []byte(text)); err != nil {
		return err
	}
	s.say(strings.ReplaceAll(strings.TrimSpace(text), "\n", " "))
	return os.Rename(file, s.full(to))
}

// say notes something about a file, whose name may hold signs that would move the
// terminal's cursor.
func (s *station) say(text string) {
	s.Note(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '\uFFFD'
	}, text))
}

// grew reports whether a file is no longer what was read but begins with it: then the
// reading came too early. A file that was replaced did not grow.
func (s *station) grew(o origin) bool {
	f, err := os.OpenInRoot(s.Dir, o.Source)
	if err != nil {
		return false
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || info.Size() <= o.Size {
		return false
	}
	h := sha256.New()
	_, err = io.CopyN(h, f, o.Size)
	return err == nil && fmt.Sprintf("%x", h.Sum(nil)) == o.Content
}
