package api_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
)

// What a page of another site makes a browser send is refused; what programs and our
// own pages send is not.
func TestForeignPagesCannotPost(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	addProduct(t, l)
	form := url.Values{"around": {"63 8000 1 1"}, "do": {"save"}, "by": {"M"}, "reason": {"r"}}
	for name, h := range map[string]map[string]string{
		"another site":    {"Sec-Fetch-Site": "cross-site"},
		"another port":    {"Sec-Fetch-Site": "same-site"},
		"an older one":    {"Origin": "http://evil.example"},
		"a sandboxed one": {"Origin": "null"},
	} {
		for _, path := range []string{"/products/p1/envelope", "/products/p1/limits", "/products/p1/limits/stop", "/add", "/try", "/start", "/start/product", "/rig/entries", "/rig/release", "/rig/studies", "/rig/studies/GS", "/sign-in", "/account/password", "/people", "/tokens", "/api/v1/takes"} {
			req, err := http.NewRequestWithContext(t.Context(), "POST", b.address+path, strings.NewReader(form.Encode()))
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			for k, v := range h {
				req.Header.Set(k, v)
			}
			if p := b.send(req); p.status != http.StatusForbidden {
				t.Errorf("%s: POST %s answers %d", name, path, p.status)
			}
		}
	}
	if rows, err := db.Site("main").Envelopes(t.Context(), "p1"); err != nil || len(rows) != 1 {
		t.Errorf("%d versions (%v)", len(rows), err)
	}
	b.post("/products/p1/envelope", form).is(200)
	if rows, err := db.Site("main").Envelopes(t.Context(), "p1"); err != nil || len(rows) != 2 {
		t.Errorf("our own page: %d versions (%v)", len(rows), err)
	}
}

// Each error has a page that says what is wrong and what to do.
func TestErrorPages(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	addProduct(t, l)
	for _, tt := range []struct {
		path   string
		status int
		lead   string
		remedy string
	}{
		{"/units/none", 404, `There is no unit "none".`, "Check the serial."},
		{"/lots/none", 404, `There is no lot "none".`, "See the lots"},
		{"/products/none", 404, `There is no product "none".`, "Add it first"},
		{"/products/none/envelope", 404, `There is no product "none".`, "Add it first"},
		{"/products/none/limits", 404, `There is no product "none".`, "Add it first"},
		{"/products/p1/limits?lot=none", 404, `There is no lot "none" with units.`, "See the lots"},
		{"/nowhere", 404, "There is nothing at this address.", "Check it"},
		{"/static/app.css", 404, "There is nothing at this address.", "Check it"},
	} {
		p := b.get(tt.path)
		p.is(tt.status)
		p.says(".lead", tt.lead)
		p.says(".lead + p", tt.remedy)
		p.number(`main a[href="/"]`, 2)
	}
	p := b.post("/lots", nil)
	p.is(405)
	p.says(".lead", "does not take the request's method")
	p = b.post("/try", url.Values{"held": {"gone"}})
	p.is(410)
	p.says(".lead + p", "Choose them again.")
	db.Close() // as when PostgreSQL goes away
	for _, path := range []string{"/", "/units", "/units/U1", "/lots", "/products", "/products/p1", "/start", "/add", "/refused"} {
		p := b.get(path)
		if p.status < 500 {
			t.Errorf("%s without a database answers %d", path, p.status)
		}
		p.number("main .soft code", 1) // the request's id, to find it in the log
	}
}

func TestTooLargeUpload(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	p := b.upload("/try", "curve", map[string]string{"x.txt": strings.Repeat("1000 1\n", 10<<20)}, nil)
	p.is(413)
	p.says(".lead", "larger than")
}
