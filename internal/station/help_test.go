package station

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/internal/curve"
)

// A fakeServer answers as the server does: it knows a take by its curve and where it
// belongs, and refuses another curve for the same place. That the real one answers so
// is tested in cmd/alike.
type fakeServer struct {
	*httptest.Server
	mu     sync.Mutex
	stored map[string]string // place → curve
	order  []string
	kept   []wireRefusal
	tries  int
	before func(w http.ResponseWriter, r *http.Request, try int) bool // true when it answered
	after  func(try int)
}

func newServer(t *testing.T) *fakeServer {
	f := &fakeServer{stored: map[string]string{}}
	f.Server = httptest.NewServer(f)
	t.Cleanup(f.Close)
	return f
}

func (f *fakeServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tries++
	if f.before != nil && f.before(w, r, f.tries) {
		return
	}
	if r.URL.Path == "/api/v1/refusals" {
		var k wireRefusal
		if err := json.NewDecoder(r.Body).Decode(&k); err == nil {
			f.kept = append(f.kept, k)
		}
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusCreated)
		fmt.Fprint(w, `{"status":"quarantined"}`)
		return
	}
	var body wireRequest
	if err := json.NewDecoder(r.Body).Decode(&body); err != nil || r.URL.Path != "/api/v1/takes" {
		w.WriteHeader(http.StatusTeapot)
		return
	}
	status, kind := http.StatusOK, "application/json"
	var out []map[string]any
	for _, k := range body.Takes {
		place, content := fmt.Sprint(k.Serial, " ", k.Channel, " ", k.Seating), fmt.Sprint(k.Frequencies, k.Levels)
		res := map[string]any{"serial": k.Serial, "channel": k.Channel, "seating": k.Seating, "status": "known"}
		switch had, ok := f.stored[place]; {
		case !ok:
			f.stored[place], res["status"] = content, "stored"
			f.order = append(f.order, place)
			status = max(status, http.StatusCreated)
		case had != content:
			res["status"], res["problem"] = "refused", map[string]any{"detail": "another curve is there", "field": "attempt", "remedy": "give attempt 2"}
			status, kind = http.StatusConflict, "application/problem+json"
		}
		out = append(out, res)
	}
	if f.after != nil {
		f.after(f.tries)
	}
	w.Header().Set("Content-Type", kind)
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{"takes": out, "detail": "another curve is there", "field": "attempt"})
}

func (f *fakeServer) places() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.order)
}

func (f *fakeServer) curve(place string) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.stored[place]
}

// refusals are those told, the last of each file.
func (f *fakeServer) refusals() map[string]wireRefusal {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := map[string]wireRefusal{}
	for i, k := range f.kept {
		if _, double := out[k.Source]; double {
			out[fmt.Sprint(k.Source, " before ", i)] = out[k.Source]
		}
		out[k.Source] = k
	}
	return out
}

func (f *fakeServer) requests() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.tries
}

// A bench is a station under test with a folder of its own.
type bench struct {
	t      *testing.T
	dir    string
	o      Options
	cancel context.CancelFunc
	ended  chan error
	mu     sync.Mutex
	state  State
	notes  []string
}

func newBench(t *testing.T, server string) *bench {
	t.Helper()
	pattern, err := curve.ParsePattern("{serial}_{channel}_{seating}.txt")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, dir: t.TempDir()}
	b.o = Options{
		Dir: b.dir, Server: server, Pattern: pattern, Zone: time.UTC, Defaults: curve.Identity{Lot: "L1", Station: "rig 1"},
		Settle: 20 * time.Millisecond, Patience: time.Hour, Poll: 5 * time.Millisecond, RetryMin: time.Millisecond, RetryMax: 5 * time.Millisecond,
		Timeout: 10 * time.Second,
	}
	b.o.Show = func(s State) { b.mu.Lock(); b.state = s; b.mu.Unlock() }
	b.o.Note = func(n string) { b.mu.Lock(); b.notes = append(b.notes, n); b.mu.Unlock() }
	return b
}

func (b *bench) start() {
	b.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel, b.ended = cancel, make(chan error, 1)
	go func() {
		_, err := Run(ctx, b.o)
		b.ended <- err
	}()
	b.t.Cleanup(b.stop)
}

func (b *bench) stop() {
	if b.cancel == nil {
		return
	}
	b.cancel()
	if err := <-b.ended; err != nil {
		b.t.Error(err)
	}
	b.cancel = nil
}

func (b *bench) now() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.state
}

func (b *bench) said() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.notes)
}

// until waits for a condition, with a deadline.
func (b *bench) until(what string, ok func() bool) {
	b.t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.t.Fatalf("not within 20 s: %s\nstate: %v\nnotes: %q\nfiles: %q", what, b.state, b.notes, b.files())
		}
	}
}

// files lists what lies in the folder, without the station's own.
func (b *bench) files() []string {
	var out []string
	_ = filepath.WalkDir(b.dir, func(name string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && d.Name() == ownFolder {
			return fs.SkipDir
		}
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(b.dir, name)
			out = append(out, filepath.ToSlash(rel))
		}
		return nil
	})
	return out
}

func (b *bench) has(want ...string) func() bool {
	slices.Sort(want)
	return func() bool { return slices.Equal(b.files(), want) }
}

// put writes a file in one piece.
func (b *bench) put(name, text string) {
	b.t.Helper()
	full := filepath.Join(b.dir, name)
	if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(full+".tmp", []byte(text), 0o644); err != nil {
		b.t.Fatal(err)
	}
	if err := os.Rename(full+".tmp", full); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) read(name string) string {
	b.t.Helper()
	text, err := os.ReadFile(filepath.Join(b.dir, name))
	if err != nil {
		b.t.Error(err)
	}
	return string(text)
}

func take(level float64) string {
	var s strings.Builder
	for hz := 20.0; hz < 20000; hz *= 1.3 {
		fmt.Fprintf(&s, "%.2f\t%.2f\n", hz, 90+level)
	}
	return s.String()
}

// decode reads a request's body and leaves it readable.
func decode(r *http.Request, v any) error {
	data, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	r.Body = io.NopCloser(bytes.NewReader(data))
	return json.Unmarshal(data, v)
}

// failsOn answers 500 to requests about a serial.
func failsOn(serial string, w http.ResponseWriter, r *http.Request) bool {
	var body wireRequest
	if decode(r, &body) != nil || body.Takes[0].Serial != serial {
		return false
	}
	w.WriteHeader(http.StatusInternalServerError)
	return true
}
