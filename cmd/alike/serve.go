package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"

	"alike/api"
	"alike/internal/line"
)

type serveCommand struct {
	database
	Listen  string `help:"Address to listen on. At one that other machines can reach everybody signs in." default:"127.0.0.1:8060" env:"ALIKE_LISTEN"`
	TLSCert string `name:"tls-cert" help:"File with the certificate, and those between it and its root, in PEM form: people and stations are then spoken to over https." type:"path" env:"ALIKE_TLS_CERT" placeholder:"FILE"`
	TLSKey  string `name:"tls-key" help:"File with the certificate's private key, in PEM form." type:"path" env:"ALIKE_TLS_KEY" placeholder:"FILE"`
	Token   string `help:"Token of stations from earlier releases: it goes on as one token among those that alike tokens lists." env:"ALIKE_TOKEN"`
}

func (serveCommand) Help() string {
	return `While nobody is registered, a server that only this machine can reach asks nobody who
they are. The link that it prints makes whoever opens it the first administrator; from
then on people sign in, and stations send a token (alike tokens add NAME).

Examples:
  alike serve
  alike serve --listen 0.0.0.0:8443 --tls-cert line.crt --tls-key line.key`
}

func (cmd *serveCommand) Run(c *console) error {
	pair, err := newPair(cmd.TLSCert, cmd.TLSKey)
	if err != nil {
		return err
	}
	return cmd.withAs(c, false, func(w *workplace) error {
		if cmd.Token != "" {
			if err := keepToken(c, w, cmd.Token); err != nil {
				return err
			}
		}
		link, err := w.line.FirstLink(c.ctx)
		if err != nil {
			return err
		}
		return serve(c, w, serving{listen: cmd.Listen, pair: pair, demand: cmd.Token != "", firstLink: link})
	})
}

// keepToken takes over the token that servers of earlier releases were started with.
func keepToken(c *console, w *workplace, token string) error {
	added, err := w.line.KeepToken(c.ctx, w.by, token)
	var refusal *line.Refusal
	if errors.As(err, &refusal) {
		c.note("Warning: " + refusal.Reason + "; " + refusal.Remedy)
		return nil
	}
	if added {
		c.note("the token that the server was started with is a station's token now (alike tokens list); people sign in instead")
	}
	return err
}

// serving says how a server is to be run.
type serving struct {
	listen    string
	pair      *pair // nil without TLS
	demand    bool  // everybody signs in, also on loopback with nobody registered
	firstLink string
}

// serve answers requests until the console's context ends or our database dies.
func serve(c *console, w *workplace, o serving) error {
	log := slog.New(slog.NewTextHandler(c.err, nil))
	var beside sync.WaitGroup // servers beside this one, which end with it
	defer beside.Wait()
	ctx, cancel := context.WithCancelCause(c.ctx)
	defer cancel(nil)
	var demo api.Demo
	if o.pair == nil && api.Loopback(o.listen) { // its pages are open, hence for this machine only
		demo = demoBeside(ctx, w, o.listen, log, &beside)
	}
	handler, err := api.New(api.Options{Line: w.line, DB: w.db, Demand: o.demand, Listen: o.listen, Version: version, Log: log, Demo: demo})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", o.listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w (another address: --listen HOST:PORT)", o.listen, err)
	}
	scheme := "http"
	if o.pair != nil {
		scheme = "https"
		l = tls.NewListener(l, &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: o.pair.get, NextProtos: []string{"http/1.1"}})
	} else if !api.Loopback(o.listen) {
		c.note("Warning: passwords and tokens cross the network unencrypted; give --tls-cert and --tls-key, or let a proxy in front encrypt.")
	}
	fmt.Fprintf(c.out, "serving %s://%s/ (stop with Ctrl-C)\n", scheme, l.Addr())
	if o.firstLink != "" {
		fmt.Fprintf(c.out, "no administrator can sign in yet; who opens this within %.0f minutes becomes one:\n  %s://%s/welcome/%s\n", line.FirstLinkLasts.Minutes(), scheme, l.Addr(), o.firstLink)
	}
	if w.cluster != nil {
		go func() {
			select {
			case <-w.cluster.Done():
				cancel(fmt.Errorf("our PostgreSQL stopped: %w", w.cluster.Err()))
			case <-ctx.Done():
			}
		}()
	}
	if err := api.Serve(ctx, l, handler); err != nil {
		return err
	}
	if cause := context.Cause(ctx); cause != nil && c.ctx.Err() == nil {
		return cause
	}
	return nil
}

// A pair is a certificate with its key, in files that may be renewed while the server
// runs.
type pair struct {
	cert, key string

	mu      sync.Mutex
	loaded  *tls.Certificate
	changed time.Time // of the newer file
}

// newPair reads a certificate and its key, nil when neither is given.
func newPair(cert, key string) (*pair, error) {
	if cert == "" && key == "" {
		return nil, nil
	}
	if cert == "" || key == "" {
		return nil, errors.New("a certificate needs its key: give both --tls-cert FILE and --tls-key FILE")
	}
	p := &pair{cert: cert, key: key}
	if _, err := p.get(nil); err != nil {
		return nil, fmt.Errorf("the certificate in %s with the key in %s cannot be used: %w", cert, key, err)
	}
	return p, nil
}

// get returns the certificate, read again when a file has changed. While the new ones do
// not fit together the old one goes on.
func (p *pair) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	changed, err := newest(p.cert, p.key)
	if p.loaded != nil && (err != nil || !changed.After(p.changed)) {
		return p.loaded, nil
	} else if err != nil {
		return nil, err
	}
	loaded, err := tls.LoadX509KeyPair(p.cert, p.key)
	if err == nil {
		p.loaded, p.changed = &loaded, changed
	} else if p.loaded == nil {
		return nil, err
	}
	return p.loaded, nil
}

// newest returns when the newer of two files changed.
func newest(names ...string) (out time.Time, err error) {
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return out, err
		}
		if info.ModTime().After(out) {
			out = info.ModTime()
		}
	}
	return out, nil
}
