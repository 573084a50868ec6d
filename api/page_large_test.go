package api_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
)

// With 10 000 units in one lot and one week pages stay small: days become bars, lists
// have an end and a way on.
func TestTenThousandUnits(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{}, "W", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	addProduct(t, l)
	setup, err := l.Setup(t.Context(), "p1")
	if err != nil {
		t.Fatal(err)
	}
	storetest.FillUnits(t, url, "p1", 10_000, 20_000, len(setup.Band), len(setup.StreamList))
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	b := &browser{t, srv.URL, &http.Client{}}
	for path, most := range map[string]int{"/": 300 << 10, "/units": 120 << 10, "/units?q=F-": 120 << 10, "/lots": 40 << 10, "/lots/F000000": 400 << 10, "/products/p1/limits?lot=F000000": 120 << 10} {
		res, err := http.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		n, err := io.Copy(io.Discard, res.Body)
		res.Body.Close()
		if err != nil || res.StatusCode != 200 || n > int64(most) {
			t.Errorf("%s: %d, %d kB of at most %d (%v)", path, res.StatusCode, n>>10, most>>10, err)
		}
	}
	p := b.get("/")
	if bars, marks := len(p.all(".shares svg")), len(p.all(".bits a")); bars == 0 || marks > 400 {
		t.Errorf("%d bars and %d marks", bars, marks)
	}
	p.number("#now-todo tbody tr", 25)
	p.says("#now-todo p", "125 waiting")
	p = b.get("/lots/F000000")
	p.number(".shares svg", 1)
	p.number(".bits a", 0)
	p.says(".figures", "10000")
	p = b.get("/units")
	p.number("tbody tr", 100)
	p.number("a[rel=next]", 1)
}
