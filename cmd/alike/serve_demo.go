package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/sim"
)

// demoBeside returns how a server simulates a workshop beside its own, in another site
// of the same database: just what alike demo does. life is the server's.
func demoBeside(life context.Context, w *workplace, listen string, log *slog.Logger, running *sync.WaitGroup) api.Demo {
	return func(ctx context.Context, say func(string)) (string, error) {
		out, err := os.UserCacheDir()
		if err != nil {
			return "", fmt.Errorf("there is no folder for the simulated takes: %w", err)
		}
		cmd := &demoCommand{Out: filepath.Join(out, "alike-demo"), Units: 40, Seed: 1, Paper: "A4"}
		story, err := cmd.story()
		if err != nil {
			return "", err
		}
		by := line.By{Actor: "demo", Origin: "pages"}
		beside := &workplace{db: w.db, by: by, line: line.New(w.db, cmd.site(story), time.Now)}
		if err := beside.line.Open(ctx, by, sim.SiteName, demoZone); err != nil {
			return "", err
		}
		words := &lineWriter{say: say}
		quiet := &console{ctx: ctx, in: strings.NewReader(""), out: words, err: words}
		if err := cmd.run(quiet, beside, story); err != nil {
			return "", err
		}
		return servePages(life, beside, listen, log, running)
	}
}

// servePages serves a workplace at any free port of the address's host.
func servePages(life context.Context, w *workplace, listen string, log *slog.Logger, running *sync.WaitGroup) (port string, err error) {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return "", err
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, "0"))
	if err != nil {
		return "", err
	}
	handler, err := api.New(api.Options{Line: w.line, DB: w.db, Listen: l.Addr().String(), Version: version, Log: log})
	if err != nil {
		l.Close()
		return "", err
	}
	running.Go(func() {
		if err := api.Serve(life, l, handler); err != nil {
			log.Error("the pages of the simulated workshop ended", "error", err)
		}
	})
	_, port, err = net.SplitHostPort(l.Addr().String())
	return port, err
}

// A lineWriter hands on every whole line that is written.
type lineWriter struct {
	mu   sync.Mutex
	rest []byte
	say  func(string)
}

func (w *lineWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.rest = append(w.rest, p...)
	for {
		text, rest, found := bytes.Cut(w.rest, []byte("\n"))
		if !found {
			return len(p), nil
		}
		if s := strings.TrimSpace(string(text)); s != "" {
			w.say(s)
		}
		w.rest = rest
	}
}
