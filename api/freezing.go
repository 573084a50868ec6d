package api

import (
	"context"
	"sync"
	"time"

	"alike/internal/line"
)

// A freezing is the setting of limits on its way: the calibration takes some seconds,
// longer than a page should.
type freezing struct {
	Product string
	Base    line.Baseline
	By      line.By
	Started time.Time
	stop    context.CancelFunc

	mu     sync.Mutex
	share  float64
	ended  bool
	frozen line.Frozen
	err    error
}

// A freezingState is what a page shows of it.
type freezingState struct {
	Share  float64
	Ended  bool
	Frozen line.Frozen
	Err    error
}

func (f *freezing) state() freezingState {
	f.mu.Lock()
	defer f.mu.Unlock()
	return freezingState{f.share, f.ended, f.frozen, f.err}
}

// freezings holds the last freezing of each product.
type freezings struct {
	mu   sync.Mutex
	last map[string]*freezing
}

func newFreezings() *freezings { return &freezings{last: map[string]*freezing{}} }

func (f *freezings) of(product string) *freezing {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.last[product]
}

// begin starts a freezing unless one of the product is on its way, which it returns
// then. It ends with the server that the request came to.
func (s *server) begin(request context.Context, by line.By, product string, base line.Baseline, reason string) (f *freezing, begun bool) {
	s.freezings.mu.Lock()
	defer s.freezings.mu.Unlock()
	if f := s.freezings.last[product]; f != nil && !f.state().Ended {
		return f, false
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(request))
	f = &freezing{Product: product, Base: base, By: by, Started: time.Now(), stop: cancel}
	s.freezings.last[product] = f
	stop := stopping(request)
	go func() {
		select {
		case <-stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	go func() {
		defer cancel()
		frozen, err := s.Line.Freeze(ctx, by, product, line.Freezing{Baseline: base, Reason: reason, Progress: func(share float64) {
			f.mu.Lock()
			f.share = share
			f.mu.Unlock()
		}})
		f.mu.Lock()
		f.ended, f.frozen, f.err = true, frozen, err
		f.mu.Unlock()
	}()
	return f, true
}
