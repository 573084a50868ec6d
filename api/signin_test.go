package api_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"

	"alike/internal/line"
)

// first opens the workshop's first account by its link.
func (b *browser) first(l *line.Line, name string) {
	b.t.Helper()
	link, err := l.FirstLink(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	p := b.get("/welcome/" + link)
	p.is(200)
	p.says("h1", "first administrator")
	b.post("/welcome/"+link, url.Values{"name": {name}, "password": {goodPassword}, "again": {goodPassword}}).is(200)
}

func (b *browser) fresh() *browser {
	b.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.t.Fatal(err)
	}
	return &browser{b.t, b.address, &http.Client{Jar: jar}}
}

// From a fresh machine, where nobody signs in, to one where everybody does.
func TestFirstAdministratorBySignInPages(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	p := b.get("/")
	p.is(200)
	p.says(".who", "No sign-in")
	p.says("footer", "Nobody is registered")
	b.get("/people").is(401) // the console is whose it is to begin
	b.post("/people", url.Values{"name": {"M"}, "role": {"administrator"}}).is(401)
	b.first(l, "Savka")
	other := b.fresh()
	p = other.get("/lots?before=x")
	p.is(401)
	if got := attr(p.all(`input[name=next]`)[0], "value"); got != "/lots?before=x" {
		t.Errorf("next is %q", got)
	}
	p.number(".who, .search, nav", 0)
	p = b.get("/")
	p.is(200)
	p.says(".who", "Savka administrator")
	p = other.post("/sign-in", url.Values{"name": {"Savka"}, "password": {"wrong"}, "next": {"/lots"}})
	p.is(401)
	p.says("[role=alert]", "do not belong together")
	other.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for next, want := range map[string]string{"/lots": "/lots", "//evil.example": "/", "https://evil.example": "/", "/\\evil.example": "/", "/\t/evil.example": "/", "": "/"} {
		p = other.post("/sign-in", url.Values{"name": {"savka"}, "password": {goodPassword}, "next": {next}})
		cookie := p.header.Get("Set-Cookie")
		if p.status != http.StatusSeeOther || p.header.Get("Location") != want || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Lax") {
			t.Errorf("next %q: %d to %q, cookie %q", next, p.status, p.header.Get("Location"), cookie)
		}
	}
	other.client.CheckRedirect = nil
	other.get("/products").says("tbody", "p1")
	p = other.get("/account")
	p.says("h1", "Savka")
	p.number("tbody tr", 2) // the first browser, and this one; earlier sessions of it ended
	p = other.post("/account/password", url.Values{"present": {goodPassword}, "password": {"nine blue herons wade"}, "again": {"nine blue herons wade"}})
	p.is(200)
	p.says("[role=status]", "Your password is set")
	b.get("/").is(401) // signed out by that
	for form, part := range map[*url.Values]string{
		{"present": {"wrong"}, "password": {goodPassword}, "again": {goodPassword}}:                                             "present password is another",
		{"present": {"nine blue herons wade"}, "password": {goodPassword}, "again": {"x"}}:                                      "typed in two ways",
		{"present": {"nine blue herons wade"}, "password": {"password1234"}, "again": {"password1234"}}:                         "first that are guessed",
		{"present": {"nine blue herons wade"}, "password": {"x"}, "again": {"x"}}:                                               "fewer than 12",
		{"present": {"nine blue herons wade"}, "password": {strings.Repeat("x", 60000)}, "again": {strings.Repeat("x", 60000)}}: "more than 128",
	} {
		p = other.post("/account/password", *form)
		p.is(422)
		p.says("[role=alert]", part)
	}
	other.post("/account/sign-out", nil).is(200)
	other.get("/").is(401)
}

// What a person does on a page carries their name, whatever the form says; a second
// person is another account.
func TestDeedsCarryWhoIsSignedIn(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, everybody)
	addProduct(t, l)
	q := b.as(l, "Quinn", "quality")
	q.get("/products/p1/envelope").number(`input[name=by]`, 0)
	q.post("/products/p1/envelope", url.Values{"around": {"63 8000 1 1"}, "do": {"save"}, "by": {"Somebody else"}, "reason": {"r"}}).is(200)
	rows, err := db.Site("main").Envelopes(t.Context(), "p1")
	if err != nil || len(rows) != 2 || rows[0].Author != "Quinn" && rows[1].Author != "Quinn" {
		t.Errorf("%+v (%v)", rows, err)
	}
	for body, want := range map[string]int{`{"step":"close","person":"Somebody else"}`: 422, `{"step":"close","person":"Quinn"}`: 404, `{"step":"close"}`: 404} {
		req, err := http.NewRequestWithContext(t.Context(), "POST", b.address+"/api/v1/lots/none/steps", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		if p := q.send(req); p.status != want {
			t.Errorf("%s answers %d, want %d: %s", body, p.status, want, textOf(p.root))
		}
	}
	m := b.as(l, "Milo", "maker")
	p := m.post("/products/p1/envelope", url.Values{"around": {"63 8000 1 1"}, "do": {"save"}, "reason": {"r"}})
	p.is(403)
	p.says(".lead", "Milo has the role maker, which may not do this")
	// A cookie that comes with a foreign page's request is refused before anything is read.
	req, err := http.NewRequestWithContext(t.Context(), "POST", b.address+"/products/p1/envelope", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Origin", "http://evil.example")
	q.send(req).is(403)
}

func TestPeoplePage(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, everybody)
	p := b.get("/sign-in")
	p.says(".note", "Nobody is registered yet")
	b.first(l, "Savka")
	b.get("/sign-in").says("h1", "From nothing") // signed in already: led on
	p = b.post("/people", url.Values{"name": {"Milo"}, "role": {"maker"}})
	p.is(200)
	link := p.text("code.secret")
	path, ok := strings.CutPrefix(link, b.address)
	if !ok {
		t.Fatalf("the link is %q", link)
	}
	if again := b.get("/people"); strings.Contains(textOf(again.root), link) || !strings.Contains(textOf(again.root), "Milo maker has no password yet") {
		t.Errorf("the page says %s", textOf(again.root))
	}
	milo := b.fresh()
	milo.get(path).says("h1", "Welcome, Milo")
	milo.post(path, url.Values{"password": {goodPassword}, "again": {"other"}}).says("[role=alert]", "two ways")
	milo.post(path, url.Values{"name": {"Savka"}, "password": {goodPassword}, "again": {goodPassword}}).says("h1", "Milo")
	milo.get(path).is(404)
	milo.get("/people").is(403)
	p = b.post("/tokens", url.Values{"name": {"bench 2"}, "role": {"station"}})
	p.is(200)
	token := p.text("code.secret")
	if strings.Contains(textOf(b.get("/people").root), token) {
		t.Error("the token is shown again")
	}
	req, _ := http.NewRequestWithContext(t.Context(), "GET", b.address+"/api/v1/units/x", nil)
	req.Header.Set("Authorization", "Bearer "+token)
	b.fresh().send(req).is(404)
	b.post("/tokens/revoke", url.Values{"name": {"bench 2"}, "reason": {"lost"}}).says("[role=status]", "is revoked")
	req, _ = http.NewRequestWithContext(t.Context(), "GET", b.address+"/api/v1/units/x", nil)
	req.Header.Set("Authorization", "Bearer "+token)
	b.fresh().send(req).is(401)
	b.post("/people/change", url.Values{"name": {"Milo"}, "do": {"role"}, "role": {"quality"}}).says("[role=status]", "changed")
	milo.get("/").is(401)
	b.post("/people/change", url.Values{"name": {"Milo"}, "do": {"close"}}).says("[role=status]", "closed")
	b.post("/people/link", url.Values{"name": {"Milo"}}).says("[role=alert]", "is closed")
	b.post("/people/change", url.Values{"name": {"Milo"}, "do": {"open"}}).says("[role=status]", "open again")
	b.post("/people/change", url.Values{"name": {"Savka"}, "do": {"close"}}).says("[role=alert]", "the only administrator")
	b.post("/people/change", url.Values{"name": {"Savka"}, "do": {"fly"}}).is(422)
	b.post("/people", url.Values{"name": {"Milo"}, "role": {"maker"}}).says("[role=alert]", "registered already")
	b.post("/people", url.Values{"name": {"A"}, "role": {"king"}}).says("[role=alert]", "is no role")
	b.post("/tokens", url.Values{"name": {"bench 2"}, "role": {"station"}}).says("[role=alert]", "already")
}

func TestGuessingIsSlow(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, everybody)
	b.first(l, "Savka")
	other := b.fresh()
	var locked, slow bool
	for range 30 {
		p := other.post("/sign-in", url.Values{"name": {"Savka"}, "password": {"wrong"}})
		locked = locked || strings.Contains(textOf(p.root), "Too many wrong passwords")
		slow = slow || p.status == http.StatusTooManyRequests && p.header.Get("Retry-After") != ""
	}
	if !locked || !slow {
		t.Errorf("after 30 guesses: locked %v, slowed %v", locked, slow)
	}
}

// A stream that somebody watches ends when they sign out.
func TestStreamsEndWithTheirSession(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, everybody)
	m := b.as(l, "Milo", "maker")
	req, err := http.NewRequestWithContext(t.Context(), "GET", b.address+"/api/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := m.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	ended := make(chan string, 1)
	go func() {
		text, _ := io.ReadAll(res.Body)
		ended <- string(text)
	}()
	m.post("/account/sign-out-everywhere", nil).is(200)
	addProduct(t, l)
	if text := <-ended; strings.Contains(text, "add product") {
		t.Errorf("heard after the end: %s", text)
	}
}
