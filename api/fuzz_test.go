package api_test

import (
	"strings"
	"testing"
)

// FuzzHTTP sends any method, address, content type and body: no panic, no error of the
// server's own, and every refusal is a problem that says why.
func FuzzHTTP(f *testing.F) {
	for _, target := range []string{"/", "/api/v1/takes", "/api/v1/units/H1", "/api/v1/lots", "/api/v1/lots/L1", "/api/v1/lots/L1/report.xlsx?paper=A4",
		"/api/v1/charts?stream=deviation/left/63&limit=5", "/api/v1/streams?product=p1", "/api/v1/openapi.json", "/healthz", "/readyz", "/metrics", "/style.css", "/api/v1/units/%ff"} {
		f.Add("GET", target, "", "")
	}
	for i, v := range values() {
		if len(v) < 1000 {
			f.Add("POST", "/api/v1/takes", jsonKind, object([]string{"levels", "serial", "seating", "measured_at"}[i%4], v))
		}
	}
	f.Add("POST", "/api/v1/takes", jsonKind, `{"takes":[`+object("serial", `"F1"`)+`]}`)
	f.Add("POST", "/api/v1/refusals", jsonKind, `{"source":"s","line":1,"reason":"r","lot":"L1","content":"AA=="}`)
	h := forFuzzing(f)
	f.Fuzz(func(t *testing.T, method, target, kind, body string) {
		if !token(method) || !strings.HasPrefix(target, "/") {
			return // net/http itself refuses these
		}
		one := &hostile{t: t, handler: h, by: map[int]int{}}
		one.send(method, target, kind, strings.NewReader(body))
	})
}

// token reports whether net/http takes a method.
func token(s string) bool {
	for _, r := range s {
		if r <= ' ' || r >= 0x7f || strings.ContainsRune(`"(),/:;<=>?@[\]{}`, r) {
			return false
		}
	}
	return s != ""
}
