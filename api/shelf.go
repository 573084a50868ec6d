package api

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"alike/internal/curve"

	"github.com/labstack/echo/v4"
)

// A shelf keeps files that a browser sent while a person looks at how they were read.
// It is memory: a restart empties it, and people are told to choose the files again.
type shelf struct {
	mu   sync.Mutex
	lots map[string]*bundle
}

type bundle struct {
	files []curve.File
	size  int
	until time.Time
}

// A shelf holds at most shelfBytes, each bundle for shelfTime after it was last used.
const (
	shelfBytes = 256 << 20
	shelfTime  = 30 * time.Minute
)

func newShelf() *shelf { return &shelf{lots: map[string]*bundle{}} }

// put keeps files and returns the word to ask for them with.
func (s *shelf) put(files []curve.File, now time.Time) string {
	b := &bundle{files: files, until: now.Add(shelfTime)}
	for _, f := range files {
		b.size += len(f.Data)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	total := b.size
	for id, o := range s.lots {
		if now.After(o.until) {
			delete(s.lots, id)
		} else {
			total += o.size
		}
	}
	for total > shelfBytes && len(s.lots) > 0 { // the one that is nearest to its end
		oldest := ""
		for id, o := range s.lots {
			if oldest == "" || o.until.Before(s.lots[oldest].until) {
				oldest = id
			}
		}
		total -= s.lots[oldest].size
		delete(s.lots, oldest)
	}
	id := rand.Text()
	s.lots[id] = b
	return id
}

// get returns what was put under a word, nil when it is gone.
func (s *shelf) get(id string, now time.Time) []curve.File {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.lots[id]
	if b == nil || now.After(b.until) {
		return nil
	}
	b.until = now.Add(shelfTime)
	return b.files
}

func (s *shelf) drop(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.lots, id)
}

// sentFiles returns the files of a form, or those it names on the shelf. id is where
// they lie now.
func (s *server) sentFiles(c echo.Context, field string) (files []curve.File, id string, err error) {
	form, err := c.MultipartForm()
	if err != nil && err != http.ErrNotMultipart {
		return nil, "", unreadableForm(err)
	}
	if form != nil {
		defer form.RemoveAll()
		for _, h := range form.File[field] {
			if h.Filename == "" && h.Size == 0 { // a form without a chosen file
				continue
			}
			f, err := readSent(h)
			if err != nil {
				return nil, "", err
			}
			files = append(files, f)
		}
	}
	if len(files) > 0 {
		return files, s.shelf.put(files, time.Now()), nil
	}
	if id = c.FormValue("held"); id != "" {
		if files = s.shelf.get(id, time.Now()); files == nil {
			return nil, "", newProblem(http.StatusGone, "the files that you chose are no longer kept here", "choose them again")
		}
	}
	return files, id, nil
}

// unreadableForm words an error of reading a form.
func unreadableForm(err error) error {
	var large *echo.HTTPError
	if errors.As(err, &large) {
		return large
	}
	return newProblem(http.StatusBadRequest, "the form cannot be read", "send it from the page")
}

func readSent(h *multipart.FileHeader) (curve.File, error) {
	if h.Size > curve.MaxBytes {
		return curve.File{}, newProblem(http.StatusRequestEntityTooLarge, fmt.Sprintf("%s is larger than %d MB", h.Filename, curve.MaxBytes>>20), "export the response with fewer points")
	}
	f, err := h.Open()
	if err != nil {
		return curve.File{}, err
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	// What stands before the name is the sender's own folder.
	name := path.Base(strings.ReplaceAll(h.Filename, "\\", "/"))
	return curve.File{Name: name, Data: data}, err
}
