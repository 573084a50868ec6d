package api_test

import (
	"net/url"
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

// FuzzForms sends any fields to the forms of sign-in, account, people and tokens, as
// nobody and as an administrator.
func FuzzForms(f *testing.F) {
	for _, path := range signInForms {
		for _, v := range []string{"", "Savka", "a\x00b", "\xff\xfe", strings.Repeat("x", 300), "\u202e", "maker", "../..", "{{.}}", "' OR 1=1 --"} {
			f.Add(path, v, goodPassword, v)
		}
	}
	h, secret := administered(f)
	f.Fuzz(func(t *testing.T, path, a, b, c string) {
		one := &hostile{t: t, handler: h, by: map[int]int{}}
		form := url.Values{"name": {a}, "password": {b}, "again": {b}, "present": {c}, "role": {c}, "do": {c}, "reason": {a}, "next": {c}, "link": {a}}
		path = "/" + url.PathEscape(strings.TrimPrefix(path, "/"))
		for _, known := range signInForms {
			if strings.HasPrefix(known, "/welcome/") {
				known = "/welcome" + path
			}
			one.send("POST", known, formKind, strings.NewReader(form.Encode()))
			one.cookie = secret
			if !strings.Contains(known, "sign-out") && !strings.Contains(known, "password") {
				one.send("POST", known, formKind, strings.NewReader(form.Encode()))
			}
			one.cookie = ""
		}
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
