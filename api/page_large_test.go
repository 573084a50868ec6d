package api_test

import (
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
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
	storetest.Fill(t, url, storetest.Filling{
		Site: "main", Product: "p1", Units: 10_000, PerLot: 10_000, Channels: setup.Channels, Bands: len(setup.Band), Streams: len(setup.StreamList),
		Start:  time.Now().Add(-10_000 * 4 * time.Minute),
		Stream: func(_, _ int, rng *rand.Rand) float32 { return float32(rng.NormFloat64()) / 3 },
		Judgement: func(unit int, _ *rand.Rand) (string, json.RawMessage) {
			word := "pass"
			if unit%8 == 3 {
				word = "fail"
			}
			return word, json.RawMessage(fmt.Sprintf(`{"word": %q, "sentence": "as filled", "not_checked": [], "envelope": 1, "limit_set": 0, "seatings": 1}`, word))
		},
	})
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	b := &browser{t, srv.URL, &http.Client{}}
	for path, most := range map[string]int{"/": 300 << 10, "/units": 120 << 10, "/units?q=B0": 120 << 10, "/lots": 40 << 10, "/lots/F0001": 400 << 10, "/products/p1/limits?lot=F0001": 120 << 10} {
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
	b.get("/products/p1/limits?lot=F0001").number("[name=unit]", 0)
	p := b.get("/")
	if marks := len(p.all(".bits a")); marks > 400 {
		t.Errorf("%d marks", marks)
	}
	p.number("#now-week .bits, #now-week .shares", len(p.all("#now-week h3"))) // each day one or the other
	p.number("#now-waiting tbody tr", 25)
	p.says("#now-waiting p", "Of the newest 1000: 1000 fail")
	p = b.get("/lots/F0001")
	p.number(".shares svg", 1)
	p.number(".bits a", 0)
	p.says(".figures", "10000")
	p = b.get("/units")
	p.number("tbody tr", 100)
	p.number("a[rel=next]", 1)
}
