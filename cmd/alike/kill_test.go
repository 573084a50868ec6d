package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"alike/internal/pg"

	"github.com/jackc/pgx/v5"
)

// reachable is a temporary folder that the account of the database can enter too; the
// usual one of a test is closed to it.
func reachable(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "alike-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// manyUnits writes a CSV of units with two channels, one take each, spread over
// several files, so that a kill may fall between files and inside one.
func manyUnits(t *testing.T, dir string, units int) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 1))
	var hz []string
	for f := 20.0; f < 20000; f *= 1.05 {
		hz = append(hz, strconv.FormatFloat(f, 'f', 2, 64))
	}
	for from := 0; from < units; from += 50 {
		var b bytes.Buffer
		fmt.Fprintf(&b, "serial,channel,lot,%s\n", strings.Join(hz, ","))
		for u := from; u < min(from+50, units); u++ {
			for _, ch := range []string{"left", "right"} {
				fmt.Fprintf(&b, "K%05d,%s,K1", u, ch)
				level := 100 + rng.NormFloat64()/5
				for i := range hz {
					fmt.Fprintf(&b, ",%.3f", level+math.Sin(float64(i))/9+rng.NormFloat64()/50)
				}
				b.WriteByte('\n')
			}
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("rows-%04d.csv", from)), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

const killProduct = `{ "code": "k", "fraction": 3, "bands": { "from": 25, "to": 16000 },
  "envelope": { "around_target": [{ "from": 25, "to": 16000, "minus": 3, "plus": 3 }] } }`

// The program and PostgreSQL are killed, both with kill -9, in the middle of an ingest
// of 500 units, again and again; then the same command ends the work: every unit is
// there once, none half.
func TestKilledInTheMiddle(t *testing.T) {
	t.Parallel()
	const units = 500
	dir := reachable(t)
	data, rows := filepath.Join(dir, "data"), filepath.Join(dir, "rows")
	if err := os.Mkdir(rows, 0o755); err != nil {
		t.Fatal(err)
	}
	manyUnits(t, rows, units)
	product := filepath.Join(dir, "product.json")
	if err := os.WriteFile(product, []byte(killProduct), 0o644); err != nil {
		t.Fatal(err)
	}
	env := []string{"ALIKE_DATABASE_URL="}
	if _, errs, code := alike(t, t.Context(), env, "product", "add", product, "--data", data); code != 0 {
		t.Fatal(errs)
	}
	rng := rand.New(rand.NewPCG(2, 2))
	for round := range 4 {
		stored := killAtRandom(t, data, rows, rng)
		t.Logf("round %d: killed with %d units stored", round+1, stored)
	}
	out, errs, code := alike(t, t.Context(), env, "ingest", rows, "--data", data)
	if code != 0 {
		t.Fatalf("the last run: %d\n%s%s", code, out, errs)
	}
	out, _, _ = alike(t, t.Context(), env, "ingest", rows, "--data", data)
	contains(t, "the run after the last", out, fmt.Sprintf("0 takes stored, %d known already, 0 refused", 2*units))
	audit(t, data, units)
}

// killAtRandom starts an ingest, kills the program and its PostgreSQL after some of the
// work, and returns how many units were stored by then.
func killAtRandom(t *testing.T, data, rows string, rng *rand.Rand) int {
	t.Helper()
	cmd := exec.Command("alike", "ingest", rows, "--data", data)
	cmd.Env = append(os.Environ(), "ALIKE_DATABASE_URL=")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	url := waitForURL(t, data, cmd.Process.Pid, done)
	before := countUnits(t, url)
	more := 5 + rng.IntN(60)
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		if n := countUnits(t, url); n >= before+more || time.Now().After(deadline) {
			break
		}
		select {
		case err := <-done:
			t.Fatalf("the ingest ended before it could be killed: %v", err)
		default:
		}
	}
	n := countUnits(t, url)
	postmaster := postmasterPID(t, data)
	_ = cmd.Process.Kill()
	if p, err := os.FindProcess(postmaster); err == nil {
		_ = p.Kill()
	}
	<-done
	return n
}

// waitForURL waits until the ingest has written where its database is.
func waitForURL(t *testing.T, data string, pid int, done <-chan error) string {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		select {
		case err := <-done:
			t.Fatalf("the ingest ended at once: %v", err)
		default:
		}
		text, err := os.ReadFile(filepath.Join(data, "postgres.owner"))
		if err != nil || !bytes.Contains(text, fmt.Appendf(nil, `"pid":%d,`, pid)) {
			continue
		}
		_, rest, _ := strings.Cut(string(text), `"url":"`)
		url, _, found := strings.Cut(rest, `"`)
		if found && url != "" {
			return strings.ReplaceAll(url, `\u0026`, "&")
		}
	}
	t.Fatal("the ingest did not start its database within a minute")
	return ""
}

func countUnits(t *testing.T, url string) (n int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		return 0 // still starting
	}
	defer conn.Close(t.Context())
	if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM units`).Scan(&n); err != nil {
		return 0
	}
	return n
}

func postmasterPID(t *testing.T, data string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(data, "postgres", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

// audit looks at the rows themselves: each unit once and whole.
func audit(t *testing.T, data string, units int) {
	t.Helper()
	c, err := pg.Start(t.Context(), pg.Options{Dir: data})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Stop(t.Context())
	conn, err := pgx.Connect(t.Context(), c.URL())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	for question, want := range map[string]int{
		`SELECT count(*) FROM units`:                          units,
		`SELECT count(DISTINCT serial) FROM units`:            units,
		`SELECT count(*) FROM attempts`:                       units,
		`SELECT count(*) FROM attempts WHERE verdict IS NULL`: 0,
		`SELECT count(*) FROM takes`:                          2 * units,
		`SELECT count(*) FROM take_curves`:                    2 * units,
		`SELECT count(*) FROM readings`:                       units,
		`SELECT max(place) FROM units`:                        units,
		`SELECT count(DISTINCT place) FROM units`:             units,
		`SELECT count(*) FROM (SELECT attempt FROM takes GROUP BY attempt HAVING count(*) <> 2) x`: 0,
		`SELECT max(entry) - count(*) FROM journal`:                                                0, // no gaps
		`SELECT count(*) FROM journal WHERE action = 'take in'`:                                    units,
		`SELECT count(*) FROM quarantine`:                                                          0,
		`SELECT count(DISTINCT content_hash) FROM takes`:                                           2 * units,
		`SELECT (next_place - 1)::int FROM products`:                                               units,
	} {
		var got int
		if err := conn.QueryRow(t.Context(), question).Scan(&got); err != nil || got != want {
			t.Errorf("%s = %d (%v), want %d", question, got, err, want)
		}
	}
}

// Ctrl-C in the middle of an ingest ends it in order: exit code 130, no process of ours
// left, and the same command does the rest.
func TestInterruptedIngest(t *testing.T) {
	t.Parallel()
	dir := reachable(t)
	data, rows := filepath.Join(dir, "data"), filepath.Join(dir, "rows")
	if err := os.Mkdir(rows, 0o755); err != nil {
		t.Fatal(err)
	}
	const units = 300
	manyUnits(t, rows, units)
	product := filepath.Join(dir, "product.json")
	if err := os.WriteFile(product, []byte(killProduct), 0o644); err != nil {
		t.Fatal(err)
	}
	env := []string{"ALIKE_DATABASE_URL="}
	if _, errs, code := alike(t, t.Context(), env, "product", "add", product, "--data", data); code != 0 {
		t.Fatal(errs)
	}
	cmd := exec.Command("alike", "ingest", rows, "--data", data)
	cmd.Env = append(os.Environ(), env...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	url := waitForURL(t, data, cmd.Process.Pid, done)
	for countUnits(t, url) < 10 {
		time.Sleep(5 * time.Millisecond)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	<-done
	if code := cmd.ProcessState.ExitCode(); code != 130 {
		t.Errorf("exit code %d, want 130: %s", code, errs.String())
	}
	contains(t, "the error stream", errs.String(), "interrupted; what was stored is whole")
	if _, err := os.Stat(filepath.Join(data, "postgres", "postmaster.pid")); !os.IsNotExist(err) {
		t.Error("PostgreSQL was not stopped cleanly")
	}
	if out, errs, code := alike(t, t.Context(), env, "ingest", rows, "--data", data); code != 0 {
		t.Errorf("%s%s", out, errs)
	}
	audit(t, data, units)
}
