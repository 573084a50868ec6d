package api_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/envelope"
)

// BenchmarkPages prints, for a workshop with 100 000 units, the 95th percentile of a
// page's time over HTTP and of the questions behind it alone, and their ratio.
//
//	go test -run '^$' -bench Pages -benchtime 60x ./api
func BenchmarkPages(b *testing.B) {
	url := storetest.URL(b)
	db, err := store.Open(b.Context(), url)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if err := l.Open(b.Context(), line.By{}, "W", "Europe/Vienna"); err != nil {
		b.Fatal(err)
	}
	p := line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 3, Bands: line.Span{From: 20, To: 20000},
		Anchor: line.Span{From: 500, To: 2000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 20, To: 20000, Minus: 3, Plus: 3}}},
	}
	if _, err := l.AddProduct(b.Context(), line.By{}, p); err != nil {
		b.Fatal(err)
	}
	setup, err := l.Setup(b.Context(), "p1")
	if err != nil {
		b.Fatal(err)
	}
	storetest.Fill(b, url, "p1", 100_000, 40, len(setup.Band), len(setup.StreamList))
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	srv := httptest.NewServer(h)
	b.Cleanup(srv.Close)
	site := db.Site("main")
	far := time.Now().Add(time.Hour)
	for _, bench := range []struct {
		name, path string
		ask        func() error
	}{
		{"line", "/", func() error { _, err := l.Now(b.Context()); return err }},
		{"unit", "/units/F-0050001", func() error { _, err := l.UnitDetail(b.Context(), "F-0050001"); return err }},
		{"units", "/units", func() error { _, err := site.UnitsBefore(b.Context(), far, "", 100); return err }},
		{"find", "/units?q=50001", func() error { _, err := site.FindUnits(b.Context(), "50001", 100); return err }},
		{"lots", "/lots", func() error { _, err := site.LotsBefore(b.Context(), far, "", 50); return err }},
		{"lot", "/lots/F001000", func() error { _, err := l.LotReport(b.Context(), "F001000", ""); return err }},
		{"product", "/products/p1", func() error { _, err := l.ProductDetail(b.Context(), "p1"); return err }},
		{"compare", "/compare?first=F001000&second=F001001", func() error { _, err := l.CompareLots(b.Context(), "F001000", "F001001"); return err }},
	} {
		b.Run(bench.name, func(b *testing.B) {
			var page, bare []time.Duration
			for b.Loop() {
				start := time.Now()
				if err := bench.ask(); err != nil {
					b.Fatal(err)
				}
				bare = append(bare, time.Since(start))
				start = time.Now()
				res, err := http.Get(srv.URL + bench.path)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := io.Copy(io.Discard, res.Body); err != nil || res.StatusCode != 200 {
					b.Fatal(res.Status, err)
				}
				res.Body.Close()
				page = append(page, time.Since(start))
			}
			x, y := p95(page), p95(bare)
			b.ReportMetric(x, "page-p95-ms")
			b.ReportMetric(y, "questions-p95-ms")
			b.ReportMetric(x/y, "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

func p95(times []time.Duration) float64 {
	slices.Sort(times)
	return times[len(times)*95/100].Seconds() * 1e3
}
