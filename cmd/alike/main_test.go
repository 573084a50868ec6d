package main

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"alike/internal/pg/pgtest"
	"alike/internal/store/storetest"

	"github.com/jackc/pgx/v5"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/xuri/excelize/v2"
)

// TestMain lets scripts and tests run this test binary as the command alike.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"alike": func() {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}})
}

// TestScripts runs the scripts of testdata/script, one theme each, every one on a
// database of its own.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: false,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"waitfor": waitFor, "sql": sql, "samesheets": sameSheets},
		Setup: func(e *testscript.Env) error {
			url := storetest.URL(e.T().(testing.TB))
			e.Setenv("ALIKE_DATABASE_URL", url)
			e.Setenv("EMPTY", pgtest.New(e.T().(testing.TB), nil))
			e.Setenv("ADDRESS", freeAddress(e.T().(testing.TB)))
			e.Setenv("ALIKE_AS", "tester")
			spc, err := filepath.Abs("../../spc") // its test data, with sources beside them
			e.Setenv("SPC", spc)
			return err
		},
	})
}

// freeAddress is one that nothing listens on at this moment.
func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// waitFor waits until an address answers 200.
func waitFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: waitfor URL")
	}
	for deadline := time.Now().Add(time.Minute); !ready(args[0]); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			ts.Fatalf("%s did not answer within a minute", args[0])
		}
	}
}

// ready reports whether an address answers 200.
func ready(url string) bool {
	res, err := http.Get(url)
	if err != nil {
		return false
	}
	res.Body.Close()
	return res.StatusCode == http.StatusOK
}

// until waits for a condition, with a deadline.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// sql lets a script edit the tables as their owner, past the program.
func sql(ts *testscript.TestScript, neg bool, args []string) {
	conn, err := pgx.Connect(context.Background(), ts.Getenv("ALIKE_DATABASE_URL"))
	ts.Check(err)
	defer conn.Close(context.Background())
	for _, statements := range args {
		_, err := conn.Exec(context.Background(), statements)
		ts.Check(err)
	}
}

// sameSheets compares two reports: all parts to the byte but the time of making, the
// Method sheet that shows it, and the list of texts that both share; of all sheets but
// Method every cell.
func sameSheets(ts *testscript.TestScript, neg bool, args []string) {
	var parts [2]map[string]string
	var cells [2]string
	for i, name := range args {
		z, err := zip.OpenReader(ts.MkAbs(name))
		ts.Check(err)
		defer z.Close()
		parts[i] = map[string]string{}
		for _, f := range z.File {
			r, err := f.Open()
			ts.Check(err)
			content, err := io.ReadAll(r)
			ts.Check(err)
			parts[i][f.Name] = string(content)
		}
		book, err := excelize.OpenFile(ts.MkAbs(name))
		ts.Check(err)
		defer book.Close()
		for at, sheet := range book.GetSheetList() {
			if sheet == "Method" {
				delete(parts[i], fmt.Sprintf("xl/worksheets/sheet%d.xml", at+1))
				continue
			}
			rows, err := book.GetRows(sheet)
			ts.Check(err)
			cells[i] += fmt.Sprintln(sheet, rows)
		}
		delete(parts[i], "docProps/core.xml")
		delete(parts[i], "xl/sharedStrings.xml")
	}
	if same := maps.Equal(parts[0], parts[1]) && cells[0] == cells[1]; same == neg || len(parts[0]) < 12 {
		ts.Fatalf("the sheets are the same: %v", same)
	}
}

// alike runs the command in a process of its own and returns its output.
func alike(t *testing.T, ctx context.Context, env []string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	cmd := exec.CommandContext(ctx, "alike", args...) // testscript.Main put it on the path
	cmd.Env = append(os.Environ(), env...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	// A command that ends in order after ctx was cancelled still gives ctx's error.
	if _, exited := err.(*exec.ExitError); err != nil && !exited && ctx.Err() == nil {
		t.Error(err)
		return "", "", -1
	}
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func contains(t *testing.T, what, text string, wants ...string) {
	t.Helper()
	for _, w := range wants {
		if !strings.Contains(text, w) {
			t.Errorf("%s lacks %q:\n%s", what, w, text)
		}
	}
}
