package api_test

import (
	"bytes"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
)

const formKind = "application/x-www-form-urlencoded"

// signInForms are the forms of sign-in, account, people and tokens.
var signInForms = []string{"/sign-in", "/welcome/x", "/account/password", "/account/sign-out", "/account/sign-out-everywhere", "/people", "/people/change", "/people/link", "/tokens", "/tokens/revoke"}

// administered is a server with an administrator, and the secret of their session. All
// processes of the fuzzer share one database.
func administered(t testing.TB) (http.Handler, string) {
	t.Helper()
	const name = "ALIKE_FUZZ_SIGNIN"
	address, secret, inherited := strings.Cut(os.Getenv(name), " ")
	if !inherited {
		address = storetest.URL(t)
	}
	db, err := store.Open(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if !inherited {
		prepare(t, l)
		link, err := l.FirstLink(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		s, err := l.Accept(t.Context(), "test", link, "Savka", goodPassword)
		if err != nil {
			t.Fatal(err)
		}
		secret = s.Secret
		if f, ok := t.(*testing.F); ok {
			f.Setenv(name, address+" "+secret)
		}
	}
	return handlerOn(t, l, db, ""), secret
}

// Whatever is sent to the forms of sign-in: no error of the server's own, and no answer
// that lets anybody in.
func TestHostileSignIn(t *testing.T) {
	t.Parallel()
	handler, secret := administered(t)
	h := &hostile{t: t, handler: handler, by: map[int]int{}}
	long := strings.Repeat("x", 9_000)
	odd := []string{"", " ", "a\x00b", "\x00", "\xff\xfe", "\xc0\xaf", "\u202e", long, strings.Repeat("y", 100_000), strings.Repeat("\u00e9", 20_000), strings.Repeat("\u0300", 20_000), "\ufb03\ufb03\ufb03\ufb03", "' OR 1=1 --", "{{.}}", "$argon2id$v=19$m=19456,t=2,p=1$", "../../etc/passwd", "station x", "alike"}
	kinds := []string{formKind, "", "text/plain", "application/json", "multipart/form-data", "multipart/form-data; boundary=x", formKind + "; charset=utf-7", "\x00", strings.Repeat("a", 5000)}
	for _, cookie := range []string{"", secret} {
		h.cookie = cookie
		for _, path := range signInForms {
			if cookie == secret && (strings.Contains(path, "sign-out") || strings.Contains(path, "password")) {
				continue // would end the session that the rest needs; tried without one
			}
			for _, v := range odd {
				form := url.Values{"name": {v}, "password": {v}, "again": {v}, "present": {v}, "role": {v}, "do": {v}, "reason": {v}, "next": {v}, v: {v}}
				h.send("POST", path, formKind, strings.NewReader(form.Encode()))
				var b bytes.Buffer
				w := multipart.NewWriter(&b)
				_ = w.WriteField("name", v)
				if f, err := w.CreateFormFile("file", v); err == nil {
					_, _ = io.WriteString(f, v)
				}
				w.Close()
				h.send("POST", path, w.FormDataContentType(), &b)
			}
			for _, kind := range kinds {
				h.send("POST", path, kind, strings.NewReader("name=a&password=b&%zz=%"))
			}
		}
		for _, v := range odd {
			h.send("GET", "/welcome/"+url.PathEscape(v), "", nil)
			h.send("GET", "/sign-in?next="+url.QueryEscape(v), "", nil)
		}
	}
	for _, cookie := range []string{"x", "\x00", strings.Repeat("c", 10_000)} {
		h.cookie = cookie
		h.send("GET", "/account", "", nil)
		h.send("POST", "/account/sign-out", formKind, nil)
	}
	t.Logf("%d requests, answers by status: %v", h.tried, h.by)
	if h.by[422] == 0 || h.by[401] == 0 || h.by[400] == 0 || h.by[404] == 0 || h.by[413] == 0 {
		t.Errorf("the corpus misses its marks: %v", h.by)
	}
}

// A form that anybody may send is small, however large it says it is.
func TestLargeSignIn(t *testing.T) {
	t.Parallel()
	handler, _ := administered(t)
	for name, tt := range map[string]struct {
		body   io.Reader
		length int64
	}{
		"1 MB with its length":    {io.LimitReader(endless('x'), 1<<20), 1 << 20},
		"1 MB without length":     {io.LimitReader(endless('x'), 1<<20), -1},
		"endless":                 {endless('x'), -1},
		"a password of 100 kB":    {strings.NewReader("name=Savka&password=" + strings.Repeat("p", 100_000)), -1},
		"30 000 fields of a form": {strings.NewReader(strings.Repeat("a=b&", 30_000)), -1},
	} {
		for _, kind := range []string{formKind, "multipart/form-data; boundary=x"} {
			req := httptest.NewRequest("POST", "http://127.0.0.1/sign-in", tt.body)
			req.ContentLength = tt.length
			req.Header.Set("Content-Type", kind)
			rec := httptest.NewRecorder()
			handler.ServeHTTP(rec, req)
			if bad := verdictOn(rec.Code, rec.Header(), rec.Body.Bytes()); rec.Code != 413 && (kind == formKind || rec.Code != 400) || bad != "" {
				t.Errorf("%s as %s: %d %.300s %s", name, kind, rec.Code, rec.Body, bad)
			}
		}
	}
}

// Any field of any form may hold bytes that no text in the database can have.
func TestNULInAnyForm(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	b.take(take("U1", "left", 0), take("U1", "right", 1))
	paths := []string{"/add", "/try", "/start", "/start/product", "/products/p1/envelope", "/products/p1/envelope/look", "/products/p1/limits", "/parts/scan", "/findings/1", "/drivers/pairings", "/drivers/pairings/1/withdraw"}
	fields := []string{"name", "by", "reason", "lot", "codes", "product", "text", "cause", "kind", "around", "lower", "upper", "do", "held", "next", "operator"}
	for _, path := range paths {
		for _, bad := range []string{"a\x00b", "\xff"} {
			form := url.Values{}
			for _, f := range fields {
				form.Set(f, bad)
			}
			if p := b.post(path, form); p.status != 422 {
				t.Errorf("%s with %q: %d", path, bad, p.status)
			}
			for _, f := range fields {
				if p := b.post(path, url.Values{f: {bad}}); p.status != 422 {
					t.Errorf("%s with %s=%q: %d", path, f, bad, p.status)
				}
			}
			if p := b.upload(path, "curve", map[string]string{fmt.Sprintf("x%s.txt", bad): "1 2"}, nil); p.status != 422 && p.status != 400 {
				t.Errorf("%s with a file %q: %d", path, bad, p.status)
			}
		}
	}
}
