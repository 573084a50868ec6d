package backup_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"alike/internal/backup"
	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/pg/pgtest"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/band"
	"alike/spc/envelope"

	"github.com/jackc/pgx/v5"
)

var made = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func quiet(backup.Progress) {}

// filled returns an open database with units of one product, and its address.
func filled(t testing.TB, units int) (*store.DB, *line.Line, string) {
	t.Helper()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	l := line.New(db, "main", func() time.Time { return made })
	if err := l.Open(t.Context(), by, "Workshop\twith a tab, \\ and a line\nend", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	p := line.Product{Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}}}
	if _, err := l.AddProduct(t.Context(), by, p); err != nil {
		t.Fatal(err)
	}
	for i := range units {
		takeIn(t, l, i)
	}
	if _, err := l.Quarantine(t.Context(), by, curve.Refusal{File: "x", Reason: "odd bytes"}, "L1", []byte{0, '\n', '\\', 0xff}); err != nil {
		t.Fatal(err)
	}
	return db, l, url
}

var by = line.By{Actor: "tester", Origin: "test"}

func takeIn(t testing.TB, l *line.Line, unit int) {
	t.Helper()
	takeInCurve(t, l, unit, func(noise func() float64) (c band.Curve) {
		for hz := 20.0; hz < 20000; hz *= 1.2 {
			c.Hz, c.DB = append(c.Hz, hz), append(c.DB, 90+noise()/10)
		}
		return c
	})
}

// takeInCurve takes in one unit with a curve for each channel.
func takeInCurve(t testing.TB, l *line.Line, unit int, measure func(noise func() float64) band.Curve) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, uint64(unit)))
	var takes []curve.Take
	for _, ch := range []string{"left", "right"} {
		takes = append(takes, curve.Take{Identity: curve.Identity{Serial: fmt.Sprintf("U%04d", unit), Channel: ch, Lot: "L1"}, Curve: measure(rng.NormFloat64)})
	}
	if _, err := l.Intake(t.Context(), by, takes); err != nil {
		t.Error(err)
	}
}

func write(t *testing.T, db *store.DB) ([]byte, backup.End) {
	t.Helper()
	var b bytes.Buffer
	_, end, err := backup.Write(t.Context(), db, &b, "test", made, quiet)
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), end
}

func empty(t *testing.T) (*store.DB, string) {
	t.Helper()
	url := pgtest.New(t, nil)
	db, err := store.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db, url
}

func from(data []byte) func() (io.ReadCloser, error) {
	return func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(data)), nil }
}

func ask(t *testing.T, url, sql string) (out string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if err := conn.QueryRow(t.Context(), sql).Scan(&out); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return out
}

// everything is a hash over all rows of some tables, computed by PostgreSQL itself.
const everything = `SELECT md5(string_agg(r, '|')) FROM (
	SELECT s::text AS r FROM sites s UNION ALL SELECT t::text FROM takes t UNION ALL SELECT c::text FROM take_curves c
	UNION ALL SELECT j::text FROM journal j UNION ALL SELECT q::text FROM quarantine q UNION ALL SELECT d::text FROM readings d ORDER BY 1) x`

func TestThereAndBack(t *testing.T) {
	t.Parallel()
	db, _, url := filled(t, 30)
	data, end := write(t, db)
	if end.Tables["takes"].Rows != 60 || end.Tables["take_curves"].Rows != 60 || len(end.Journal) != 1 || end.Journal[0].Last != end.Journal[0].Entries {
		t.Fatalf("%+v", end)
	}
	into, newURL := empty(t)
	r, err := backup.Restore(t.Context(), into, from(data), quiet)
	if err != nil || len(r.Wrong) > 0 || r.Head.Schema == 0 || !r.Head.Made.Equal(made) {
		t.Fatalf("%+v (%v)", r, err)
	}
	if a, b := ask(t, url, everything), ask(t, newURL, everything); a != b {
		t.Error("PostgreSQL finds the restored rows different")
	}
	// The journal still speaks for every row, and ends with the head that somebody kept.
	head, err := db.Site("main").Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	whole(t, into, head)
	// Work goes on where it ended, and what is protected is protected again.
	again, err := store.Open(t.Context(), newURL)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	takeIn(t, line.New(again, "main", time.Now), 31)
	if n := ask(t, newURL, `SELECT (max(entry) - count(*))::text FROM journal`); n != "0" {
		t.Errorf("the journal has %s gaps", n)
	}
	conn, err := pgx.Connect(t.Context(), newURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), `UPDATE journal SET actor = 'x'`); err == nil || !strings.Contains(err.Error(), "append-only") {
		t.Errorf("the journal can be changed: %v", err)
	}
}

// whole fails unless the journal of a database speaks for its rows.
func whole(t *testing.T, db *store.DB, kept ...store.Head) {
	t.Helper()
	v, err := db.Verify(t.Context(), "main", kept, func(store.VerifyStep) {})
	if err != nil || len(v.Faults) > 0 || v.Rows == 0 || v.Entries == 0 {
		t.Errorf("%+v (%v)", v, err)
	}
}

// A backup made while takes come in holds one moment: no unit is half in it.
func TestWhileWorking(t *testing.T) {
	t.Parallel()
	db, l, _ := filled(t, 5)
	stop := make(chan struct{})
	done := make(chan int)
	go func() {
		n := 5
		for ; ; n++ {
			select {
			case <-stop:
				done <- n
				return
			default:
				takeIn(t, l, n)
			}
		}
	}()
	var last int64
	for round := 0; round < 4 || last == 5; round++ {
		data, end := write(t, db)
		units := end.Tables["units"].Rows
		if end.Tables["takes"].Rows != 2*units || end.Tables["readings"].Rows != units || end.Journal[0].Entries != end.Tables["journal"].Rows {
			t.Errorf("half a unit: %+v", end.Tables)
		}
		if units < last {
			t.Errorf("%d units after %d", units, last)
		}
		last = units
		into, _ := empty(t)
		if _, err := backup.Restore(t.Context(), into, from(data), quiet); err != nil {
			t.Error(err)
		}
	}
	close(stop)
	<-done
}

// A damaged or cut file is refused before anything is written.
func TestDamaged(t *testing.T) {
	t.Parallel()
	db, _, _ := filled(t, 20)
	data, _ := write(t, db)
	into, url := empty(t)
	rng := rand.New(rand.NewPCG(3, 3))
	refuse := func(what string, bad []byte) {
		t.Helper()
		_, err := backup.Restore(t.Context(), into, from(bad), quiet)
		if !errors.As(err, new(*backup.DamageError)) {
			t.Errorf("%s: %v", what, err)
		}
	}
	sound := inflated(data)
	for range 100 {
		at := 10 + rng.IntN(len(data)-10) // before stand time and system, which do not matter
		bad := bytes.Clone(data)
		bad[at] ^= 1 << rng.IntN(8)
		if !bytes.Equal(inflated(bad), sound) { // the padding of a block means nothing
			refuse(fmt.Sprintf("bit at %d of %d", at, len(data)), bad)
		}
		refuse(fmt.Sprintf("cut at %d of %d", at, len(data)), data[:at])
	}
	refuse("nothing", nil)
	refuse("a text", []byte("hello"))
	refuse("more behind it", append(bytes.Clone(data), 'x'))
	refuse("twice", append(bytes.Clone(data), data...))
	if n := ask(t, url, `SELECT count(*)::text FROM pg_class WHERE relnamespace = 'public'::regnamespace`); n != "0" {
		t.Errorf("%s things were made in the database", n)
	}
}

// inflated returns what a compressed file holds, nil when it is damaged.
func inflated(data []byte) []byte {
	gz, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil
	}
	content, err := io.ReadAll(gz)
	if err != nil {
		return nil
	}
	return content
}

// remade rebuilds a backup with sound checksums of the archive, after change had its
// way with each member; a nil content leaves the member out.
func remade(t *testing.T, data []byte, change func(name string, content []byte) []byte) []byte {
	t.Helper()
	gz, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	w := tar.NewWriter(z)
	for r := tar.NewReader(gz); ; {
		h, err := r.Next()
		if err == io.EOF {
			break
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if content = change(h.Name, content); content == nil {
			continue
		}
		h.Size = int64(len(content))
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(content); err != nil {
			t.Fatal(err)
		}
	}
	w.Close()
	z.Close()
	return out.Bytes()
}

// Changes that the archive's own checksums cannot see.
func TestTampered(t *testing.T) {
	t.Parallel()
	db, _, _ := filled(t, 3)
	data, _ := write(t, db)
	replace := func(member, old, new string) func(string, []byte) []byte {
		return func(name string, content []byte) []byte {
			if name != member {
				return content
			}
			if !bytes.Contains(content, []byte(old)) {
				t.Errorf("%s has no %q", member, old)
			}
			return bytes.Replace(content, []byte(old), []byte(new), 1)
		}
	}
	leaveOut := func(member string) func(string, []byte) []byte {
		return func(name string, content []byte) []byte {
			if name == member {
				return nil
			}
			return content
		}
	}
	into, url := empty(t)
	for _, tt := range []struct {
		what   string
		change func(string, []byte) []byte
		say    string
	}{
		{"an actor", replace("tables/journal/000001.copy", "tester", "nobody"), "rows of table journal"},
		{"a row less", func(name string, c []byte) []byte {
			if name == "tables/units/000001.copy" {
				return c[bytes.IndexByte(c, '\n')+1:]
			}
			return c
		}, "table units has 2 rows and should have 3"},
		{"a row without its end", func(name string, c []byte) []byte {
			if name == "tables/units/000001.copy" {
				return append(c, "main\tX"...)
			}
			return c
		}, "last row of table units is cut"},
		{"no end", leaveOut("end.json"), "ends too early"},
		{"no chunk", leaveOut("tables/takes/000001.copy"), "table takes has 0 rows"},
		{"a chunk in the wrong place", replace("backup.json", `"takes"`, `"token"`), "is not in its place"},
		{"the journal's end", replace("end.json", `"entries": `, `"entries": 1`), "end of the journal"},
		{"another schema's tables", replace("backup.json", `"next_place"`, `"place_next"`), "not those of schema"},
	} {
		_, err := backup.Restore(t.Context(), into, from(remade(t, data, tt.change)), quiet)
		if err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%s: %v", tt.what, err)
		}
	}
	newer := remade(t, data, replace("backup.json", `"schema": `, `"schema": 9`))
	if _, err := backup.Restore(t.Context(), into, from(newer), quiet); err == nil || !strings.Contains(err.Error(), "use the newer program") {
		t.Errorf("a newer schema: %v", err)
	}
	newer = remade(t, data, replace("backup.json", `"format": 1`, `"format": 2`))
	if _, err := backup.Restore(t.Context(), into, from(newer), quiet); err == nil || !strings.Contains(err.Error(), "use the newer program") {
		t.Errorf("a newer format: %v", err)
	}
	if n := ask(t, url, `SELECT (SELECT count(*) FROM units)::text || (SELECT count(*) FROM journal)::text`); n != "00" {
		t.Errorf("rows are left: %s", n)
	}
	// After all that the sound file still goes in.
	if _, err := backup.Restore(t.Context(), into, from(data), quiet); err != nil {
		t.Error(err)
	}
	if _, err := backup.Restore(t.Context(), into, from(data), quiet); !errors.Is(err, store.ErrNotEmpty) {
		t.Errorf("into a full database: %v", err)
	}
}

// A curve that was damaged in the database is told.
func TestWrongCurveIsTold(t *testing.T) {
	t.Parallel()
	db, _, url := filled(t, 3)
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), `ALTER TABLE take_curves DISABLE TRIGGER USER;
		UPDATE take_curves SET levels = set_byte(levels, 5, (get_byte(levels, 5) + 1) % 256) WHERE take = (SELECT take FROM takes LIMIT 1)`); err != nil {
		t.Fatal(err)
	}
	data, _ := write(t, db)
	into, _ := empty(t)
	r, err := backup.Restore(t.Context(), into, from(data), quiet)
	if err != nil || len(r.Wrong) != 1 || !strings.Contains(r.Wrong[0], "of site main") {
		t.Errorf("%q (%v)", r.Wrong, err)
	}
}

// Ctrl-C in a restore leaves no rows, and the same again does the work.
func TestCancelled(t *testing.T) {
	t.Parallel()
	db, _, _ := filled(t, 10)
	data, _ := write(t, db)
	for _, stage := range []string{"checking", "writing", "reading back"} {
		into, url := empty(t)
		ctx, cancel := context.WithCancel(t.Context())
		_, err := backup.Restore(ctx, into, from(data), func(p backup.Progress) {
			if p.What == stage && p.Done == 5 {
				cancel()
			}
		})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", stage, err)
		}
		if stage != "checking" {
			if n := ask(t, url, `SELECT count(*)::text FROM units`); n != "0" {
				t.Errorf("%s: %s units are left", stage, n)
			}
		}
		if _, err := backup.Restore(t.Context(), into, from(data), quiet); err != nil {
			t.Errorf("again after %s: %v", stage, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	if _, _, err := backup.Write(ctx, db, io.Discard, "", made, func(backup.Progress) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("writing: %v", err)
	}
}

// A disk that fills up while a backup is written gives an error.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	db, _, _ := filled(t, 3)
	if _, _, err := backup.Write(t.Context(), db, &small{100}, "", made, quiet); !errors.Is(err, errFull) {
		t.Errorf("%v", err)
	}
}

var errFull = errors.New("no space left on device")

type small struct{ left int }

func (s *small) Write(p []byte) (int, error) {
	if s.left -= len(p); s.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

// The backup of the first release goes into the present schema. The file was written
// by the program of that release from the rows of filled(t, 3).
func TestFirstReleaseGoesIn(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("testdata/schema-1.alike")
	if err != nil {
		t.Fatal(err)
	}
	into, url := empty(t)
	r, err := backup.Restore(t.Context(), into, from(data), quiet)
	if err != nil || r.Head.Schema != 1 || len(r.Wrong) > 0 {
		t.Fatalf("%+v (%v)", r.Head, err)
	}
	now, err := store.Open(t.Context(), url) // brings it up to date
	if err != nil {
		t.Fatal(err)
	}
	defer now.Close()
	whole(t, now)
	u, err := line.New(now, "main", time.Now).Unit(t.Context(), "U0002")
	if err != nil || len(u.Attempts) != 1 || len(u.Attempts[0].Takes) != 2 || u.Attempts[0].Verdict == nil || u.Attempts[0].Verdict.Word != envelope.Pass {
		t.Errorf("%+v (%v)", u, err)
	}
}

// What opens doors stays behind: neither the file nor the restored database has it, and
// the journal still speaks for who is registered.
func TestBackupHoldsNoSecrets(t *testing.T) {
	t.Parallel()
	db, l, url := filled(t, 1)
	ctx := t.Context()
	link, err := l.FirstLink(ctx)
	if err != nil {
		t.Fatal(err)
	}
	session, err := l.Accept(ctx, "test", link, "Savka", "seven teal otters knit")
	if err != nil {
		t.Fatal(err)
	}
	token, err := l.AddToken(ctx, by, "bench 1", "station")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.SignIn(ctx, "test", "Nobody", "a password in a log"); err == nil {
		t.Fatal("nobody signs in")
	}
	data, end := write(t, db)
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	hash := ask(t, url, `SELECT hash FROM passwords`)
	stored := ask(t, url, `SELECT encode(session, 'hex') FROM sessions`)
	for name, secret := range map[string]string{"the password's hash": hash, "its form": "argon2id", "the session": session.Secret, "the session's hash": stored, "the token": token, "the link": link, "a password": "otters", "a name that was tried": "nobody"} {
		if secret == "" || bytes.Contains(bytes.ToLower(text), []byte(strings.ToLower(secret))) {
			t.Errorf("the backup holds %s: %q", name, secret)
		}
	}
	if !bytes.Contains(text, []byte("Savka")) || end.Tables["people"].Rows != 1 || end.Tables["tokens"].Rows != 1 {
		t.Errorf("the backup holds %d people, %d tokens", end.Tables["people"].Rows, end.Tables["tokens"].Rows)
	}
	into, newURL := empty(t)
	if _, err := backup.Restore(ctx, into, from(data), quiet); err != nil {
		t.Fatal(err)
	}
	again, err := store.Open(ctx, newURL)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	whole(t, again)
	restored := line.New(again, "main", func() time.Time { return made })
	if _, err := restored.BearerOf(ctx, token, "test"); err != nil {
		t.Errorf("a station does not go on after a restore: %v", err)
	}
	if _, err := restored.SignIn(ctx, "test", "Savka", "seven teal otters knit"); err == nil {
		t.Error("a password came along")
	}
	if link, err := restored.FirstLink(ctx); err != nil || link == "" {
		t.Errorf("no link for an administrator after a restore: %v", err)
	}
}
