package station

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
)

// BenchmarkSend sends files of 230 points through a station to a server that only says
// yes, and prints how much of the time goes into what no spool can do without: writing
// the same bytes to a file of their own, fsync, rename and fsync of the folder.
func BenchmarkSend(b *testing.B) {
	yes := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprint(w, `{"takes":[{"status":"stored"}]}`)
	}))
	defer yes.Close()
	pattern, err := curve.ParsePattern("{serial}_{channel}_{seating}.txt")
	if err != nil {
		b.Fatal(err)
	}
	var text strings.Builder
	for hz := 20.0; hz < 20000; hz *= 1.0305 {
		fmt.Fprintf(&text, "%.2f\t%.3f\n", hz, 90+hz/1e5)
	}
	const files = 200
	var sending, spooling time.Duration
	for b.Loop() {
		dir := b.TempDir()
		for i := range files {
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("U%04d_left_1.txt", i)), []byte(text.String()), 0o644); err != nil {
				b.Fatal(err)
			}
		}
		started := time.Now()
		st, err := Run(b.Context(), Options{Dir: dir, Server: yes.URL, Pattern: pattern, Once: true, Settle: time.Millisecond, Poll: time.Millisecond})
		sending += time.Since(started)
		if err != nil || st.Stored != files {
			b.Fatal(st, err)
		}
		bare := b.TempDir()
		started = time.Now()
		for i := range files {
			if err := writeDurably(filepath.Join(bare, fmt.Sprint(i)), []byte(strings.Repeat("x", 5_000))); err != nil {
				b.Fatal(err)
			}
		}
		spooling += time.Since(started)
	}
	b.ReportMetric(spooling.Seconds()/sending.Seconds(), "of-it-disk")
	b.ReportMetric(files*float64(b.N)/sending.Seconds(), "takes/s")
}
