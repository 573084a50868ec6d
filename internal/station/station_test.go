package station

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"alike/internal/curve"
)

func TestSendsOnceInOrder(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	var want []string
	for i := range 12 { // by time, against the order of names
		name := fmt.Sprintf("U%02d_left_1.txt", 11-i)
		b.put(name, take(float64(i)))
		at := time.Date(2026, 3, 2, 8, 0, i, 0, time.UTC)
		if err := os.Chtimes(filepath.Join(b.dir, name), at, at); err != nil {
			t.Fatal(err)
		}
		want = append(want, fmt.Sprintf("U%02d left 1", 11-i))
	}
	b.o.Once = true
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Stored != 12 || st.Known+st.Refused+st.Spooled != 0 {
		t.Fatalf("%v (%v)", st, err)
	}
	if got := f.places(); !slices.Equal(got, want) {
		t.Errorf("sent as %v", got)
	}
	if files := b.files(); len(files) != 12 || !strings.HasPrefix(files[0], "done/") {
		t.Errorf("%v", files)
	}
}

// What a file does not say is filled in; the time of measurement is the file's.
func TestIdentity(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	got := make(chan wireTake, 1)
	f.before = func(w http.ResponseWriter, r *http.Request, _ int) bool {
		var body wireRequest
		if decode(r, &body) == nil {
			got <- body.Takes[0]
		}
		return true
	}
	b := newBench(t, f.URL)
	b.o.Defaults.Operator, b.o.RetryMin, b.o.RetryMax = "pat", time.Hour, time.Hour
	b.put("sub/A1_r_2.txt", take(1))
	at := time.Date(2026, 3, 2, 8, 0, 0, 5000, time.UTC)
	if err := os.Chtimes(filepath.Join(b.dir, "sub/A1_r_2.txt"), at, at); err != nil {
		t.Fatal(err)
	}
	b.start()
	k := <-got
	if k.Serial != "A1" || k.Channel != "right" || k.Seating != 2 || k.Lot != "L1" || k.Station != "rig 1" || k.Operator != "pat" ||
		!k.MeasuredAt.Equal(at) || k.Source != "sub/A1_r_2.txt" {
		t.Errorf("%+v", k)
	}
}

// A half-written file waits; whole, it is sent whole.
func TestHalfWritten(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	b.start()
	whole := take(1)
	half := whole[:len(whole)/2+strings.IndexByte(whole[len(whole)/2:], '\t')] // ends in a frequency
	name := filepath.Join(b.dir, "A1_left_1.txt")
	if err := os.WriteFile(name, []byte(half), 0o644); err != nil {
		t.Fatal(err)
	}
	b.until("the half file is read", func() bool { return b.now().Incomplete == 1 })
	if len(f.places()) > 0 {
		t.Fatal("half a file was sent")
	}
	if err := os.WriteFile(name, []byte(whole), 0o644); err != nil {
		t.Fatal(err)
	}
	b.until("it is stored", b.has("done/A1_left_1.txt"))
	if n := strings.Count(f.curve("A1 left 1"), " "); n < strings.Count(whole, "\n") {
		t.Errorf("%d numbers were stored", n)
	}
}

// A file that stood still but then grows, while the server is away, is read again, and
// only its last state is sent.
func TestGrowsInTheSpool(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	var up atomic.Bool
	f.before = func(w http.ResponseWriter, _ *http.Request, _ int) bool {
		if !up.Load() {
			w.WriteHeader(http.StatusBadGateway)
		}
		return !up.Load()
	}
	b := newBench(t, f.URL)
	b.start()
	whole := take(1)
	cut := strings.LastIndexByte(strings.TrimSpace(whole), '\n') + 1
	name := filepath.Join(b.dir, "A1_left_1.txt")
	if err := os.WriteFile(name, []byte(whole[:cut]), 0o644); err != nil {
		t.Fatal(err)
	}
	b.until("it is spooled", func() bool { return b.now().Spooled == 1 && !b.now().Away.IsZero() })
	if err := os.WriteFile(name, []byte(whole), 0o644); err != nil {
		t.Fatal(err)
	}
	b.until("the whole is spooled", func() bool {
		files, _ := filepath.Glob(filepath.Join(b.dir, ownFolder, "spool", "*.json"))
		if len(files) != 1 {
			return false
		}
		text, _ := os.ReadFile(files[0])
		return strings.Contains(string(text), fmt.Sprintf(`"size":%d,`, len(whole)))
	})
	up.Store(true)
	b.until("it is stored", b.has("done/A1_left_1.txt"))
	if got := f.places(); len(got) != 1 || !strings.Contains(f.curve("A1 left 1"), "[20 ") {
		t.Errorf("%v", got)
	}
	b.until("it counts once", func() bool { return b.now().Refused == 0 && b.now().Stored == 1 })
}

// A file that was replaced by another take before it was sent: both are sent, and
// neither is lost.
func TestReplacedInTheSpool(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	var up atomic.Bool
	f.before = func(w http.ResponseWriter, _ *http.Request, _ int) bool {
		if !up.Load() {
			w.WriteHeader(http.StatusBadGateway)
		}
		return !up.Load()
	}
	b := newBench(t, f.URL)
	b.start()
	b.put("A1_left_1.txt", take(1))
	b.until("it is spooled", func() bool { return b.now().Spooled == 1 })
	b.put("A1_left_1.txt", take(2))
	b.until("the other one too", func() bool { return b.now().Spooled == 2 })
	up.Store(true)
	b.until("one is stored, one refused", b.has("refused/A1_left_1.txt", "refused/A1_left_1.txt.reason.txt"))
	if !strings.Contains(f.curve("A1 left 1"), " 91") || b.read("refused/A1_left_1.txt") != take(2) {
		t.Error("not in order")
	}
	if text := b.read("refused/A1_left_1.txt.reason.txt"); !strings.Contains(text, "attempt: another curve is there; give attempt 2") {
		t.Error(text)
	}
}

// The server goes away in the middle of its answers: nothing is sent twice, for the
// server knows it.
func TestLostAnswers(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	f.after = func(try int) {
		if try%2 == 1 {
			panic(http.ErrAbortHandler) // the take is stored, the answer lost
		}
	}
	b := newBench(t, f.URL)
	for i := range 5 {
		b.put(fmt.Sprintf("U%d_left_1.txt", i), take(float64(i)))
	}
	b.o.Once = true
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Known != 5 || st.Stored+st.Refused != 0 || len(f.places()) != 5 || f.requests() != 10 {
		t.Errorf("%v (%v), %d requests, %v", st, err, f.requests(), f.places())
	}
}

// A station killed between the answer and the moving, and one killed between the moving
// and the removing of the entry, end the work at the next start.
func TestKilledBetweenSteps(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	var up atomic.Bool
	f.before = func(w http.ResponseWriter, _ *http.Request, _ int) bool {
		if !up.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		return !up.Load()
	}
	b.put("A1_left_1.txt", take(1))
	b.put("A2_left_1.txt", take(2))
	b.start()
	b.until("both are spooled", func() bool { return b.now().Spooled == 2 })
	b.stop()
	if err := os.MkdirAll(filepath.Join(b.dir, "done"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(b.dir, "A1_left_1.txt"), filepath.Join(b.dir, "done/A1_left_1.txt")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(b.dir, ownFolder, "spool", "0000000009.json.tmp"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	up.Store(true)
	b.o.Once = true
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Stored != 2 || st.Spooled != 0 {
		t.Errorf("%v (%v)", st, err)
	}
	if !b.has("done/A1_left_1.txt", "done/A2_left_1.txt")() {
		t.Errorf("%v", b.files())
	}
}

// With a full disk files stay where they are, and go out when there is room again.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	var full atomic.Bool
	full.Store(true)
	b.o.write = func(name string, data []byte) error {
		if full.Load() {
			return &os.PathError{Op: "write", Path: name, Err: syscall.ENOSPC}
		}
		return writeDurably(name, data)
	}
	b.put("A1_left_1.txt", take(1))
	b.put("A2_left_1.txt", take(2))
	b.start()
	b.until("it says so", func() bool { return strings.Contains(b.now().String(), "no space left on device") })
	if !b.has("A1_left_1.txt", "A2_left_1.txt")() || len(f.places()) > 0 {
		t.Errorf("%v", b.files())
	}
	full.Store(false)
	b.until("they are stored", b.has("done/A1_left_1.txt", "done/A2_left_1.txt"))
	b.until("the trouble is over", func() bool { return b.now().Disk == "" })
}

// A refused file lies beside its reason; one put back is tried again, and no name is
// taken twice.
func TestRefusedByReader(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	b.o.Patience = 30 * time.Millisecond
	b.start()
	b.put("A1_left_1.txt", "20\tloud\n30\t90\n")
	b.put("A2.txt", take(1))
	b.put("A3_left_1.docm", "x")
	b.put("notes.pdf", "is left alone")
	b.until("they are refused", b.has("notes.pdf", "refused/A1_left_1.txt", "refused/A1_left_1.txt.reason.txt", "refused/A2.txt",
		"refused/A2.txt.reason.txt", "refused/A3_left_1.docm", "refused/A3_left_1.docm.reason.txt"))
	if text := b.read("refused/A1_left_1.txt.reason.txt"); !strings.Contains(text, "A1_left_1.txt:1: level") || !strings.Contains(text, "put the file, set right, back") {
		t.Error(text)
	}
	if text := b.read("refused/A2.txt.reason.txt"); !strings.Contains(text, "does not fit the pattern") {
		t.Error(text)
	}
	b.put("A1_left_1.txt", "30\tloud\n30\t90\n")
	b.until("again", func() bool { return slices.Contains(b.files(), "refused/A1_left_1-2.txt.reason.txt") })
	b.until("four count", func() bool { return b.now().Refused == 4 && b.now().Spooled == 0 && len(f.places()) == 0 })
	if r := f.refusals(); len(r) != 4 || r["A1_left_1.txt"].Field != "level" || string(r["A1_left_1.txt"].Content) != "30\tloud\n30\t90\n" || r["A1_left_1.txt"].Lot != "L1" {
		t.Errorf("%+v", r)
	}
}

func TestManifest(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	b.start()
	b.put("day/manifest.csv", "file,serial,channel,lot\n1.txt,A1,left\n")
	b.put("day/1.txt", take(1))
	b.put("day/x/2.txt", take(2))
	b.until("a faulty manifest keeps its files waiting", func() bool { return b.now().Stuck == 2 })
	if len(b.said()) != 1 || !strings.Contains(b.said()[0], "day/manifest.csv:2") {
		t.Errorf("%q", b.said())
	}
	b.put("day/manifest.csv", "file,serial,channel,lot\n1.txt,A1,left,L7\n")
	b.until("an unlisted file waits for its row", func() bool { return b.now().Incomplete == 1 && b.now().Stored == 1 })
	b.put("day/manifest.csv", "file,serial,channel,lot\n1.txt,A1,left,L7\nx/2.txt,A1,right,L7\n")
	b.until("all is stored", b.has("day/manifest.csv", "done/day/1.txt", "done/day/x/2.txt"))
}

func TestUnlistedIsRefused(t *testing.T) {
	t.Parallel()
	b := newBench(t, newServer(t).URL)
	b.o.Patience, b.o.Once = 30*time.Millisecond, true
	b.put("manifest.csv", "file,serial,channel\n1.txt,A1,left\n")
	b.put("2.txt", take(1))
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Refused != 1 || !strings.Contains(b.read("refused/2.txt.reason.txt"), "is not in manifest.csv") {
		t.Errorf("%v (%v)", st, err)
	}
}

// The good rows of a wide CSV are stored, and the file lies with the reasons for the
// bad ones.
func TestWide(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	b.o.Patience, b.o.Once = 30*time.Millisecond, true
	b.put("day.csv", "serial,channel,seating,100,1000,10000\nA1,left,1,90,91,92\nA1,right,1,90,loud,92\nA2,left,1,90,91,93\n")
	b.put("good.csv", "serial,channel,seating,100,1000,10000\nA4,left,1,90,91,94\nA4,right,1,90,91,95\n")
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Stored != 4 || st.Refused != 1 || !b.has("done/good.csv", "refused/day.csv", "refused/day.csv.reason.txt")() {
		t.Fatalf("%v (%v) %v", st, err, b.files())
	}
	if text := b.read("refused/day.csv.reason.txt"); !strings.Contains(text, "day.csv:3: 1000: ") || !strings.Contains(text, "2 other takes of the file are stored") {
		t.Error(text)
	}
	if r := f.refusals()["day.csv"]; r.Line != 3 || r.Content != nil {
		t.Errorf("%+v", r)
	}
	if f.requests() != 4 { // one for each unit, and one for the bad row
		t.Errorf("%d requests", f.requests())
	}
}

func TestOneStationPerFolder(t *testing.T) {
	t.Parallel()
	b := newBench(t, newServer(t).URL)
	b.start()
	b.until("it runs", func() bool { _, err := os.Stat(filepath.Join(b.dir, ownFolder, "spool")); return err == nil })
	if _, err := Run(t.Context(), b.o); !errors.Is(err, ErrBusy) {
		t.Error(err)
	}
}

// A damaged entry is put away, and its file read again.
func TestDamagedSpool(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	f.before = func(w http.ResponseWriter, _ *http.Request, try int) bool { w.WriteHeader(503); return true }
	b := newBench(t, f.URL)
	b.put("A1_left_1.txt", take(1))
	b.start()
	b.until("it is spooled", func() bool { return b.now().Spooled == 1 })
	b.stop()
	name := filepath.Join(b.dir, ownFolder, "spool", "0000000001.json")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2]++
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
	f.before = nil
	b.o.Once = true
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Stored != 1 || !b.has("done/A1_left_1.txt", "refused/spool-0000000001.json", "refused/spool-0000000001.json.reason.txt")() {
		t.Errorf("%v (%v) %v", st, err, b.files())
	}
}

// A wrong token refuses no file: the station waits for a right one.
func TestToken(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	f.before = func(w http.ResponseWriter, r *http.Request, _ int) bool {
		bad := r.Header.Get("Authorization") != "Bearer right"
		if bad {
			w.Header().Set("Content-Type", "application/problem+json")
			w.WriteHeader(http.StatusUnauthorized)
		}
		return bad
	}
	var token atomic.Value
	token.Store("wrong")
	b := newBench(t, f.URL)
	b.o.Token = func() (string, error) { return token.Load().(string), nil }
	b.put("A1_left_1.txt", take(1))
	b.start()
	b.until("it says why", func() bool { return strings.Contains(b.now().String(), "it does not accept the token (401)") })
	token.Store("right")
	b.until("it is stored", b.has("done/A1_left_1.txt"))
}

// One take on which the server fails each time does not stop the others.
func TestBadTakeGoesBehind(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	f.before = func(w http.ResponseWriter, r *http.Request, _ int) bool { return failsOn("BAD", w, r) }
	b := newBench(t, f.URL)
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for i, name := range []string{"BAD_left_1.txt", "A1_left_1.txt", "A2_left_1.txt"} {
		b.put(name, take(float64(i)))
		if err := os.Chtimes(filepath.Join(b.dir, name), at, at.Add(time.Duration(i)*time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	b.start()
	b.until("the good ones are stored", b.has("BAD_left_1.txt", "done/A1_left_1.txt", "done/A2_left_1.txt"))
	b.until("the bad one is kept", func() bool { return b.now().Spooled == 1 && strings.Contains(b.now().String(), "it answers 500") })
}

// Ctrl-C ends a station whose server is away, and what waits is kept.
func TestStopsWhileAway(t *testing.T) {
	t.Parallel()
	b := newBench(t, "http://127.0.0.1:1")
	b.o.RetryMin, b.o.RetryMax = time.Hour, time.Hour
	b.put("A1_left_1.txt", take(1))
	b.start()
	b.until("the server is away", func() bool { return !b.now().Away.IsZero() && b.now().Spooled == 1 })
	if text := b.now().String(); !strings.Contains(text, "connection refused") || !strings.Contains(text, "1 in the spool") {
		t.Error(text)
	}
	b.stop()
	if s := b.now(); !s.Ended || s.Spooled != 1 || !b.has("A1_left_1.txt")() {
		t.Errorf("%v", s)
	}
}

// Only the server's own word on a take refuses it.
func TestJudge(t *testing.T) {
	t.Parallel()
	const problem, good = "application/problem+json", "application/json; charset=utf-8"
	one := `{"takes":[{"status":"stored"}]}`
	for _, tt := range []struct {
		status     int
		kind, body string
		want       string // status of the take, or empty for an error that passes
	}{
		{201, good, one, "stored"},
		{200, good, `{"takes":[{"status":"known"}]}`, "known"},
		{409, problem, `{"takes":[{"status":"refused"}]}`, "refused"},
		{404, problem, `{"takes":[{"status":"refused"}]}`, "refused"}, // no such product
		{422, problem, `{"detail":"no"}`, "refused"},
		{400, problem, `{"detail":"no"}`, "refused"},
		{413, problem, `{"detail":"no"}`, "refused"},
		{200, good, `{"takes":[]}`, ""},
		{200, "text/html", one, ""}, // a portal in between
		{200, good, `{"takes":[`, ""},
		{404, problem, `{"detail":"nothing here"}`, ""},
		{404, "text/html", `<html>`, ""},
		{413, "text/html", `<html>`, ""}, // a proxy's limit
		{302, "", "", ""},
		{421, problem, `{"detail":"other host"}`, ""},
		{401, problem, `{}`, ""},
		{403, problem, one, ""},
		{500, problem, one, ""},
		{503, problem, `{}`, ""},
		{429, problem, `{}`, ""},
	} {
		a, err := readAnswer(tt.status, tt.kind, []byte(tt.body))
		var got []wireResult
		if err == nil {
			got, err = judge(a, 1)
		}
		if tt.want == "" && !errors.As(err, new(passing)) || tt.want != "" && (err != nil || len(got) != 1 || got[0].Status != tt.want) {
			t.Errorf("%d %s %s: %v, %v", tt.status, tt.kind, tt.body, got, err)
		}
	}
}

func TestBadOptions(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		o   Options
		say string
	}{
		{Options{Dir: ".", Server: "127.0.0.1:80"}, "http://HOST:PORT"},
		{Options{Dir: ".", Server: "ftp://x"}, "http://HOST:PORT"},
		{Options{Dir: "no such folder", Server: "http://x"}, "no such file"},
		{Options{Dir: file, Server: "http://x"}, "is no folder"},
	} {
		if _, err := Run(context.Background(), tt.o); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%+v: %v", tt.o, err)
		}
	}
}

// The state's line holds what a person needs, in words.
func TestStateLine(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 2, 14, 2, 0, 0, time.UTC)
	for want, s := range map[string]State{
		"waiting for files, 3 stored":                                                                      {Stored: 3},
		"sending, 2 in the spool, 3 stored, 1 refused":                                                     {Stored: 3, Spooled: 2, Refused: 1, Sending: true},
		"server away since 14:02:00, 2 in the spool, 0 stored; no answer":                                  {Spooled: 2, Sending: true, Away: at, Why: "no answer"},
		"waiting for files, 1 not complete, 2 waiting for a better manifest.csv, 0 stored, 4 known before": {Incomplete: 1, Stuck: 2, Known: 4},
	} {
		if s.String() != want {
			t.Errorf("%q, want %q", s, want)
		}
	}
}

// A file is found by the system's signs alone, also in a folder made later, and by
// looking alone where there are none.
func TestSignsAndPolling(t *testing.T) {
	t.Parallel()
	for what, set := range map[string]func(*Options){
		"signs":   func(o *Options) { o.Poll = time.Hour },
		"polling": func(o *Options) { o.deaf = true },
	} {
		f := newServer(t)
		b := newBench(t, f.URL)
		set(&b.o)
		b.put("A1_left_1.txt", take(1))
		b.start()
		b.until(what+": the first look", func() bool { return b.now().Stored == 1 })
		b.put("A2_left_1.txt", take(2))
		b.until(what+": a new file", func() bool { return b.now().Stored == 2 })
		b.put("new/folder/A3_left_1.txt", take(3))
		b.until(what+": a file in a new folder", func() bool { return b.now().Stored == 3 })
		b.stop()
	}
}

// Names that a person or a program may give a file by mistake stop nothing.
func TestOddNames(t *testing.T) {
	t.Parallel()
	f := newServer(t)
	b := newBench(t, f.URL)
	b.o.Patience, b.o.Once = 30*time.Millisecond, true
	var err error
	if b.o.Pattern, err = curve.ParsePattern("{serial}_{channel}_{any}.txt"); err != nil {
		t.Fatal(err)
	}
	long := strings.Repeat("ö", 117)
	b.put("A1_left_\xff.txt", take(1))
	b.put("A2_left_\x1b[2J\n.txt", take(2))
	b.put("A3_left_"+long+".txt", take(3))
	b.put("A4_odd_"+long+".txt", "no numbers")
	b.put(long+".", take(4))
	st, err := Run(t.Context(), b.o)
	if err != nil || st.Stored != 2 || st.Refused != 3 || st.Spooled != 0 {
		t.Errorf("%v (%v)", st, err)
	}
	var done, refused, reasons int
	for _, name := range b.files() {
		switch {
		case strings.HasSuffix(name, reasonEnding):
			reasons++
		case strings.HasPrefix(name, "done/"):
			done++
		case strings.HasPrefix(name, "refused/"):
			refused++
		default:
			t.Errorf("%q is left", name)
		}
	}
	if done != 2 || refused != 3 || reasons != 3 {
		t.Errorf("%q", b.files())
	}
	for _, n := range b.said() {
		if strings.ContainsAny(n, "\x1b\n") || !utf8.ValidString(n) {
			t.Errorf("%q", n)
		}
	}
}
