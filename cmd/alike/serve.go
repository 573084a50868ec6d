package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"

	"alike/api"
)

type serveCommand struct {
	database
	Listen string `help:"Address to listen on. One that other machines can reach needs a token." default:"127.0.0.1:8060" env:"ALIKE_LISTEN"`
	Token  string `help:"Token that every request must carry; better given as ALIKE_TOKEN, since a command line can be seen by others." env:"ALIKE_TOKEN"`
}

func (cmd *serveCommand) Run(c *console) error {
	return cmd.withAs(c, false, func(w *workplace) error {
		return serve(c, w, cmd.Listen, cmd.Token)
	})
}

// serve answers requests until the console's context ends or our database dies.
func serve(c *console, w *workplace, listen, token string) error {
	log := slog.New(slog.NewTextHandler(c.err, nil))
	handler, err := api.New(api.Options{Line: w.line, DB: w.db, Token: token, Listen: listen, Version: version, Log: log})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w (another address: --listen HOST:PORT)", listen, err)
	}
	fmt.Fprintf(c.out, "serving http://%s/ (stop with Ctrl-C)\n", l.Addr())
	ctx, cancel := context.WithCancelCause(c.ctx)
	defer cancel(nil)
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
