package api

import (
	"context"
	"errors"
	"net"
	"net/http"
	"sync"

	"alike/api/pages"

	"github.com/labstack/echo/v4"
)

// A Demo simulates a workshop beside the one that is served, in a site of its own, and
// serves its pages at another port of this machine, which it returns. It says in a line
// what it does. The pages last as long as the server; ctx ends the simulation.
type Demo func(ctx context.Context, say func(string)) (port string, err error)

// A demoRun is the simulation on its way.
type demoRun struct {
	stop context.CancelFunc

	mu    sync.Mutex
	words string
	lines int
	ended bool
	port  string
	err   error
}

type demos struct {
	mu   sync.Mutex
	last *demoRun
}

func (d *demos) current() *demoRun {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.last
}

func (r *demoRun) say(text string) {
	r.mu.Lock()
	r.words, r.lines = text, r.lines+1
	r.mu.Unlock()
}

func (r *demoRun) end(port string, err error) {
	r.mu.Lock()
	r.ended, r.port, r.err = true, port, err
	r.mu.Unlock()
}

type demoBody struct {
	Words           string
	Ended, Stopped  bool
	Address, Failed string
}

// beginDemo starts the simulation unless it is on its way, or there.
func (s *server) beginDemo(c echo.Context) error {
	if s.Demo == nil {
		return newProblem(http.StatusNotFound, "this server cannot simulate a workshop", "run it with: alike demo")
	}
	s.demos.mu.Lock()
	defer s.demos.mu.Unlock()
	if r := s.demos.last; r == nil || r.over() {
		ctx, cancel := context.WithCancel(context.WithoutCancel(c.Request().Context()))
		r = &demoRun{stop: cancel, words: "starting"}
		s.demos.last = r
		stop := stopping(c.Request().Context())
		go func() {
			select {
			case <-stop:
				cancel()
			case <-ctx.Done():
			}
		}()
		go func() {
			defer cancel()
			r.end(s.Demo(ctx, r.say))
		}()
	}
	return c.Redirect(http.StatusSeeOther, "/start/demo")
}

// over reports whether it ended without pages to show.
func (r *demoRun) over() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.ended && r.err != nil
}

// demoPage shows how far the simulation has come, and then where its pages are. While
// it runs the page asks again, with a script or without.
func (s *server) demoPage(c echo.Context) error {
	r := s.demos.current()
	if r == nil {
		return c.Redirect(http.StatusSeeOther, "/start#demo")
	}
	r.mu.Lock()
	b := demoBody{Words: r.words, Ended: r.ended}
	port, err := r.port, r.err
	r.mu.Unlock()
	switch {
	case !b.Ended:
		c.Response().Header().Set("Refresh", "1")
	case errors.Is(err, context.Canceled):
		b.Stopped = true
	case err != nil:
		s.log.Error("the simulated workshop failed", "error", err)
		b.Failed = err.Error()
	default:
		host, _, e := net.SplitHostPort(c.Request().Host)
		if e != nil {
			host = c.Request().Host
		}
		b.Address = "http://" + net.JoinHostPort(host, port) + "/"
	}
	return s.show(c, http.StatusOK, "demo", pages.View{Title: "Simulated workshop", Body: b})
}

// stopDemo gives the simulation up. What it stored lies in its own site.
func (s *server) stopDemo(c echo.Context) error {
	if r := s.demos.current(); r != nil {
		r.stop()
	}
	return c.Redirect(http.StatusSeeOther, "/start/demo")
}
