package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/envelope"

	"github.com/andybalholm/cascadia"
	"golang.org/x/net/html"
)

// A browser asks for pages and reads them by selectors.
type browser struct {
	t       *testing.T
	address string
	client  *http.Client
}

// A page is one answer, parsed.
type page struct {
	t      *testing.T
	path   string // after redirects, with the query
	status int
	header http.Header
	root   *html.Node
}

// open returns a browser on a workshop without anything.
func open(t *testing.T, rule string) (*browser, *line.Line, *store.DB) {
	t.Helper()
	db := storetest.Open(t)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{Actor: "tester"}, "Test workshop", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	h, err := api.New(api.Options{Line: l, DB: db, Demand: rule == everybody, Listen: "127.0.0.1:0", Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &browser{t, srv.URL, &http.Client{Jar: jar}}, l, db
}

// as returns another browser, in which a person of a role is signed in.
func (b *browser) as(l *line.Line, name, role string) *browser {
	b.t.Helper()
	ctx := b.t.Context()
	if err := l.AddPerson(ctx, line.By{Actor: "tester"}, name, role); err != nil {
		b.t.Fatal(err)
	}
	link, _, err := l.Invite(ctx, line.By{Actor: "tester"}, name)
	if err != nil {
		b.t.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.t.Fatal(err)
	}
	other := &browser{b.t, b.address, &http.Client{Jar: jar}}
	other.post("/welcome/"+link, url.Values{"password": {goodPassword}, "again": {goodPassword}}).is(200)
	return other
}

const goodPassword = "seven teal otters knit"

// addProduct stores a pair product judged at ±3 dB around a flat target.
func addProduct(t *testing.T, l *line.Line) {
	t.Helper()
	_, err := l.AddProduct(t.Context(), line.By{Actor: "tester"}, line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 2, FirstPassYield: 0.9, FalseAlarms: 50,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	})
	if err != nil {
		t.Fatal(err)
	}
}

func (b *browser) send(req *http.Request) page {
	b.t.Helper()
	res, err := b.client.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer res.Body.Close()
	root, err := html.Parse(res.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	p := page{b.t, res.Request.URL.RequestURI(), res.StatusCode, res.Header, root}
	if strings.HasPrefix(res.Header.Get("Content-Type"), "text/html") {
		p.wellMade()
	}
	return p
}

func (b *browser) get(path string) page {
	b.t.Helper()
	req, err := http.NewRequestWithContext(b.t.Context(), "GET", b.address+path, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	return b.send(req)
}

func (b *browser) post(path string, form url.Values) page {
	b.t.Helper()
	req, err := http.NewRequestWithContext(b.t.Context(), "POST", b.address+path, strings.NewReader(form.Encode()))
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	return b.send(req)
}

// upload sends files by a form, as choosing or dropping them does.
func (b *browser) upload(path, field string, files map[string]string, form url.Values) page {
	b.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, vs := range form {
		for _, v := range vs {
			if err := w.WriteField(k, v); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		f, err := w.CreateFormFile(field, name)
		if err != nil {
			b.t.Fatal(err)
		}
		if _, err := f.Write([]byte(files[name])); err != nil {
			b.t.Fatal(err)
		}
	}
	w.Close()
	req, err := http.NewRequestWithContext(b.t.Context(), "POST", b.address+path, &body)
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Content-Type", w.FormDataContentType())
	req.Header.Set("Origin", b.address)
	return b.send(req)
}

// take stores takes over the interface for programs.
func (b *browser) take(all ...api.Take) {
	b.t.Helper()
	data, err := json.Marshal(takes{all})
	if err != nil {
		b.t.Fatal(err)
	}
	res, err := b.client.Post(b.address+"/api/v1/takes", "application/json", bytes.NewReader(data))
	if err != nil {
		b.t.Fatal(err)
	}
	res.Body.Close()
}

func (p page) all(selector string) []*html.Node {
	p.t.Helper()
	s, err := cascadia.ParseGroup(selector)
	if err != nil {
		p.t.Fatal(err)
	}
	return cascadia.QueryAll(p.root, s)
}

// text returns the text of the first element that is selected, blanks drawn together.
func (p page) text(selector string) string {
	p.t.Helper()
	nodes := p.all(selector)
	if len(nodes) == 0 {
		p.t.Errorf("%s: there is no %s in %q", p.path, selector, textOf(p.root))
		return ""
	}
	return textOf(nodes[0])
}

func textOf(n *html.Node) string {
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(n)
	return strings.Join(strings.Fields(b.String()), " ")
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

// says reports an error unless the selected text holds a part.
func (p page) says(selector, part string) {
	p.t.Helper()
	if got := p.text(selector); !strings.Contains(got, part) {
		p.t.Errorf("%s: %s says %q, not %q", p.path, selector, got, part)
	}
}

func (p page) is(status int) {
	p.t.Helper()
	if p.status != status {
		p.t.Errorf("%s answers %d, want %d: %s", p.path, p.status, status, textOf(p.root))
	}
}

func (p page) number(selector string, want int) {
	p.t.Helper()
	if got := len(p.all(selector)); got != want {
		p.t.Errorf("%s: %d of %s, want %d", p.path, got, selector, want)
	}
}

// wellMade holds every page against what all of them promise: one heading, a way past
// the menu, names for fields and regions, nothing inline, nothing from elsewhere.
func (p page) wellMade() {
	p.t.Helper()
	p.number("h1", 1)
	p.number(`html[lang=en]`, 1)
	p.number(`a.skip[href="#main"]`, 1)
	p.number("main#main", 1)
	p.number("style, script:not([src]), [style], [onclick], [onload], iframe, object", 0)
	ids := map[string]bool{}
	for _, n := range p.all("[id]") {
		if id := attr(n, "id"); ids[id] {
			p.t.Errorf("%s: two elements have the id %q", p.path, id)
		} else {
			ids[id] = true
		}
	}
	for _, n := range p.all("input:not([type=hidden]):not([aria-hidden]), select, textarea, progress") {
		id := attr(n, "id")
		if id == "" || len(p.all(fmt.Sprintf("label[for=%q]", id))) != 1 {
			p.t.Errorf("%s: the field %q has no label of its own", p.path, attr(n, "name"))
		}
	}
	for _, n := range p.all("[role=region]") {
		if attr(n, "aria-label") == "" || attr(n, "tabindex") != "0" {
			p.t.Errorf("%s: a region that scrolls without a name or out of the keyboard's reach", p.path)
		}
	}
	for _, n := range p.all("th:not([scope])") {
		p.t.Errorf("%s: the head %q says not of what", p.path, textOf(n))
	}
	for _, n := range p.all("a[href], link[href], script[src], img[src], form[action]") {
		to := attr(n, "href") + attr(n, "src") + attr(n, "action")
		if strings.Contains(to, "//") || to == "" {
			p.t.Errorf("%s: %q leads elsewhere", p.path, to)
		}
	}
	for _, n := range p.all("svg[role=img]") {
		if first := n.FirstChild; first == nil {
			p.t.Errorf("%s: a picture without a title", p.path)
		}
	}
	csp := p.header.Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		p.t.Errorf("%s: policy %q", p.path, csp)
	}
}

// curveText is a curve as a rig exports it.
func curveText(wiggle float64) string {
	var b strings.Builder
	for hz := 20.0; hz < 20000; hz *= 1.2 {
		fmt.Fprintf(&b, "%.3f\t%.3f\n", hz, 100+wiggle)
	}
	return b.String()
}

// bent is a take that lies off in the bass, by dB at 63 Hz falling to none at 500.
func bent(serial, channel string, wiggle, db float64) api.Take {
	t := take(serial, channel, wiggle)
	for i, hz := range t.Frequencies {
		if hz < 200 {
			t.Levels[i] += db
		}
	}
	return t
}
