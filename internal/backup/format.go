package backup

import (
	"archive/tar"
	"bufio"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"alike/internal/store"
)

// A Head says what a backup is.
type Head struct {
	Format  int           `json:"format"`
	Program string        `json:"program"` // version that made it
	Made    time.Time     `json:"made"`
	Schema  int64         `json:"schema"`
	Tables  []store.Table `json:"tables"`
}

// An End says what a backup holds.
type End struct {
	Tables    map[string]Tally   `json:"tables"`
	Sequences map[string]int64   `json:"sequences"`
	Journal   []store.JournalEnd `json:"journal"`
}

// Rows returns the number of rows of all tables.
func (e End) Rows() (n int64) {
	for _, t := range e.Tables {
		n += t.Rows
	}
	return n
}

const (
	format   = 1
	headName = "backup.json"
	endName  = "end.json"
	chunk    = 1 << 20
	mostJSON = 64 << 20
)

func chunkName(table string, n int) string { return fmt.Sprintf("tables/%s/%06d.copy", table, n) }

// A DamageError says why a file cannot be trusted.
type DamageError struct{ Reason string }

func (e *DamageError) Error() string {
	return "the backup is damaged: " + e.Reason + "; nothing was restored, use another copy"
}

func damage(format string, args ...any) error {
	return &DamageError{fmt.Sprintf(format, args...)}
}

// A writer writes the members of a backup.
type writer struct {
	gz    *gzip.Writer
	tar   *tar.Writer
	made  time.Time
	table string
	n     int
	rows  []byte
	tally Tally
}

func newWriter(w io.Writer, head Head) (*writer, error) {
	// The curves hardly shrink; the fastest level takes out what there is to gain.
	gz, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	out := &writer{gz: gz, tar: tar.NewWriter(gz), made: head.Made}
	return out, out.json(headName, head)
}

func (w *writer) member(name string, data []byte) error {
	h := &tar.Header{Name: name, Mode: 0o600, Size: int64(len(data)), ModTime: w.made, Format: tar.FormatPAX}
	if err := w.tar.WriteHeader(h); err != nil {
		return err
	}
	_, err := w.tar.Write(data)
	return err
}

func (w *writer) json(name string, v any) error {
	data, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		return err
	}
	return w.member(name, data)
}

// begin starts a table; its rows come by Write.
func (w *writer) begin(table string) { w.table, w.n, w.tally = table, 0, Tally{} }

// Write takes rows in pieces of any size.
func (w *writer) Write(p []byte) (int, error) {
	w.tally.add(p)
	w.rows = append(w.rows, p...)
	if len(w.rows) >= chunk && w.rows[len(w.rows)-1] == '\n' {
		return len(p), w.flush()
	}
	return len(p), nil
}

func (w *writer) flush() error {
	w.n++
	err := w.member(chunkName(w.table, w.n), w.rows)
	w.rows = w.rows[:0]
	return err
}

// finish ends a table.
func (w *writer) finish() (Tally, error) {
	if len(w.rows) > 0 {
		return w.tally, w.flush()
	}
	return w.tally, nil
}

func (w *writer) end(e End) error {
	if err := w.json(endName, e); err != nil {
		return err
	}
	return errors.Join(w.tar.Close(), w.gz.Close())
}

// A reader reads the members of a backup in their order.
type reader struct {
	Head
	gz    *gzip.Reader
	under *bufio.Reader
	tar   *tar.Reader
	next  *tar.Header // read already, nil at the end
	table string
	n     int
}

func newReader(r io.Reader) (*reader, error) {
	in := &reader{under: bufio.NewReaderSize(r, 1<<20)}
	var err error
	if in.gz, err = gzip.NewReader(in.under); err != nil {
		return nil, &DamageError{"this is no backup of alike"}
	}
	in.gz.Multistream(false)
	in.tar = tar.NewReader(in.gz)
	if err := in.advance(); err != nil || in.next == nil || in.next.Name != headName {
		return nil, &DamageError{"this is no backup of alike"}
	}
	if err := in.json(&in.Head); err != nil {
		return nil, err
	}
	if in.Format != format {
		return nil, fmt.Errorf("the backup has format %d, this program knows %d: use the newer program", in.Format, format)
	}
	return in, in.advance()
}

func (in *reader) advance() error {
	h, err := in.tar.Next()
	switch {
	case err == io.EOF:
		in.next = nil
		return nil
	case err != nil:
		return cut(err)
	case h.Typeflag != tar.TypeReg:
		return damage("member %q is no plain file", h.Name)
	}
	in.next = h
	return nil
}

func cut(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return damage("it ends too early")
	}
	if errors.Is(err, gzip.ErrChecksum) || errors.Is(err, gzip.ErrHeader) || errors.Is(err, tar.ErrHeader) {
		return damage("%v", err)
	}
	return &DamageError{err.Error()}
}

func (in *reader) json(v any) error {
	if in.next.Size > mostJSON {
		return damage("%s is %d bytes long", in.next.Name, in.next.Size)
	}
	data, err := io.ReadAll(in.tar)
	if err != nil {
		return cut(err)
	}
	if err := json.Unmarshal(data, v); err != nil {
		return damage("%s: %v", in.next.Name, err)
	}
	return nil
}

// open begins to read the rows of a table, which then come by Read.
func (in *reader) open(table string) { in.table, in.n = table, 0 }

func (in *reader) Read(p []byte) (int, error) {
	for {
		if in.n > 0 {
			n, err := in.tar.Read(p)
			if n > 0 {
				return n, nil
			}
			if err != io.EOF {
				return 0, cut(err)
			}
			if err := in.advance(); err != nil {
				return 0, err
			}
		}
		if in.next == nil || in.next.Name != chunkName(in.table, in.n+1) {
			return 0, io.EOF
		}
		in.n++
	}
}

// end reads the last member and makes sure that the file ends there.
func (in *reader) end() (e End, err error) {
	if in.next == nil {
		return e, damage("it ends too early")
	}
	if in.next.Name != endName {
		return e, damage("member %q is not in its place", in.next.Name)
	}
	if err := in.json(&e); err != nil {
		return e, err
	}
	if err := in.advance(); err != nil {
		return e, err
	}
	if in.next != nil {
		return e, damage("member %q stands behind the end", in.next.Name)
	}
	// Reading on to the end makes gzip check its sum.
	if n, err := io.Copy(io.Discard, in.gz); err != nil {
		return e, cut(err)
	} else if n > 0 {
		return e, damage("%d bytes stand behind the end", n)
	}
	if _, err := in.under.ReadByte(); err != io.EOF {
		return e, damage("something stands behind the end")
	}
	return e, nil
}
