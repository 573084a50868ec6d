package api_test

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/line"
)

// produced serves a line with 30 units, limits from the first 20, a step in the left
// bass from unit 26 on, and a serial that a spreadsheet would take for a formula.
func produced(t *testing.T) (*client, *line.Line) {
	t.Helper()
	c, l, _ := serve(t, "")
	make := func(i int, serial string) {
		step := 0.0
		if i >= 26 {
			step = -1.5
		}
		var both []api.Take
		for k, channel := range []string{"left", "right"} {
			w := take(serial, channel, 0)
			for j, hz := range w.Frequencies {
				w.Levels[j] += 0.2*math.Sin(float64(7*i+3*k)+math.Log(hz)*float64(1+i%3)) + 0.05*math.Cos(float64(i*j))
				if k == 0 {
					w.Levels[j] += step / (1 + hz/150)
				}
			}
			both = append(both, w)
		}
		if a := c.do("POST", "/api/v1/takes", takes{both}); a.status != http.StatusCreated {
			t.Fatalf("%d %s", a.status, a.body)
		}
	}
	for i := 1; i <= 20; i++ {
		make(i, fmt.Sprintf("U%02d", i))
	}
	if _, err := l.Freeze(t.Context(), line.By{Actor: "tester"}, "p1", line.Freezing{Baseline: line.Baseline{Lot: "L 1"}, Reason: "first", Boards: 50}); err != nil {
		t.Fatal(err)
	}
	for i := 21; i <= 29; i++ {
		make(i, fmt.Sprintf("U%02d", i))
	}
	make(30, "=U30")
	return c, l
}

// The binary form against the line's own map, read as openapi.yaml describes it.
func TestDriftForm(t *testing.T) {
	t.Parallel()
	c, l := produced(t)
	want, err := l.Drift(t.Context(), "p1", math.MaxInt64, 1000)
	if err != nil {
		t.Fatal(err)
	}
	body := c.do("GET", "/api/v1/drift?product=p1", nil).body
	if !bytes.HasPrefix(body, []byte("drift/1\n")) {
		t.Fatalf("begins with %q", body[:8])
	}
	n := int(binary.LittleEndian.Uint32(body[8:]))
	var h api.DriftHead
	if err := json.Unmarshal(body[12:12+n], &h); err != nil {
		t.Fatal(err)
	}
	if len(h.Serials) != 30 || h.Serials[29] != "=U30" || h.Verdicts[0] != 'p' || len(h.Sections) != 2 || h.Sections[1].First != 20 || h.Sections[1].Version != 1 ||
		h.Streams[0].Group != "left" || h.Streams[0].Hz != 63 || h.Streams[len(h.Streams)-1].Group != "scalars" {
		t.Errorf("head %+v", h)
	}
	rest := body[12+n:]
	cells := len(h.Streams) * len(h.Serials)
	bits, which := rest[cells:cells+(cells+7)/8], rest[cells+(cells+7)/8:]
	fired := 0
	for i := range cells {
		if int8(rest[i]) != want.Scores[i] {
			t.Fatalf("cell %d is %d, want %d", i, int8(rest[i]), want.Scores[i])
		}
		got := byte(0)
		if bits[i/8]>>(i%8)&1 == 1 {
			got, which = which[0], which[1:]
			fired++
		}
		if got != want.Fired[i] {
			t.Fatalf("cell %d: rules %08b, want %08b", i, got, want.Fired[i])
		}
	}
	if fired == 0 || len(which) != 0 {
		t.Errorf("%d cells fired, %d bytes left over", fired, len(which))
	}
	zipped := c.raw("GET", "/api/v1/drift", nil, http.Header{"Accept-Encoding": {"gzip"}})
	if zipped.header.Get("Content-Encoding") != "gzip" || len(zipped.body) >= len(body) {
		t.Errorf("%v, %d of %d bytes", zipped.header, len(zipped.body), len(body))
	}
}

func TestStreamAndItsFiles(t *testing.T) {
	t.Parallel()
	c, _ := produced(t)
	const of = "product=p1&stream=deviation/left/63"
	var v api.StreamView
	c.do("GET", "/api/v1/stream?"+of, nil).into(t, &v)
	if len(v.Values) != 30 || len(v.Sections) != 21 || v.Sections[20].Version != 1 || v.Sections[12].Name != "limits being learnt (12 units)" || v.Earlier || len(v.Marks) == 0 || v.Positive {
		t.Fatalf("%+v", v)
	}
	for _, m := range v.Marks {
		if m.Index < 25 || !strings.HasSuffix(m.Text, ".") {
			t.Errorf("mark %+v", m)
		}
	}
	var ch api.StreamChange
	c.do("GET", "/api/v1/stream/change?"+of, nil).into(t, &ch)
	if !ch.Shown || ch.Serial != "U26" || ch.Place != 26 || !slices.Contains(ch.Set, 26) || ch.Known != "limit set 1" || ch.Units != 10 || !strings.Contains(ch.Text, "at U26") {
		t.Errorf("%+v", ch)
	}
	c.do("GET", "/api/v1/stream/change?"+of+"&from=1&to=20", nil).into(t, &ch)
	if ch.Shown || ch.Known != "" || ch.Units != 20 || !strings.Contains(ch.Text, "no change is shown") {
		t.Errorf("among good units: %+v", ch)
	}
	var early api.StreamView // while limits were learnt the change is looked for among all units
	c.do("GET", "/api/v1/stream?"+of+"&up_to=18", nil).into(t, &early)
	c.do("GET", "/api/v1/stream/change?"+of+"&up_to=18", nil).into(t, &ch)
	if len(early.Sections) != 18 || ch.Units != 18 {
		t.Errorf("%d sections, %d units looked at", len(early.Sections), ch.Units)
	}
	if a := c.do("GET", "/api/v1/stream/change?"+of+"&from=29&to=29", nil); a.status != http.StatusUnprocessableEntity {
		t.Errorf("a change in one unit: %d %s", a.status, a.body)
	}
	a := c.do("GET", "/api/v1/stream.csv?"+of, nil)
	rows, err := csv.NewReader(bytes.NewReader(a.body)).ReadAll()
	if err != nil || len(rows) != 31 || rows[30][1] != "'=U30" || rows[0][3] != "value_dB" || rows[1][6] != "" || rows[25][5] != "limit set 1" {
		t.Errorf("%v: %q", err, rows)
	}
	if !strings.Contains(a.header.Get("Content-Disposition"), "attachment; filename*=UTF-8''p1-deviation-left-63.csv") {
		t.Errorf("%v", a.header)
	}
	a = c.do("GET", "/api/v1/stream.svg?"+of+"&change=yes&show=yes", nil)
	if !bytes.Contains(a.body, []byte("The level moved from")) || !bytes.HasPrefix(a.body, []byte("<svg")) || !strings.HasPrefix(a.header.Get("Content-Disposition"), "inline") {
		t.Errorf("%v %.300s", a.header, a.body)
	}
	for _, bad := range []string{"limit=0", "limit=100001", "limit=x", "up_to=0", "up_to=1e3"} {
		if a := c.do("GET", "/api/v1/stream?"+of+"&"+bad, nil); a.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", bad, a.status)
		}
	}
	if a := c.do("GET", "/api/v1/drift?limit=20001", nil); a.status != http.StatusUnprocessableEntity {
		t.Errorf("too many units: %d", a.status)
	}
}

func TestDriftAndStreamPages(t *testing.T) {
	t.Parallel()
	c, _ := produced(t)
	for path, want := range map[string][]string{
		"/drift":                                          {`data-source="/api/v1/drift?product=p1"`, `<option>balance</option>`},
		"/drift?view=table&product=p1&rows=left":          {`>=U30</a>`, `limit set 1 (first)`, "63 Hz deviation", "beyond", `up_to=5`},
		"/drift?view=table&up_to=5":                       {"no limit set was in force", "U05", `up_to=30`},
		"/streams/p1/deviation/left/63":                   {"Left 63 Hz deviation", `data-source="/api/v1/stream?product=p1&amp;stream=deviation%2Fleft%2F63"`, "=U30", "limit set 1: centre"},
		"/streams/p1/" + url.PathEscape("roughness/left"): {`id="stream-log"`},
		"/streams/p1/deviation/left/63?up_to=10":          {"U10", "limits being learnt (9 units): centre", "limits being learnt (0 units)", "The newest units"},
	} {
		a := c.raw("GET", path, nil, nil)
		for _, w := range want {
			if a.status != 200 || !bytes.Contains(a.body, []byte(w)) {
				t.Errorf("%s: %d, no %q", path, a.status, w)
			}
		}
	}
	if a := c.raw("GET", "/streams?stream=balance/63", nil, nil); !bytes.Contains(a.body, []byte("63 Hz balance")) {
		t.Errorf("the choice of a stream: %d %.200s", a.status, a.body)
	}
	for path, status := range map[string]int{"/streams/p1/none": 404, "/streams/p9/balance/63": 404, "/drift?product=p9": 404, "/drift?up_to=x": 422} {
		if a := c.raw("GET", path, nil, nil); a.status != status {
			t.Errorf("%s: %d, want %d", path, a.status, status)
		}
	}
}

func TestDriftPageOfAnEmptyWorkshop(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	for _, path := range []string{"/drift", "/drift?view=table", "/streams/p1/balance/63"} {
		if a := c.raw("GET", path, nil, nil); a.status != 200 {
			t.Errorf("%s: %d %.300s", path, a.status, a.body)
		}
	}
	if a := c.do("GET", "/api/v1/drift", nil); a.status != 200 {
		t.Errorf("%d %s", a.status, a.body)
	}
	var v api.StreamView
	c.do("GET", "/api/v1/stream?stream=balance/63", nil).into(t, &v)
	if v.Places == nil || len(v.Values) != 0 {
		t.Errorf("%+v", v)
	}
}
