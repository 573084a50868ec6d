package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Cluster is a running server of ours. Its methods may be called from several
// goroutines at once.
type Cluster struct {
	Version string // of the server, as in "15.4"

	bin             Binaries
	place           place
	access          access
	socketTemporary bool
	throwaway       bool
	lock            *dirLock
	log             func(string)
	child           *child

	stopping atomic.Bool
	stopOnce sync.Once
	stopErr  error
	died     chan struct{} // closed when the server ended without Stop
	ended    chan struct{} // closed when the server has ended
	stopped  chan struct{} // closed when Stop is through
	exit     error         // why, to be read after ended
}

// URL names the product's database on the server; pgx and libpq read it. On
// Windows it contains the password.
func (c *Cluster) URL() string { return c.access.url(role) }

// PID is the process number of the server.
func (c *Cluster) PID() int { return c.child.pid() }

// Data is the folder of the cluster.
func (c *Cluster) Data() string { return c.place.data() }

// Done is closed when the server has ended although nobody called Stop; Err then
// says why. Call Stop all the same, before the next Start on the data folder.
func (c *Cluster) Done() <-chan struct{} { return c.died }

// Err tells why the server ended by itself. It is nil before Done is closed.
func (c *Cluster) Err() error {
	select {
	case <-c.died:
		return c.exitError()
	default:
		return nil
	}
}

func (c *Cluster) exitError() error {
	why := "ended by itself"
	if c.exit != nil {
		why = "ended by itself (" + c.exit.Error() + ")"
	}
	if early := strings.TrimSpace(c.child.said.String()); early != "" {
		return fmt.Errorf("PostgreSQL %s: %s", why, early)
	}
	return fmt.Errorf("PostgreSQL %s; the end of its log %s: %s", why, c.logFile(), logTail(c.logFile()))
}

func (c *Cluster) watch() {
	c.exit = c.child.wait()
	close(c.ended)
	if !c.stopping.Load() {
		close(c.died)
	}
}

// Stop stops the server and frees the data folder. It asks for a fast shutdown,
// which cuts off clients but loses nothing, and becomes more urgent after 30
// seconds or at the end of ctx. A second call waits for the first and returns
// the same.
func (c *Cluster) Stop(ctx context.Context) error {
	c.stopOnce.Do(func() {
		defer close(c.stopped)
		err := c.halt(ctx)
		if c.throwaway {
			err = errors.Join(err, removeAll(c.place.folders()))
		}
		c.stopErr = errors.Join(err, c.lock.release())
	})
	return c.stopErr
}

// stopAfter stops the server when ctx ends.
func (c *Cluster) stopAfter(ctx context.Context) {
	select {
	case <-ctx.Done():
		c.Stop(context.Background())
	case <-c.stopped:
	}
}

// halt ends the server but keeps the lock.
func (c *Cluster) halt(ctx context.Context) error {
	c.stopping.Store(true)
	err := c.end(ctx)
	if err == nil {
		c.child.leash.release()
	}
	c.removeSocket()
	return err
}

func (c *Cluster) end(ctx context.Context) error {
	hurry := ctx.Done()
	for how := fast; how <= kill; how++ {
		select {
		case <-c.ended:
			return nil
		default:
		}
		if how > fast {
			c.log("the database takes long to stop, cutting it off; it repairs itself at the next start")
		}
		if err := send(c.bin, c.PID(), how); err != nil {
			return fmt.Errorf("stopping PostgreSQL (process %d): %w", c.PID(), err)
		}
		select {
		case <-c.ended:
			return nil
		case <-time.After(patience[how]):
		case <-hurry:
			hurry = nil // the next, harder way gets its full time
		}
	}
	return fmt.Errorf("PostgreSQL (process %d) does not end", c.PID())
}

func (c *Cluster) removeSocket() {
	if c.access.socket != "" {
		os.RemoveAll(c.access.socket)
	}
}

// waitReady returns when the server takes connections and has our database. A
// server that repairs itself after a crash may take minutes; we wait as long as
// it says so. One that says nothing for a minute cannot be reached.
func (c *Cluster) waitReady(ctx context.Context) error {
	heard, told := time.Now(), time.Now()
	for {
		err := c.makeDatabase(ctx)
		if err == nil || ctx.Err() != nil {
			return ctx.Err()
		}
		if busy(err) {
			heard = time.Now()
		}
		if isAnswer(err) && !busy(err) || errors.Is(err, os.ErrPermission) || time.Since(heard) > time.Minute {
			return fmt.Errorf("connecting to the database just started: %w", err)
		}
		if time.Since(told) > 5*time.Second {
			c.log("waiting for PostgreSQL: " + logTail(c.logFile()))
			told = time.Now()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-c.ended:
			return c.exitError()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// isAnswer tells an error that the server sent from a failure to reach it.
func isAnswer(err error) bool {
	var answer *pgconn.PgError
	return errors.As(err, &answer)
}

// busy tells that the server is starting up or repairing itself.
func busy(err error) bool {
	const cannotConnectNow = "57P03"
	var answer *pgconn.PgError
	return errors.As(err, &answer) && answer.Code == cannotConnectNow
}

// makeDatabase creates our database in a new cluster.
func (c *Cluster) makeDatabase(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, c.access.url("postgres"))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	var there bool
	err = conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", role).Scan(&there)
	if err != nil || there {
		return err
	}
	_, err = conn.Exec(ctx, "CREATE DATABASE "+role)
	return err
}
