package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
)

// patience is how long a test waits for an event on a busy machine; on a quiet one it
// comes within milliseconds.
const patience = 20 * time.Second

// A watcher reads a stream of events.
type watcher struct {
	t      *testing.T
	events chan api.Event
	ended  chan struct{}
}

func watch(t *testing.T, address, lastID string) *watcher {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, "GET", address+"/api/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if ct := res.Header.Get("Content-Type"); res.StatusCode != 200 || !strings.HasPrefix(ct, "text/event-stream") {
		t.Fatalf("%d %s", res.StatusCode, ct)
	}
	w := &watcher{t, make(chan api.Event, 100), make(chan struct{})}
	begun := make(chan struct{})
	go func() {
		defer close(w.ended)
		defer res.Body.Close()
		for lines := bufio.NewScanner(res.Body); lines.Scan(); {
			if strings.HasPrefix(lines.Text(), "retry:") {
				close(begun)
			}
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				var e api.Event
				if json.Unmarshal([]byte(data), &e) == nil {
					w.events <- e
				}
			}
		}
	}()
	<-begun
	return w
}

func (w *watcher) next(within time.Duration) api.Event {
	w.t.Helper()
	select {
	case e := <-w.events:
		return e
	case <-time.After(within):
		w.t.Fatalf("no event within %v", within)
		return api.Event{}
	}
}

func serveOn(t *testing.T, db *store.DB) (address string, stop func() error) {
	t.Helper()
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{}, "W", "UTC"); err != nil {
		t.Fatal(err)
	}
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	lis := listen(t)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- api.Serve(ctx, lis, h) }()
	t.Cleanup(cancel)
	return "http://" + lis.Addr().String(), func() error { cancel(); return <-done }
}

// What another program stores is told, what is told once is told with
// its number, and a client that comes back gets what it missed.
func TestEventsFromAnotherProgram(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	open := func() *store.DB {
		db, err := store.Open(t.Context(), url)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(db.Close)
		return db
	}
	address, stop := serveOn(t, open())
	w := watch(t, address, "")
	other := line.New(open(), "main", time.Now)
	product := line.Product{
		Code: "p1", Name: "P", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FalseAlarms: 500,
	}
	if _, err := other.AddProduct(t.Context(), line.By{Actor: "elsewhere"}, product); err != nil {
		t.Fatal(err)
	}
	e := w.next(patience)
	if e.Action != "add product" || e.Subject != "p1" || e.Entry != 2 {
		t.Errorf("%+v", e)
	}
	// A foreign site's deeds are not ours.
	foreign := line.New(open(), "elsewhere", time.Now)
	if err := foreign.Open(t.Context(), line.By{}, "E", "UTC"); err != nil {
		t.Fatal(err)
	}
	product.Code = "p2"
	if _, err := other.AddProduct(t.Context(), line.By{}, product); err != nil {
		t.Fatal(err)
	}
	if e := w.next(patience); e.Subject != "p2" {
		t.Errorf("%+v", e)
	}
	again := watch(t, address, "1")
	if a, b := again.next(patience), again.next(patience); a.Subject != "p1" || b.Subject != "p2" {
		t.Errorf("missed events: %+v %+v", a, b)
	}
	begun := time.Now()
	if err := stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	if d := time.Since(begun); d > 5*time.Second {
		t.Fatalf("watchers held the server up for %v", d)
	}
	<-w.ended
	<-again.ended
}

// A listener that PostgreSQL throws out comes back, and nothing is lost.
func TestEventsAfterLostConnection(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	address, _ := serveOn(t, db)
	w := watch(t, address, "")
	if n := storetest.EndListeners(t, url); n != 1 {
		t.Fatalf("%d listeners ended", n)
	}
	l := line.New(db, "main", time.Now)
	if _, err := l.AddProduct(t.Context(), line.By{}, line.Product{
		Code: "p1", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FalseAlarms: 500,
	}); err != nil {
		t.Fatal(err)
	}
	if e := w.next(patience); e.Subject != "p1" {
		t.Errorf("%+v", e)
	}
}
