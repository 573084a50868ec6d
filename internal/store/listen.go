package store

import (
	"context"
	"errors"
	"time"
)

// journalChannel is where PostgreSQL tells who listens that a journal grew; the
// message is the code of the site. It is sent with the commit, by whatever program
// wrote, and never for a transaction that was undone.
const journalChannel = "alike_journal"

// quiet is how long nothing may be heard before the connection is tried.
const quiet = 30 * time.Second

// Listen calls heard once it listens, and then whenever the site's journal has grown,
// until ctx ends or the connection is lost. It takes a connection of its own. Several
// entries may be one call: read the journal to know them.
func (db *DB) Listen(ctx context.Context, site string, heard func()) error {
	lease, err := db.pool.Acquire(ctx)
	if err != nil {
		return translate(err)
	}
	conn := lease.Hijack() // the pool shall not wait for a listener when it is closed
	defer func() {
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(stop)
	}()
	if _, err := conn.Exec(ctx, `LISTEN `+journalChannel); err != nil {
		return translate(err)
	}
	heard()
	for {
		wait, cancel := context.WithTimeout(ctx, quiet)
		n, err := conn.WaitForNotification(wait)
		cancel()
		switch {
		case err == nil:
			if n.Payload == site {
				heard()
			}
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, context.DeadlineExceeded):
			if err := conn.Ping(ctx); err != nil {
				return translate(err)
			}
		default:
			return translate(err)
		}
	}
}
