//go:build pagebench

package browsertest

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/sim"
	"alike/internal/store"
	"alike/internal/store/storetest"
)

// stocked returns a workshop with many units of the simulated product, whose charts
// have limits from one of its last lots: a freeze reads every later unit again and opens
// findings of them one by one.
func stocked(t *testing.T, units int, watch *store.Watch) *workshop {
	t.Helper()
	url := storetest.URL(t)
	db, err := store.OpenWatched(t.Context(), url, watch)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), tester, "Large workshop", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	story, err := sim.New(sim.Options{Seed: 1, Units: 12})
	if err != nil {
		t.Fatal(err)
	}
	p := product(story.Product)
	p.Seatings = 1
	if _, err := l.AddProduct(t.Context(), tester, p); err != nil {
		t.Fatal(err)
	}
	setup, err := l.Setup(t.Context(), p.Code)
	if err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	storetest.Fill(t, url, storetest.Filling{
		Site: "main", Product: p.Code, Units: units, PerLot: 200, Channels: p.Channels, Bands: len(setup.Band), Streams: len(setup.StreamList),
		Start:  time.Now().Add(-time.Duration(units) * 4 * time.Minute),
		Stream: wander(setup), Judgement: judgement,
	})
	if _, err := l.Freeze(t.Context(), tester, p.Code, line.Freezing{Baseline: line.Baseline{Lot: fmt.Sprintf("F%04d", units/200-5)}, Reason: "filled", Boards: 200}); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d units filled and charted in %.0f s", units, time.Since(start).Seconds())
	w := serve(t, l, db)
	w.story, w.database = story, url
	return w
}

// wander makes streams that stand still but for a batch of parts now and then.
func wander(setup *line.Setup) func(unit, stream int, rng *rand.Rand) float32 {
	return func(unit, stream int, rng *rand.Rand) float32 {
		v := 0.2 * rng.NormFloat64()
		if batch := unit / 150; batch%40 == 39 && stream%31 < 8 {
			v -= 1.2
		}
		switch st := setup.StreamList[stream]; {
		case st.Unit == "dB SPL":
			v += 100
		case st.Positive():
			v = 0.6 + math.Abs(v)
		}
		return float32(v)
	}
}

func judgement(unit int, rng *rand.Rand) (string, json.RawMessage) {
	word := "pass"
	if rng.IntN(40) == 0 {
		word = "fail"
	}
	return word, json.RawMessage(fmt.Sprintf(`{"word":%q,"sentence":"filled for a measurement","worst":"left 63 Hz","margin":0.4,"not_checked":[],"envelope":1,"limit_set":0,"seatings":1}`, word))
}

// TestDriftSpeed prints how fast the drift map of 20 000 units is. The goals: the first
// painting within a second of the data's arrival, 30 pictures a second, under 4 MB.
func TestDriftSpeed(t *testing.T) {
	w := stocked(t, 20_000, nil)
	for _, size := range widths {
		b := open(t, w.URL, size)
		b.visit("/drift", "#drift-map")
		b.until(painted, 30*time.Second)
		type load struct{ Wait, Paint, Bytes, Whole float64 }
		m := js[load](b, `(() => {
			const r = performance.getEntriesByType("resource").find(e => e.name.includes("/api/v1/drift")), mark = n => performance.getEntriesByName(n)[0].startTime;
			return { Wait: r.responseEnd - r.startTime, Paint: mark("drift-painted") - mark("drift-arrived"), Bytes: r.encodedBodySize, Whole: r.decodedBodySize };
		})()`)
		fmt.Printf("drift map, 20 000 units, %s px: answer %.0f ms, %.2f MB sent (%.2f MB unpacked); first painting %.0f ms after the data arrived\n", size.name, m.Wait, m.Bytes/1e6, m.Whole/1e6, m.Paint)
		b.shoot("bench-drift")
		for _, scale := range []struct {
			name     string
			perPixel float64
		}{{"8 units to a pixel", 8}, {"a unit to a pixel", 1}, {"ten pixels to a unit", 0.1}} {
			type pan struct{ Frames, Longest, Work float64 }
			p := js[pan](b, fmt.Sprintf(`new Promise(done => {
				const d = document.getElementById("drift").drift;
				d.zoomTo(%g, 0); d.move(-1e9);
				let frames = 0, longest = 0, work = 0, before = performance.now();
				const start = before;
				const step = () => {
					const now = performance.now();
					longest = Math.max(longest, now - before); before = now;
					d.move(7 * d.view.perPixel); d.paint();
					work += performance.now() - now;
					frames++;
					if (now - start < 3000) requestAnimationFrame(step); else done({ Frames: frames / (now - start) * 1000, Longest: longest, Work: work / frames });
				};
				requestAnimationFrame(step);
			})`, scale.perPixel))
			fmt.Printf("    panning, %s: %.0f pictures a second, %.1f ms of script each, longest wait %.0f ms\n", scale.name, p.Frames, p.Work, p.Longest)
		}
		b.quiet()
	}
}

// TestPageTimes prints how long pages take with 100 000 units stored, beside the time
// that their statements took in the database. The goal: 95 of 100 within 100 ms.
func TestPageTimes(t *testing.T) {
	var watch store.Watch
	const units = 100_000
	w := stocked(t, units, &watch)
	code := url.PathEscape(w.story.Product.Code)
	fmt.Printf("%-34s %9s %9s %9s %9s %9s\n", "page, 100 000 units stored", "median", "p95", "slowest", "SQL p95", "questions")
	for _, p := range []struct {
		name string
		path func(i int) string
		n    int
	}{
		{"line", fixed("/"), 100},
		{"units", fixed("/units"), 100},
		{"units, search", func(i int) string { return "/units?q=" + storetest.FilledSerial(i * 977 % units)[:6] }, 100},
		{"one unit", func(i int) string { return "/units/" + storetest.FilledSerial(i*977%units) }, 100},
		{"lots", fixed("/lots"), 100},
		{"one lot of 200", func(i int) string { return fmt.Sprintf("/lots/F%04d", i*7%(units/200)+1) }, 40},
		{"products", fixed("/products"), 100},
		{"one product", fixed("/products/" + code), 100},
		{"findings", fixed("/findings"), 100},
		{"drift map", fixed("/drift"), 100},
		{"drift map as a table", fixed("/drift?view=table"), 100},
		{"one stream", fixed("/streams/" + code + "/deviation/left/63"), 100},
		{"data: drift map, 20 000 units", fixed("/api/v1/drift"), 20},
		{"data: stream, 1 000 units", fixed("/api/v1/stream?stream=deviation/left/63"), 40},
		{"data: stream, 100 000 units", fixed("/api/v1/stream?stream=deviation/left/63&limit=100000"), 10},
		{"data: change in 300 units", fixed("/api/v1/stream/change?stream=deviation/left/63"), 40},
	} {
		timePage(t, w, &watch, p.name, p.path, p.n)
	}
}

func fixed(path string) func(int) string { return func(int) string { return path } }

func timePage(t *testing.T, w *workshop, watch *store.Watch, name string, path func(int) string, n int) {
	t.Helper()
	var took, sql []time.Duration
	asked, slowest, longest := 0, "", time.Duration(0)
	for i := -3; i < n; i++ { // three to warm up
		watch.Spent()
		start := time.Now()
		res, err := http.Get(w.URL + path(max(i, 0)))
		if err != nil {
			t.Fatal(err)
		}
		_, err = io.Copy(io.Discard, res.Body)
		res.Body.Close()
		d := time.Since(start)
		if err != nil || res.StatusCode != http.StatusOK {
			fmt.Printf("%-34s answers %d (%v)\n", name, res.StatusCode, err)
			return
		}
		if i < 0 {
			continue
		}
		statements, spent, worst, long := watch.Spent()
		took, sql, asked = append(took, d), append(sql, spent), statements
		if long > longest {
			slowest, longest = worst, long
		}
	}
	slices.Sort(took)
	slices.Sort(sql)
	ms := func(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000) }
	at := func(xs []time.Duration, q float64) time.Duration { return xs[int(math.Ceil(q*float64(len(xs))))-1] }
	fmt.Printf("%-34s %9s %9s %9s %9s %9d\n", name, ms(at(took, 0.5)), ms(at(took, 0.95)), ms(took[len(took)-1]), ms(at(sql, 0.95)), asked)
	if longest > 20*time.Millisecond {
		t.Logf("%s: the slowest statement took %s: %.400s", name, ms(longest), strings.Join(strings.Fields(slowest), " "))
	}
}
