package main

import (
	"context"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// The demo as a new user runs it: reports for six lots, bad lots refused, good ones
// not, every planted trouble found; a second run of it changes nothing; and then it
// stays up and shows its page.
func TestDemo(t *testing.T) {
	t.Parallel()
	dir := reachable(t)
	out, data := filepath.Join(dir, "out"), filepath.Join(dir, "data")
	env := []string{"ALIKE_DATABASE_URL="}
	text, errs, code := alike(t, t.Context(), env, "demo", "--exit", "--out", out, "--data", data)
	if code != 0 {
		t.Fatalf("exit code %d\n%s%s", code, text, errs)
	}
	contains(t, "the error stream", errs, "never wear a unit while one can start")
	if strings.Contains(text, "NOT FOUND") || strings.Count(text, "planted: ") != 6+5 {
		t.Errorf("planted troubles:\n%s", text)
	}
	files, err := filepath.Glob(filepath.Join(out, "lot-*.xlsx"))
	if err != nil || len(files) != 6 {
		t.Fatalf("%d reports (%v)", len(files), err)
	}
	proposals := regexp.MustCompile(`(?m)^lot (\S+)  proposal: (\S.*?\S) +\(planted: (good|bad)\)`).FindAllStringSubmatch(text, -1)
	if len(proposals) != 6 {
		t.Fatalf("%d proposals in\n%s", len(proposals), text)
	}
	for _, p := range proposals {
		if want := map[string]string{"good": "accept", "bad": "refuse"}[p[3]]; p[2] != want {
			t.Errorf("lot %s: %s, planted %s", p[1], p[2], p[3])
		}
		checkReport(t, filepath.Join(out, "lot-"+p[1]+".xlsx"), p[2])
	}
	contains(t, "the output", text, "the rig was not checked on the morning of 2026-09-16: 4 units waited on hold until noon, then 4 pass")
	showsWhatReadmeShows(t, text)
	again, _, code := alike(t, t.Context(), env, "demo", "--exit", "--out", out, "--data", data)
	if code != 0 || strings.Count(again, " 0 takes stored, ") != 6 {
		t.Errorf("the second run: %d\n%s", code, again)
	}
	showsItsPage(t, env, out, data)
}

// showsWhatReadmeShows looks for every line of the demo's output in README.md.
func showsWhatReadmeShows(t *testing.T, out string) {
	t.Helper()
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, block, found := strings.Cut(string(readme), "```\nlot 2026-W39")
	block, _, closed := strings.Cut(block, "```")
	if !found || !closed {
		t.Fatal("README.md does not show the demo")
	}
	for shown := range strings.Lines("lot 2026-W39" + block) {
		if !strings.Contains(out, shown) {
			t.Errorf("README.md shows, but the demo does not print: %s", shown)
		}
	}
}

func checkReport(t *testing.T, name, proposal string) {
	t.Helper()
	f, err := excelize.OpenFile(name)
	if err != nil {
		t.Error(err)
		return
	}
	defer f.Close()
	rows, err := f.GetRows("Summary")
	if err != nil {
		t.Error(err)
		return
	}
	var all []string
	for _, r := range rows {
		all = append(all, strings.Join(r, " "))
	}
	contains(t, name, strings.ToLower(strings.Join(all, "\n")), proposal)
	units, err := f.GetRows("Units")
	if err != nil || len(units) < 41 {
		t.Errorf("%s: %d rows of units (%v)", name, len(units), err)
	}
}

func showsItsPage(t *testing.T, env []string, out, data string) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	address := "127.0.0.1:18473"
	go func() {
		_, _, code := alike(t, ctx, env, "demo", "--out", out, "--data", data, "--listen", address)
		ended <- code
	}()
	defer cancel()
	ok := false
	for deadline := time.Now().Add(90 * time.Second); time.Now().Before(deadline) && !ok; time.Sleep(100 * time.Millisecond) {
		res, err := http.Get("http://" + address + "/readyz")
		if err == nil {
			res.Body.Close()
			ok = res.StatusCode == http.StatusOK
		}
	}
	if !ok {
		t.Error("the page did not come up")
	}
	cancel()
	if code := <-ended; code != 0 {
		t.Errorf("after Ctrl-C the demo ended with %d", code)
	}
	if _, err := os.Stat(filepath.Join(data, "postgres", "postmaster.pid")); err == nil {
		t.Error("PostgreSQL still runs")
	}
}
