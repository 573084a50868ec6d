package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"alike/api"
)

// verdictOn says what is wrong with an answer to a request that may be hostile: an error
// of the server's own, a panic, words of the driver, a body that is no problem. It
// returns "" when all is well.
func verdictOn(status int, header http.Header, body []byte) string {
	text := string(body)
	for _, leak := range []string{"goroutine ", "SQLSTATE", "pgx", "/api/", ".go:", "runtime error"} {
		if strings.Contains(text, leak) && status >= 400 && !strings.Contains(text, "/api/v1/openapi.json") {
			return fmt.Sprintf("the answer shows %q", leak)
		}
	}
	switch {
	case status >= 500:
		return "an error of the server's own"
	case status >= 400 && header.Get("Content-Type") == "text/html; charset=UTF-8": // a page for people
		if len(body) > 0 && !strings.Contains(text, "<h1>") {
			return "a page that says too little"
		}
	case status >= 400 && header.Get("Content-Type") != "application/problem+json":
		return "no problem after RFC 9457 but " + header.Get("Content-Type")
	case status >= 400 && len(body) > 0:
		var p api.Problem
		if err := json.Unmarshal(body, &p); err != nil || p.Status != status || p.Title == "" || p.Detail == "" {
			return fmt.Sprintf("a problem that says too little (%v)", err)
		}
	case header.Get("X-Content-Type-Options") != "nosniff":
		return "no safety headers"
	}
	return ""
}

// A hostile client sends to the handler itself what no honest one would, and counts.
type hostile struct {
	t       testing.TB
	handler http.Handler
	tried   int
	by      map[int]int // answers by status
	cookie  string      // of a session
}

func (h *hostile) send(method, target, kind string, body io.Reader) *httptest.ResponseRecorder {
	h.t.Helper()
	req := httptest.NewRequest(method, "/", body)
	req.Host = "127.0.0.1"
	u, err := url.ParseRequestURI(target)
	if err != nil {
		return nil // net/http answers 400 before any handler
	}
	req.URL, req.RequestURI = u, target
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	// Each from another place: who tries often from one is only told to wait.
	req.RemoteAddr = fmt.Sprintf("10.%d.%d.%d:999", h.tried>>16&255, h.tried>>8&255, h.tried&255)
	if h.cookie != "" {
		req.Header.Set("Cookie", "alike-session="+h.cookie)
	}
	rec := httptest.NewRecorder()
	h.handler.ServeHTTP(rec, req)
	h.tried++
	h.by[rec.Code]++
	bad := verdictOn(rec.Code, rec.Header(), rec.Body.Bytes())
	if strings.HasPrefix(u.Path, "/api/") && strings.HasPrefix(rec.Header().Get("Content-Type"), "text/html") {
		bad = "a page for people where programs ask"
	}
	if bad != "" {
		h.t.Errorf("%s %.200q: %s: %d %.600s", method, target, bad, rec.Code, rec.Body)
	}
	return rec
}

func newHostile(t testing.TB) *hostile {
	return &hostile{t: t, handler: handler(t), by: map[int]int{}}
}

const jsonKind = "application/json"

// object is a sound take with one field replaced by raw JSON.
func object(field, raw string) string {
	m := map[string]json.RawMessage{"serial": []byte(`"H1"`), "channel": []byte(`"left"`), "lot": []byte(`"L1"`), "seating": []byte("1"),
		"frequencies": []byte("[20,63,125,250,500,1000,2000,4000,8000,20000]"), "levels": []byte("[90,90,90,90,90,90,90,90,90,90]")}
	m[field] = []byte(raw)
	var parts []string
	for k, v := range m {
		parts = append(parts, fmt.Sprintf("%q:%s", k, v))
	}
	return "{" + strings.Join(parts, ",") + "}"
}

// values are JSON values, sound and not, that go into every field.
func values() []string {
	long := strings.Repeat("x", 100_000)
	return []string{
		`null`, `true`, `0`, `-1`, `1`, `1.5`, `1e9`, `9223372036854775808`, `1e400`, `-1e308`, `1e-400`, `""`, `" "`, `"x"`, `"` + long + `"`,
		`[]`, `[[]]`, `{}`, `{"a":{}}`, `[null]`, `"\u0000"`, `"\ud800"`, `"\uffff"`, "\"\xff\xfe\"", "\"\xc0\xaf\"", `"\u202e\u0007"`, `"../../etc/passwd"`, `"..\\..\\x"`, `"."`,
		`"C:\\x"`, `"a/b"`, `"%00"`, `"%2e%2e%2f"`, `"'; DROP TABLE takes; --"`, `"$1"`, `"{{.}}"`, `"<script>alert(1)</script>"`, `"=1+1"`, `"left"`, `"LEFT"`,
		`"2026-01-01T00:00:00Z"`, `"0000-01-01T00:00:00Z"`, `"9999-12-31T23:59:59Z"`, `"-9999-01-01T00:00:00Z"`, `"2026-02-30T00:00:00Z"`, `"2026-01-01"`,
		`[1,2]`, `[2,1]`, `[1,1]`, `[-1,1]`, `[0,1]`, `[1e308,1.7e308]`, `[1e-300,1e300]`, `[1,null]`, `["1",2]`, `[1e400,2]`,
		`[20,63,125,250,500,1000,2000,4000,8000,1e300]`, `[1e300,1e300,1e300,1e300,1e300,1e300,1e300,1e300,1e300,1e300]`,
		`[-1e300,1e300,-1e300,1e300,-1e300,1e300,-1e300,1e300,-1e300,1e300]`, `[1e38,1e38,1e38,1e38,1e38,1e38,1e38,1e38,1e38,1e38]`,
		`[4e38,-4e38,4e38,-4e38,4e38,-4e38,4e38,-4e38,4e38,-4e38]`, `[5000,5000,5000,5000,5000,5000,5000,5000,5000,5000]`,
		`[-5000,5000,-5000,5000,-5000,5000,-5000,5000,-5000,5000]`, `[1e-320,2e-320,3e-320,4e-320,5e-320,6e-320,7e-320,8e-320,9e-320,1e-319]`,
		strings.Repeat("[", 9_000) + strings.Repeat("]", 9_000), strings.Repeat("[", 200_000), strings.Repeat(`{"a":`, 200_000),
		`}`, `]`, `,`, `"`, `\`, "\x00", "//", `NaN`, `Infinity`, `'x'`, `0x10`, `01`, `+1`, `.5`, `1_000`,
	}
}

func TestHostileTakes(t *testing.T) {
	t.Parallel()
	h := newHostile(t)
	post := func(body string) { h.send("POST", "/api/v1/takes", jsonKind, strings.NewReader(body)) }
	for _, field := range []string{"product", "lot", "serial", "channel", "seating", "attempt", "station", "operator", "measured_at", "reason",
		"source", "frequencies", "levels", "phases", "takes", "unknown", "Serial", ""} {
		for i, v := range values() {
			post(object(field, v))
			post(fmt.Sprintf(`{"takes":[%s,%s]}`, object("serial", fmt.Sprintf(`"S%d"`, i)), object(field, v)))
		}
	}
	// Both channels with the same odd levels, so that the unit is judged, charted and
	// reported.
	for i, v := range values() {
		if strings.HasPrefix(v, "[") && len(v) < 1000 {
			left := strings.Replace(object("levels", v), `"H1"`, fmt.Sprintf(`"J%d"`, i), 1)
			post(`{"takes":[` + left + `,` + strings.Replace(left, `"left"`, `"right"`, 1) + `]}`)
			h.send("GET", fmt.Sprintf("/api/v1/units/J%d", i), "", nil)
		}
	}
	for _, target := range []string{"/api/v1/lots", "/api/v1/lots/L1", "/api/v1/lots/L1/report.xlsx", "/api/v1/charts?stream=deviation/left/63",
		"/api/v1/charts?stream=sensitivity/left", "/", "/metrics"} {
		h.send("GET", target, "", nil)
	}
	for _, v := range values() {
		post(v)
		post(`{"takes":` + v + `}`)
		post(`{"takes":[` + v + `]}`)
	}
	post("\xef\xbb\xbf" + object("serial", `"H2"`))
	post(object("serial", `"H3"`) + object("serial", `"H4"`))
	post(`{"serial":"a","serial":"b"}`)
	for _, kind := range []string{"", "text/plain", "text/html", "multipart/form-data; boundary=x", "application/x-www-form-urlencoded", "application/json;;", "application/jsonx",
		"application/json; charset=utf-7", "APPLICATION/JSON", "application/xml", "\x00", strings.Repeat("a", 100_000), "application/zip", "*/*"} {
		h.send("POST", "/api/v1/takes", kind, strings.NewReader(object("serial", `"H5"`)))
	}
	for _, method := range []string{"GET", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "TRACE", "CONNECT", "post", "X", strings.Repeat("M", 10_000)} {
		h.send(method, "/api/v1/takes", jsonKind, strings.NewReader(object("serial", `"H6"`)))
	}
	t.Logf("%d requests, answers by status: %v", h.tried, h.by)
	if h.by[201] == 0 || h.by[422] == 0 || h.by[400] == 0 || h.by[409] == 0 || h.by[415] == 0 || h.by[405] == 0 {
		t.Errorf("the corpus misses its marks: %v", h.by)
	}
}

// tricks are path elements and query values that try to leave their place.
func tricks() []string {
	return []string{"..", "../..", "%2e%2e", "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "..%5c..%5cx", "%00", "a%00b", "%ff%fe", "%c0%af", "%ed%a0%80", "%e2%80%ae", "%0d%0aX-A:%20b", "a%0ab",
		"%25252e", "%2f", "%5c", ".", "", "%20", "~", "*", "-1", "0", "1e9", "999999999999999999999", "NaN", "null", "%27%20OR%201=1--", "%3Cscript%3E", "%7B%7B.%7D%7D", "=cmd",
		"CON", "x.xlsx", ";", "a;b", "%3b", ",", "%E2%80%8B", strings.Repeat("a", 5_000), strings.Repeat("%2e", 3_000), strings.Repeat("/a", 2_000), "%", "%zz", "%u0041"}
}

func TestHostilePaths(t *testing.T) {
	t.Parallel()
	h := newHostile(t)
	h.send("POST", "/api/v1/takes", jsonKind, strings.NewReader(object("serial", `"U1"`)))
	for _, x := range tricks() {
		for _, pattern := range []string{"/%s", "/api/v1/units/%s", "/api/v1/lots/%s", "/api/v1/lots/%s/report.xlsx", "/api/v1/lots/L1/report.xlsx?paper=%s", "/api/v1/charts?stream=%s",
			"/api/v1/charts?stream=deviation/left/63&product=%s", "/api/v1/charts?stream=deviation/left/63&limit=%s", "/api/v1/streams?product=%s", "/api/v1/%s", "/style.css/%s",
			"/api/v1/openapi.json?%s", "/healthz/%s", "//%s", "/api//v1/units/%s", "/metrics?%s", "/units/%s", "/units?q=%s", "/units?before=2026-01-01T00:00:00Z&serial=%s",
			"/lots/%s", "/lots?before=2026-01-01T00:00:00Z&lot=%s", "/compare?first=L1&second=%s", "/products/%s", "/products/p1?version=%s", "/products/%s/envelope", "/products/p1/limits?lot=%s",
			"/refused?from=%s", "/add?product=%s", "/try?product=%s", "http://elsewhere.example/%s"} {
			for _, method := range []string{"GET", "HEAD", "POST", "DELETE"} {
				h.send(method, fmt.Sprintf(pattern, x), jsonKind, strings.NewReader("{}"))
			}
		}
	}
	t.Logf("%d requests, answers by status: %v", h.tried, h.by)
	if h.by[404] == 0 || h.by[405] == 0 || h.by[422] == 0 {
		t.Errorf("the corpus misses its marks: %v", h.by)
	}
}

// Bodies beyond the limits: too large, said to be smaller or larger than they are, and
// small ones that would grow when they are read.
func TestHostileSizes(t *testing.T) {
	t.Parallel()
	h := newHostile(t)
	for name, tt := range map[string]struct {
		body   io.Reader
		length int64
		status int
	}{
		"65 MB with its length":    {io.LimitReader(endless(' '), 65<<20), 65 << 20, 413},
		"65 MB without length":     {io.LimitReader(endless(' '), 65<<20), -1, 413},
		"endless":                  {endless('['), -1, 413},
		"a text of 60 MB":          {strings.NewReader(object("serial", `"`+strings.Repeat("x", 60<<20)+`"`)), -1, 422},
		"ten thousand and a take":  {strings.NewReader(`{"takes":[` + strings.Repeat("{},", 10_000) + `{}]}`), -1, 422},
		"12 million empty takes":   {strings.NewReader(`{"takes":[` + strings.Repeat("null,", 12_000_000) + `{}]}`), -1, 422},
		"30 million wrong takes":   {strings.NewReader(`{"takes":[` + strings.Repeat("0,", 30_000_000) + `0]}`), -1, 400},
		"8 million points":         {strings.NewReader(object("frequencies", "["+strings.Repeat("1,", 8_000_000)+"1]")), -1, 422},
		"an honest million points": {bytes.NewReader(million(t)), -1, 201},
	} {
		req := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/takes", tt.body)
		req.ContentLength = tt.length
		req.Header.Set("Content-Type", jsonKind)
		rec := httptest.NewRecorder()
		h.handler.ServeHTTP(rec, req)
		if bad := verdictOn(rec.Code, rec.Header(), rec.Body.Bytes()); rec.Code != tt.status || bad != "" {
			t.Errorf("%s: %d %.300s %s", name, rec.Code, rec.Body, bad)
		}
	}
}

type endless byte

func (e endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(e)
	}
	return len(p), nil
}

func million(t *testing.T) []byte {
	k := take("BIG", "left", 0)
	k.Frequencies, k.Levels = nil, nil
	for i := range 1_000_000 {
		k.Frequencies, k.Levels = append(k.Frequencies, 20*math.Pow(1000, float64(i)/999_999)), append(k.Levels, float64(90+i%7))
	}
	b, err := json.Marshal(k)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
