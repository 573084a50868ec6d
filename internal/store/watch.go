package store

import (
	"context"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
)

// A Watch adds up how long the database was busy for this program, from a statement's
// sending to the last row it answered with. Its zero value is ready for use.
type Watch struct {
	statements, nanoseconds atomic.Int64
}

// Spent returns the number of statements so far and the time they took, all together.
func (w *Watch) Spent() (statements int64, took time.Duration) {
	return w.statements.Load(), time.Duration(w.nanoseconds.Load())
}

type startKey struct{}

// TraceQueryStart is called by the driver.
func (w *Watch) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return context.WithValue(ctx, startKey{}, time.Now())
}

// TraceQueryEnd is called by the driver.
func (w *Watch) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryEndData) {
	if start, ok := ctx.Value(startKey{}).(time.Time); ok {
		w.statements.Add(1)
		w.nanoseconds.Add(int64(time.Since(start)))
	}
}
