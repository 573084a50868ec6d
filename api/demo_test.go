package api_test

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store/storetest"
)

// The simulated workshop is begun, watched, given up, begun again, and then there.
func TestDemoFromThePages(t *testing.T) {
	t.Parallel()
	db := storetest.Open(t)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{Actor: "tester"}, "Workshop", "UTC"); err != nil {
		t.Fatal(err)
	}
	next, begun := make(chan error), 0
	demo := func(ctx context.Context, say func(string)) (string, error) {
		begun++
		say("lot 2026-W37: 240 takes stored")
		select {
		case err := <-next:
			return "8123", err
		case <-ctx.Done():
			return "", ctx.Err()
		}
	}
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Version: "test", Log: slog.New(slog.DiscardHandler), Demo: demo})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(method, path string) (int, string, string) {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(method, "http://127.0.0.1:8060"+path, nil))
		return w.Code, w.Body.String(), w.Header().Get("Refresh")
	}
	until := func(part string) string {
		t.Helper()
		for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
			_, body, _ := ask("GET", "/start/demo")
			if strings.Contains(body, part) {
				return body
			} else if time.Now().After(end) {
				t.Fatalf("no %q in %s", part, body)
			}
		}
	}
	if _, body, _ := ask("GET", "/start"); !strings.Contains(body, `action="/start/demo"`) {
		t.Error("the switch is not there")
	}
	if code, _, _ := ask("GET", "/start/demo"); code != http.StatusSeeOther {
		t.Errorf("before it began: %d", code)
	}
	ask("POST", "/start/demo")
	until("240 takes stored")
	if _, _, refresh := ask("GET", "/start/demo"); refresh != "1" {
		t.Errorf("the page does not ask again: %q", refresh)
	}
	ask("POST", "/start/demo") // a second time is the same one
	ask("POST", "/start/demo/stop")
	until("Given up")
	if begun != 1 {
		t.Errorf("begun %d times", begun)
	}
	ask("POST", "/start/demo")
	until("Simulating")
	next <- errors.New("the disk is full")
	until("The disk is full")
	ask("POST", "/start/demo")
	next <- nil
	if body := until("The simulated workshop is there"); !strings.Contains(body, `href="http://127.0.0.1:8123/"`) {
		t.Error(body)
	}
	ask("POST", "/start/demo") // it is there: nothing begins
	if begun != 3 {
		t.Errorf("begun %d times", begun)
	}
	// A server without one says how else.
	b, _, _ := open(t, "")
	b.get("/start").says("#demo code", "alike demo")
	b.post("/start/demo", nil).is(http.StatusNotFound)
}
