package store

import (
	"context"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// A Watch adds up how long the database was busy for this program, from a statement's
// sending to the last row it answered with. Its zero value is ready for use.
type Watch struct {
	mu         sync.Mutex
	statements int
	took       time.Duration
	slowest    string
	longest    time.Duration
}

// Spent returns the number of statements and the time they took, all together, and the
// slowest of them, since it was asked last.
func (w *Watch) Spent() (statements int, took time.Duration, slowest string, longest time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	statements, took, slowest, longest = w.statements, w.took, w.slowest, w.longest
	w.statements, w.took, w.slowest, w.longest = 0, 0, "", 0
	return statements, took, slowest, longest
}

type startKey struct{}

type started struct {
	at  time.Time
	sql string
}

// TraceQueryStart is called by the driver.
func (w *Watch) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	return context.WithValue(ctx, startKey{}, started{time.Now(), d.SQL})
}

// TraceQueryEnd is called by the driver.
func (w *Watch) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryEndData) {
	w.ended(ctx)
}

// TraceBatchStart is called by the driver. A statement outside a transaction comes as a
// batch of two, the way into the site before it.
func (w *Watch) TraceBatchStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceBatchStartData) context.Context {
	last := d.Batch.QueuedQueries[len(d.Batch.QueuedQueries)-1]
	return context.WithValue(ctx, startKey{}, started{time.Now(), last.SQL})
}

// TraceBatchQuery is called by the driver.
func (w *Watch) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd is called by the driver.
func (w *Watch) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchEndData) {
	w.ended(ctx)
}

func (w *Watch) ended(ctx context.Context) {
	s, ok := ctx.Value(startKey{}).(started)
	if !ok {
		return
	}
	took := time.Since(s.at)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.statements++
	w.took += took
	if took > w.longest {
		w.slowest, w.longest = s.sql, took
	}
}
