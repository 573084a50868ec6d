package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"
)

// A backup of the data folder while a server runs on it, back into a new data folder,
// and Ctrl-C before it began.
func TestBackupBesideServer(t *testing.T) {
	t.Parallel()
	dir := reachable(t)
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "line.alike")
	product := filepath.Join(dir, "product.json")
	if err := os.WriteFile(product, []byte(killProduct), 0o644); err != nil {
		t.Fatal(err)
	}
	env := []string{"ALIKE_DATABASE_URL="}
	if _, errs, code := alike(t, t.Context(), env, "product", "add", product, "--data", data); code != 0 {
		t.Fatal(errs)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	address := freeAddress(t)
	go func() {
		_, _, code := alike(t, ctx, env, "serve", "--data", data, "--listen", address)
		ended <- code
	}()
	defer func() {
		stop()
		if code := <-ended; code != 0 {
			t.Errorf("the server ended with %d", code)
		}
	}()
	until(t, "the server is ready", func() bool { return ready("http://" + address + "/readyz") })
	out, errs, code := alike(t, t.Context(), env, "backup", file, "--data", data)
	contains(t, "backup", out, "read back and found whole")
	if code != 0 {
		t.Fatal(errs)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	if _, errs, code = alike(t, t.Context(), env, "restore", file, "--data", data); code != 1 {
		t.Errorf("a restore over a running server: %d", code)
	}
	contains(t, "its error", errs, "in use by alike serve")
	if out, errs, code = alike(t, t.Context(), env, "lot", "list", "--data", data); code != 0 {
		t.Errorf("a command beside a running server: %d %s%s", code, out, errs)
	}
	if _, errs, code = alike(t, t.Context(), env, "serve", "--data", data, "--listen", freeAddress(t)); code != 1 {
		t.Errorf("a second server on the same data: %d", code)
	}
	contains(t, "its error", errs, "in use by alike serve")
	out, errs, code = alike(t, t.Context(), env, "restore", file, "--data", filepath.Join(dir, "new"))
	contains(t, "restore", out, "restored, read back and found the same")
	if code != 0 {
		t.Error(errs)
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	var c console
	c.ctx, c.out, c.err = over, os.Stdout, os.Stderr
	if code := c.finish((&restoreCommand{File: file, Check: true}).Run(&c)); code != 130 {
		t.Errorf("an interrupted check ends with %d", code)
	}
}
