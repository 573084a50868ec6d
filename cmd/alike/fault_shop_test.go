//go:build unix

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"alike/internal/pg"

	"github.com/jackc/pgx/v5"
)

// A shop is a server, a station and a rig, with a wire between station and server that
// can break.
type shop struct {
	t       *testing.T
	data    string
	server  *process
	station *process
	wire    *wire
	rig     *rig
	ready   string
}

func openShop(t *testing.T) *shop {
	t.Helper()
	dir := reachable(t)
	s := &shop{t: t, data: filepath.Join(dir, "data"), rig: newRig(t, filepath.Join(dir, "rig"))}
	product := filepath.Join(dir, "product.json")
	if err := os.WriteFile(product, []byte(killProduct), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := alike(t, t.Context(), []string{"ALIKE_DATABASE_URL="}, "product", "add", product, "--data", s.data); code != 0 {
		t.Fatal(errs)
	}
	address := freeAddress(t)
	s.ready = "http://" + address + "/readyz"
	s.wire = newWire(t, address)
	s.server = &process{t: t, args: []string{"serve", "--data", s.data, "--listen", address}}
	s.station = &process{t: t, args: []string{"station", "--watch", s.rig.dir, "--server", "http://" + s.wire.address(), "--lot", "F1",
		"--settle", "60ms", "--patience", "2s", "--retry-max", "300ms"}}
	t.Cleanup(func() { s.server.kill(); s.station.kill() })
	s.repair()
	return s
}

// repair starts what does not run, and waits for the server to answer.
func (s *shop) repair() {
	s.t.Helper()
	until(s.t, "the server answers", func() bool {
		s.server.start()
		return ready(s.ready)
	})
	s.station.start()
}

// end stops everything in order and looks at the rows themselves.
func (s *shop) end() {
	s.station.interrupt()
	s.server.interrupt()
	c, err := pg.Start(s.t.Context(), pg.Options{Dir: s.data})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { c.Stop(context.Background()) })
	conn := s.connect()
	defer conn.Close(s.t.Context())
	for question, want := range map[string]int{
		`SELECT max(entry) - count(*) FROM journal`:                                                                                                             0,
		`SELECT count(*) FROM takes t WHERE NOT EXISTS (SELECT FROM take_curves c WHERE c.take = t.take)`:                                                       0,
		`SELECT count(*) FROM attempts WHERE number > 1`:                                                                                                        0,
		`SELECT count(*) FROM attempts a WHERE (verdict IS NOT NULL) <> ((SELECT count(*) FROM takes t WHERE t.attempt = a.attempt) = 2)`:                       0,
		`SELECT count(*) - max(place) FROM units WHERE place IS NOT NULL`:                                                                                       0,
		`SELECT (SELECT count(*) FROM journal WHERE action = 'refuse') - (SELECT count(*) FROM quarantine)`:                                                     0,
		`SELECT (SELECT coalesce(sum((detail->>'takes')::int), 0) FROM journal WHERE action = 'take in') - (SELECT count(*) FROM takes)`:                        0,
		`SELECT count(*) FROM readings r WHERE NOT EXISTS (SELECT FROM attempts a WHERE a.serial = r.serial AND a.number = r.number AND a.verdict IS NOT NULL)`: 0,
	} {
		var got int
		if err := conn.QueryRow(s.t.Context(), question).Scan(&got); err != nil || got != want {
			s.t.Errorf("%s = %d (%v), want %d", question, got, err, want)
		}
	}
}

func (s *shop) connect() *pgx.Conn {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.data, "postgres.owner"))
	if err != nil {
		s.t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), `"url":"`)
	url, _, _ := strings.Cut(rest, `"`)
	conn, err := pgx.Connect(s.t.Context(), strings.ReplaceAll(url, `\u0026`, "&"))
	if err != nil {
		s.t.Fatal(err)
	}
	return conn
}

// killPostgres kills the database server that our server runs.
func (s *shop) killPostgres() {
	text, err := os.ReadFile(filepath.Join(s.data, "postgres", "postmaster.pid"))
	if err != nil {
		return // it ended with the server already
	}
	var pid int
	if _, err := fmt.Sscan(string(text), &pid); err == nil && pid > 1 {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
}

func (s *shop) spooled() int {
	files, _ := filepath.Glob(filepath.Join(s.rig.dir, ".alike-station", "spool", "*.json"))
	return len(files)
}

// A process is one of our programs, started again when it is gone.
type process struct {
	t    *testing.T
	args []string
	cmd  *exec.Cmd
	gone chan struct{}
	errs *bytes.Buffer
}

func (p *process) start() {
	p.t.Helper()
	if p.cmd != nil {
		select {
		case <-p.gone:
		default:
			return // runs
		}
	}
	p.cmd, p.gone, p.errs = exec.Command("alike", p.args...), make(chan struct{}), &bytes.Buffer{}
	p.cmd.Env = append(os.Environ(), "ALIKE_DATABASE_URL=", "ALIKE_TOKEN=")
	p.cmd.Stderr = p.errs
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	go func(cmd *exec.Cmd, gone chan struct{}) {
		_ = cmd.Wait()
		close(gone)
	}(p.cmd, p.gone)
}

func (p *process) kill() { p.signal(syscall.SIGKILL) }

// interrupt stops the process as Ctrl-C does, which must end in order.
func (p *process) interrupt() {
	p.signal(os.Interrupt)
	if code := p.cmd.ProcessState.ExitCode(); code != 0 {
		p.t.Errorf("%s ended with %d: %s", p.args[0], code, p.errs)
	}
}

func (p *process) signal(s os.Signal) {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(s)
	<-p.gone
}

// hang stops the process for a while without ending it.
func (p *process) hang(d time.Duration) {
	_ = p.cmd.Process.Signal(syscall.SIGSTOP)
	<-time.NewTimer(d).C
	_ = p.cmd.Process.Signal(syscall.SIGCONT)
}

// A wire carries connections to the server and can break.
type wire struct {
	l    net.Listener
	to   string
	mu   sync.Mutex
	open map[net.Conn]bool
	down bool // new connections are closed at once
	mute bool // answers are swallowed and the connection cut
}

func newWire(t *testing.T, to string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{l: l, to: to, open: map[net.Conn]bool{}}
	t.Cleanup(func() { l.Close(); w.closeAll() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go w.carry(c)
		}
	}()
	return w
}

func (w *wire) address() string { return w.l.Addr().String() }

func (w *wire) carry(c net.Conn) {
	defer c.Close()
	s, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer s.Close()
	w.mu.Lock()
	if w.down {
		w.mu.Unlock()
		return
	}
	w.open[c], w.open[s] = true, true
	w.mu.Unlock()
	defer func() {
		w.mu.Lock()
		delete(w.open, c)
		delete(w.open, s)
		w.mu.Unlock()
	}()
	go func() {
		_, _ = io.Copy(s, c)
		s.Close()
	}()
	buf := make([]byte, 4096)
	for {
		n, err := s.Read(buf)
		w.mu.Lock()
		mute := w.mute
		w.mu.Unlock()
		if mute || err != nil {
			return // the server has answered, and nobody hears it
		}
		if _, err := c.Write(buf[:n]); err != nil {
			return
		}
	}
}

func (w *wire) closeAll() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.open {
		c.Close()
	}
}

// cut breaks all connections and lets none through for a while.
func (w *wire) cut(d time.Duration) {
	w.set(&w.down, true)
	w.closeAll()
	<-time.NewTimer(d).C
	w.set(&w.down, false)
}

// loseAnswers lets requests through but no answers.
func (w *wire) loseAnswers(d time.Duration) {
	w.set(&w.mute, true)
	<-time.NewTimer(d).C
	w.set(&w.mute, false)
}

func (w *wire) set(what *bool, to bool) {
	w.mu.Lock()
	*what = to
	w.mu.Unlock()
}

// An account says where the takes of the rig are.
type account struct {
	stored, quarantined  int
	lost, twice, changed []string
}

// account asks the database and the folders for every take that the rig made.
func (s *shop) account() account {
	s.t.Helper()
	conn := s.connect()
	defer conn.Close(s.t.Context())
	stored, hashes := map[string]int{}, map[string]string{}
	s.rows(conn, `SELECT a.serial || '_' || t.channel, encode(t.content_hash, 'hex') FROM takes t JOIN attempts a ON a.attempt = t.attempt`, func(k, h string) {
		stored[k]++
		hashes[k] = h
	})
	kept := map[string]int{}
	s.rows(conn, `SELECT source, reason FROM quarantine`, func(source, _ string) {
		name := source // of a file that the station refused
		if _, inside, found := strings.Cut(strings.TrimSuffix(source, ")"), "("); found {
			name = inside
		}
		kept[strings.TrimSuffix(name, "_1.txt")]++
	})
	files := s.rig.files()
	var a account
	for _, m := range s.rig.made {
		inDone, inRefused := slices.Contains(files, "done/"+m.name+"_1.txt"), slices.Contains(files, "refused/"+m.name+"_1.txt") && slices.Contains(files, "refused/"+m.name+"_1.txt.reason.txt")
		n := stored[m.name] + kept[m.name]
		switch {
		case n == 0:
			a.lost = append(a.lost, m.name)
		case n > 1:
			a.twice = append(a.twice, m.name)
		case stored[m.name] == 1:
			a.stored++
			if hashes[m.name] != m.hash || !inDone || m.fate != good {
				a.changed = append(a.changed, m.name)
			}
		default:
			a.quarantined += kept[m.name]
			if !inRefused || m.fate == good {
				a.changed = append(a.changed, m.name)
			}
		}
	}
	for what, list := range map[string][]string{"lost": a.lost, "twice": a.twice, "not as sent": a.changed} {
		if len(list) > 0 {
			s.t.Errorf("%s: %q", what, list)
		}
	}
	return a
}

func (s *shop) rows(conn *pgx.Conn, sql string, each func(a, b string)) {
	s.t.Helper()
	rows, err := conn.Query(s.t.Context(), sql)
	if err != nil {
		s.t.Fatal(err)
	}
	var a, b string
	if _, err := pgx.ForEachRow(rows, []any{&a, &b}, func() error { each(a, b); return nil }); err != nil {
		s.t.Fatal(err)
	}
}

// files lists what lies in the rig's folder, without the station's own.
func (r *rig) files() []string {
	var out []string
	_ = filepath.WalkDir(r.dir, func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return nil
		case d.IsDir() && strings.HasPrefix(d.Name(), "."):
			return fs.SkipDir
		case !d.IsDir():
			rel, _ := filepath.Rel(r.dir, name)
			out = append(out, filepath.ToSlash(rel))
		}
		return nil
	})
	return out
}

// waiting lists the files that the station has not dealt with.
func (r *rig) waiting() []string {
	return slices.DeleteFunc(r.files(), func(f string) bool { return strings.Contains(f, "/") })
}
