package main

import (
	"bytes"
	"context"
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

	"github.com/rogpeppe/go-internal/testscript"
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
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"waitfor": waitFor},
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
