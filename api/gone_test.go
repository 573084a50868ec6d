package api_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store/storetest"
)

// A lockedBuffer takes log lines of several requests.
type lockedBuffer struct {
	mu sync.Mutex
	bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.Write(p)
}

// A tab that is closed before its page came leaves nothing in the log; a database that
// is gone does.
func TestClosedTabIsNoError(t *testing.T) {
	t.Parallel()
	db := storetest.Open(t)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{Actor: "tester"}, "Workshop", "UTC"); err != nil {
		t.Fatal(err)
	}
	var log lockedBuffer
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Version: "test", Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/", "/units", "/api/v1/lots", "/api/v1/events"} {
		ctx, leave := context.WithCancel(t.Context())
		leave()
		r := httptest.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1"+path, nil)
		h.ServeHTTP(httptest.NewRecorder(), r)
		if text := log.String(); strings.Contains(text, "ERROR") {
			t.Errorf("%s, closed: %s", path, text)
		}
	}
	ctx, leave := context.WithTimeoutCause(t.Context(), time.Minute, errors.New("late"))
	defer leave()
	db.Close()
	h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1/units", nil))
	if text := log.String(); !strings.Contains(text, "ERROR") {
		t.Errorf("a database that is gone is not in the log: %q", text)
	}
}
