package api_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"alike/api"
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
		for _, path := range []string{"/products/p1/envelope", "/products/p1/limits", "/products/p1/limits/stop", "/add", "/try", "/start", "/start/product", "/rig/entries", "/rig/release", "/rig/studies", "/rig/studies/GS", "/enter", "/api/v1/takes"} {
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

// With a token no page shows anything without it, and a browser that gave it once gets
// everything a program with it does.
func TestPagesAskForTheToken(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "right token")
	addProduct(t, l)
	routes, err := api.Routes(api.Options{Line: l, DB: db, Token: "x", Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	for _, r := range routes {
		method, path, _ := strings.Cut(r, " ")
		if path == "/enter" || path == "/healthz" || path == "/readyz" || path == "/api/v1/openapi.json" || strings.HasPrefix(path, "/static/") {
			continue
		}
		path = strings.NewReplacer("{serial}", "U1", "{lot}", "L", "{product}", "p1", "{stream}", "s").Replace(path)
		req, err := http.NewRequestWithContext(t.Context(), method, b.address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		p := b.send(req)
		asked++
		if p.status != 401 || strings.Contains(textOf(p.root), "Test workshop") || strings.Contains(textOf(p.root), "p1") {
			t.Errorf("%s without the token: %d %s", r, p.status, textOf(p.root))
		}
		if api.IsPage(r) {
			p.number(`form[action="/enter"] input[type=password]`, 1)
		}
	}
	if asked < 20 {
		t.Errorf("only %d routes", asked)
	}
	p := b.get("/lots?before=x")
	if got := attr(p.all(`input[name=next]`)[0], "value"); got != "/lots?before=x" {
		t.Errorf("next is %q", got)
	}
	p = b.post("/enter", url.Values{"token": {"wrong"}, "next": {"/lots"}})
	p.is(401)
	p.says("[role=alert]", "another token")
	b.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for next, want := range map[string]string{"/lots": "/lots", "//evil.example": "/", "https://evil.example": "/", "/\\evil.example": "/", "": "/"} {
		p = b.post("/enter", url.Values{"token": {"right token"}, "next": {next}})
		cookie := p.header.Get("Set-Cookie")
		if p.status != http.StatusSeeOther || p.header.Get("Location") != want || !strings.Contains(cookie, "HttpOnly") ||
			!strings.Contains(cookie, "SameSite=Lax") || strings.Contains(cookie, "right") {
			t.Errorf("next %q: %d to %q, cookie %q", next, p.status, p.header.Get("Location"), cookie)
		}
	}
	b.client.CheckRedirect = nil
	b.get("/products").says("tbody", "p1")
	for _, path := range []string{"/api/v1/lots", "/metrics"} {
		res, err := b.client.Get(b.address + path)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode != 200 {
			t.Errorf("%s from a browser that gave the token: %d", path, res.StatusCode)
		}
	}
	// A pass for another token opens nothing.
	req, err := http.NewRequestWithContext(t.Context(), "GET", b.address+"/products", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Cookie", "alike-pass=00")
	b.client.Jar = nil
	b.send(req).is(401)
}

func TestGuessingTheTokenIsSlow(t *testing.T) {
	t.Parallel()
	b, _, _ := open(t, "right token")
	last := 0
	for range 15 {
		last = b.post("/enter", url.Values{"token": {"wrong"}}).status
	}
	if last != http.StatusTooManyRequests {
		t.Errorf("the fifteenth guess at once: %d", last)
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
