package station

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
	"time"
	"unicode/utf8"

	"alike/internal/curve"
)

// errMoving means that a file changed or vanished while it was read.
var errMoving = errors.New("the file is still being written")

// A faultyManifest keeps the files waiting that it should speak for.
type faultyManifest struct{ why error }

func (f faultyManifest) Error() string { return f.why.Error() }

// readFile reads one file of the folder in the state in which it was seen. Refusals
// beside takes are rows of a wide CSV. The error is errMoving, a faultyManifest or a
// fault of the disk.
func (s *station) readFile(name string, seen mark, manifests *manifests) (e entry, takes []curve.Take, refused []*curve.Refusal, content []byte, err error) {
	e = entry{origin: origin{Source: name, mark: seen}}
	if r := refuseName(name, seen); r != nil {
		return e, nil, []*curve.Refusal{r}, nil, nil
	}
	id, listed, err := manifests.find(name)
	if err != nil {
		return e, nil, nil, nil, err
	}
	data, err := s.steady(name, seen)
	if err != nil {
		return e, nil, nil, nil, err
	}
	e.Content = fmt.Sprintf("%x", sha256.Sum256(data))
	if !listed && curve.IsWide(name, data) {
		takes, refused = curve.ReadWide(name, data, s.Zone)
	} else {
		takes, refused = s.readText(name, data, id, listed)
	}
	for i := range takes {
		fill(&takes[i].Identity, s.Defaults, seen.ModTime)
	}
	return e, takes, refused, data, nil
}

// refuseName refuses what cannot be a take by its name or size alone.
func refuseName(name string, seen mark) *curve.Refusal {
	r := &curve.Refusal{File: name, Field: curve.WholeFile}
	switch {
	case !utf8.ValidString(name):
		r.Reason, r.Remedy = "has a name that is not in UTF-8", "rename the file"
	case !curve.IsText(name):
		r.Reason, r.Remedy = "has not the ending of a text file", "export takes as text with the ending .txt or .csv"
	case seen.Size > curve.MaxBytes:
		r.Reason, r.Remedy = fmt.Sprintf("is larger than %d MiB", curve.MaxBytes>>20), "export fewer points, or fewer takes to a file"
	default:
		return nil
	}
	return r
}

func (s *station) readText(name string, data []byte, id curve.Identity, listed bool) ([]curve.Take, []*curve.Refusal) {
	refuse := func(err error) ([]curve.Take, []*curve.Refusal) {
		var r *curve.Refusal
		if !errors.As(err, &r) {
			r = &curve.Refusal{File: name, Field: curve.WholeFile, Reason: err.Error(), Remedy: "export it again"}
		}
		return nil, []*curve.Refusal{r}
	}
	var err error
	if !listed {
		if id, err = s.Pattern.In(s.Zone).Match(name); err != nil {
			return refuse(err)
		}
	}
	if id.Channel == "" {
		id.Channel = s.Defaults.Channel
	}
	if id, err = id.Normal(); err != nil {
		var f *curve.FieldError
		if errors.As(err, &f) {
			return refuse(&curve.Refusal{File: name, Field: f.Field, Reason: f.Reason, Remedy: f.Remedy})
		}
		return refuse(err)
	}
	c, notes, err := curve.ReadText(name, data)
	if err != nil {
		return refuse(err)
	}
	return []curve.Take{{Identity: id, Curve: c, Notes: notes}}, nil
}

// fill completes an identity. The time of measurement is at the latest that of the
// file: without it a take that waited in the spool would seem measured when it was
// sent.
func fill(id *curve.Identity, d curve.Identity, changed time.Time) {
	for _, p := range []struct {
		to   *string
		from string
	}{{&id.Product, d.Product}, {&id.Lot, d.Lot}, {&id.Station, d.Station}, {&id.Operator, d.Operator}, {&id.Reason, d.Reason}} {
		if *p.to == "" {
			*p.to = p.from
		}
	}
	if id.Attempt == 0 {
		id.Attempt = d.Attempt
	}
	if id.MeasuredAt.IsZero() {
		id.MeasuredAt = changed
	}
}

// steady reads a file that must be in the state in which it was seen, before and
// after.
func (s *station) steady(name string, seen mark) ([]byte, error) {
	f, err := os.OpenInRoot(s.Dir, name)
	if err != nil {
		return nil, errMoving
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() || !markOf(info).same(seen) {
		return nil, errMoving
	}
	data, err := io.ReadAll(io.LimitReader(f, curve.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	after, err := os.Lstat(s.full(name))
	if err != nil || !markOf(after).same(seen) || int64(len(data)) != seen.Size {
		return nil, errMoving
	}
	return data, nil
}

// manifests are those of one look at the folder, read when first asked for.
type manifests struct {
	s     *station
	names map[string]string // folder → its manifest
	read  map[string]manifestList
}

type manifestList struct {
	rows map[string]curve.Identity // by file, below the watched folder
	err  error
}

// find returns the identity that a manifest gives to a file. It is the topmost
// manifest above the file that counts, as everywhere in this program.
func (m *manifests) find(name string) (curve.Identity, bool, error) {
	folder, manifest := ".", ""
	for _, part := range append(strings.Split(path.Dir(name), "/"), "") {
		if manifest = m.names[folder]; manifest != "" {
			break
		}
		folder = path.Join(folder, part)
	}
	if manifest == "" {
		return curve.Identity{}, false, nil
	}
	list, ok := m.read[manifest]
	if !ok {
		list = m.s.readManifest(manifest)
		m.read[manifest] = list
	}
	if list.err != nil {
		return curve.Identity{}, false, faultyManifest{list.err}
	}
	id, ok := list.rows[name]
	if !ok {
		return curve.Identity{}, false, &curve.Refusal{File: name, Field: curve.WholeFile, Reason: "is not in " + manifest,
			Remedy: "add a row for it to " + manifest + ", then put the file back"}
	}
	return id, true, nil
}

func (s *station) readManifest(name string) manifestList {
	info, err := os.Lstat(s.full(name))
	if err != nil {
		return manifestList{err: err}
	}
	data, err := s.steady(name, markOf(info))
	if err != nil {
		return manifestList{err: fmt.Errorf("%s: %w", name, err)}
	}
	m, err := curve.ReadManifest(name, data, s.Zone)
	if err != nil {
		return manifestList{err: err}
	}
	list := manifestList{rows: map[string]curve.Identity{}}
	for _, row := range m.Rows {
		list.rows[path.Join(path.Dir(name), row.File)] = row.Identity
	}
	return list
}
