package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"alike/internal/store/storetest"

	"github.com/jackc/pgx/v5"
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
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"sql": sql},
		Setup: func(e *testscript.Env) error {
			url := storetest.URL(e.T().(testing.TB))
			e.Setenv("ALIKE_DATABASE_URL", url)
			e.Setenv("ALIKE_AS", "tester")
			spc, err := filepath.Abs("../../spc") // its test data, with sources beside them
			e.Setenv("SPC", spc)
			return err
		},
	})
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
