package station

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// A mark tells one state of a file from the next.
type mark struct {
	Size    int64     `json:"size"`
	ModTime time.Time `json:"mod_time"`
}

func markOf(info os.FileInfo) mark { return mark{info.Size(), info.ModTime().UTC()} }

func (m mark) same(other mark) bool { return m.Size == other.Size && m.ModTime.Equal(other.ModTime) }

// An origin is the file that an entry was read from, as it was then.
type origin struct {
	Source string `json:"source"` // below the watched folder, with slashes; empty when only reports are sent
	mark
	Content string `json:"content"` // SHA-256 of the file, hexadecimal
}

// An entry is one file's takes on their way to the server.
type entry struct {
	origin
	Requests []json.RawMessage `json:"requests"`
	Refused  []string          `json:"refused"` // rows of the file that could not be read
	Reports  []json.RawMessage `json:"reports"` // the same for the server's quarantine
}

// An item is an entry's place in the spool.
type item struct {
	number int64
	origin
}

// A spool keeps entries on disk in the order in which they came.
type spool struct {
	dir   string
	write func(name string, data []byte) error // replaced in tests

	mu    sync.Mutex
	items []item
	last  int64
	more  chan struct{} // told when an entry was added
}

const spoolTag = "alike spool 1 "

// openSpool opens a spool folder and reads what an earlier run left. An entry that
// cannot be read is handed to damaged, which puts it away.
func openSpool(dir string, damaged func(path string, why error) error) (*spool, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("the spool cannot be made: %w", err)
	}
	s := &spool{dir: dir, write: writeDurably, more: make(chan struct{}, 1)}
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("the spool cannot be read: %w", err)
	}
	for _, f := range files {
		path := filepath.Join(dir, f.Name())
		number, err := strconv.ParseInt(strings.TrimSuffix(f.Name(), ".json"), 10, 64)
		if err != nil || !strings.HasSuffix(f.Name(), ".json") {
			// A temporary file of a killed run: its source is still in the folder.
			if err := os.Remove(path); err != nil {
				return nil, err
			}
			continue
		}
		s.last = max(s.last, number)
		e, err := s.load(number)
		if err == nil {
			s.items = append(s.items, item{number, e.origin})
		} else if err := damaged(path, err); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(s.items, func(a, b item) int { return int(a.number - b.number) })
	return s, nil
}

func (s *spool) path(number int64) string {
	return filepath.Join(s.dir, fmt.Sprintf("%010d.json", number))
}

// add stores an entry; when it returns nil the entry survives a power cut.
func (s *spool) add(e entry) error {
	body, err := json.Marshal(e)
	if err != nil {
		return err
	}
	head := fmt.Sprintf("%s%x\n", spoolTag, sha256.Sum256(body))
	s.mu.Lock()
	defer s.mu.Unlock()
	number := s.last + 1
	if err := s.write(s.path(number), append([]byte(head), body...)); err != nil {
		return err
	}
	s.last = number
	s.items = append(s.items, item{number, e.origin})
	s.tell()
	return nil
}

// tell wakes who waits for entries.
func (s *spool) tell() {
	select {
	case s.more <- struct{}{}:
	default:
	}
}

// load reads an entry back, whole or not at all.
func (s *spool) load(number int64) (entry, error) {
	data, err := os.ReadFile(s.path(number))
	if err != nil {
		return entry{}, err
	}
	head, body, _ := bytes.Cut(data, []byte("\n"))
	if string(head) != fmt.Sprintf("%s%x", spoolTag, sha256.Sum256(body)) {
		return entry{}, errors.New("the content does not match its checksum")
	}
	var e entry
	if err := json.Unmarshal(body, &e); err != nil {
		return entry{}, err
	}
	return e, nil
}

// head returns the oldest entry's place.
func (s *spool) head() (item, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.items) == 0 {
		return item{}, false
	}
	return s.items[0], true
}

// remove drops an entry that is dealt with.
func (s *spool) remove(it item) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := os.Remove(s.path(it.number)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	s.forget(it)
	return nil
}

func (s *spool) forget(it item) {
	s.items = slices.DeleteFunc(s.items, func(other item) bool { return other.number == it.number })
}

// postpone puts an entry behind all others.
func (s *spool) postpone(it item) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := os.Rename(s.path(it.number), s.path(s.last+1)); err != nil {
		return err
	}
	s.last++
	s.forget(it)
	it.number = s.last
	s.items = append(s.items, it)
	return nil
}

// sources returns the states of files that are in the spool.
func (s *spool) sources() map[string][]mark {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string][]mark{}
	for _, it := range s.items {
		out[it.Source] = append(out[it.Source], it.mark)
	}
	return out
}

func (s *spool) len() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.items)
}

// writeDurably writes a file so that it is there whole or not at all, also after a
// power cut.
func writeDurably(name string, data []byte) (err error) {
	part := name + ".tmp"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(part)
		}
	}()
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	if err = os.Rename(part, name); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(name))
}

// syncFolder makes a rename durable. Windows needs no such thing and has none.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
