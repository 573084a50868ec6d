package api

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"alike/internal/store"
)

// A hub wakes those who watch the line when its journal grows. It holds one
// connection to the database while anybody watches, and none else.
type hub struct {
	db   *store.DB
	site string
	log  *slog.Logger

	mu   sync.Mutex
	ears map[chan struct{}]struct{}
	stop context.CancelFunc // of the listener, nil while nobody watches
}

// mostEars is how many may watch at once.
const mostEars = 256

// retryListen is how long a lost connection is left before the next try.
const retryListen = 500 * time.Millisecond

func newHub(o Options) *hub {
	h := &hub{db: o.DB, log: o.Log, ears: map[chan struct{}]struct{}{}}
	if o.Line != nil {
		h.site = o.Line.Site()
	}
	return h
}

// watch returns a channel that gets a value when there is something new; several
// changes may be one value. It is nil when too many watch. leave ends it.
func (h *hub) watch() (wake <-chan struct{}, leave func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.ears) >= mostEars {
		return nil, func() {}
	}
	ear := make(chan struct{}, 1)
	ear <- struct{}{} // who comes back has missed something
	h.ears[ear] = struct{}{}
	if h.stop == nil {
		ctx, cancel := context.WithCancel(context.Background())
		h.stop = cancel
		go h.listen(ctx)
	}
	return ear, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.ears, ear)
		if len(h.ears) == 0 && h.stop != nil {
			h.stop()
			h.stop = nil
		}
	}
}

// listen hears until ctx ends. After a lost connection everyone is woken, for
// something may have happened meanwhile.
func (h *hub) listen(ctx context.Context) {
	for ctx.Err() == nil {
		err := h.db.Listen(ctx, h.site, h.tell)
		if ctx.Err() != nil {
			return
		}
		h.log.Warn("lost the connection that hears of changes; trying again", "error", err)
		select {
		case <-ctx.Done():
		case <-time.After(retryListen):
		}
	}
}

func (h *hub) tell() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for ear := range h.ears {
		select {
		case ear <- struct{}{}:
		default: // it has not read the last one yet, and will read the journal
		}
	}
}
