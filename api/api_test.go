package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/envelope"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/xuri/excelize/v2"
)

// A client sends requests to a server under test and holds every answer against the
// interface's own description.
type client struct {
	t      *testing.T
	server *httptest.Server
	router routers.Router
	token  string
}

// build returns a handler on a database of its own, with one product.
func build(t testing.TB, rule string) (http.Handler, *line.Line, *store.DB) {
	t.Helper()
	db := storetest.Open(t)
	l := line.New(db, "main", time.Now)
	prepare(t, l)
	return handlerOn(t, l, db, rule), l, db
}

// prepare opens a workshop with one product.
func prepare(t testing.TB, l *line.Line) {
	t.Helper()
	by := line.By{Actor: "tester"}
	if err := l.Open(t.Context(), by, "Test workshop", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	p := line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	}
	if _, err := l.AddProduct(t.Context(), by, p); err != nil {
		t.Fatal(err)
	}
}

// everybody is the rule that everybody signs in, also with nobody registered; without a
// rule it is as on a fresh machine.
const everybody = "everybody signs in"

func handlerOn(t testing.TB, l *line.Line, db *store.DB, rule string) http.Handler {
	t.Helper()
	h, err := api.New(api.Options{Line: l, DB: db, Demand: rule == everybody, Listen: "127.0.0.1:0", Version: "test", Log: logTo(t)})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// forFuzzing is a server on one database for all processes of the fuzzer: that each
// starts a PostgreSQL of its own would take longer than a short run lasts.
func forFuzzing(f *testing.F) http.Handler {
	f.Helper()
	const name = "ALIKE_FUZZ_DATABASE"
	url, inherited := os.LookupEnv(name)
	if !inherited {
		url = storetest.URL(f)
		f.Setenv(name, url)
	}
	db, err := store.Open(f.Context(), url)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if !inherited {
		prepare(f, l)
	}
	return handlerOn(f, l, db, "")
}

// logTo shows what the server logs when a test fails.
func logTo(t testing.TB) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

// handler is a server that asks nobody who they are.
func handler(t testing.TB) http.Handler {
	h, _, _ := build(t, "")
	return h
}

func serve(t *testing.T, rule string) (*client, *line.Line, *store.DB) {
	t.Helper()
	h, l, db := build(t, rule)
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	c := &client{t: t, server: srv}
	doc, err := openapi3.NewLoader().LoadFromData(c.raw("GET", "/api/v1/openapi.json", nil, nil).body)
	if err != nil {
		t.Fatal(err)
	}
	doc.Servers = openapi3.Servers{{URL: srv.URL}}
	if c.router, err = gorillamux.NewRouter(doc); err != nil {
		t.Fatal(err)
	}
	return c, l, db
}

type answer struct {
	status int
	header http.Header
	body   []byte
}

// into decodes the body.
func (a answer) into(t *testing.T, v any) {
	t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		t.Fatalf("%v in %s", err, a.body)
	}
}

func (c *client) raw(method, path string, body []byte, header http.Header) answer {
	c.t.Helper()
	req, err := http.NewRequestWithContext(c.t.Context(), method, c.server.URL+path, bytes.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	for k, v := range header {
		req.Header[k] = v
	}
	if h := header.Get("Host"); h != "" {
		req.Host = h
	}
	res, err := c.server.Client().Do(req)
	if err != nil {
		c.t.Fatal(err)
	}
	defer res.Body.Close()
	got, err := io.ReadAll(res.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return answer{res.StatusCode, res.Header, got}
}

// do sends a request and checks the answer against the description.
func (c *client) do(method, path string, body any) answer {
	c.t.Helper()
	var data []byte
	if body != nil {
		var err error
		if data, err = json.Marshal(body); err != nil {
			c.t.Fatal(err)
		}
	}
	a := c.raw(method, path, data, nil)
	c.check(method, path, data, a)
	return a
}

func (c *client) check(method, path string, body []byte, a answer) {
	c.t.Helper()
	req := httptest.NewRequest(method, c.server.URL+path, bytes.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	route, params, err := c.router.FindRoute(req)
	if err != nil {
		c.t.Errorf("%s %s is not described: %v", method, path, err)
		return
	}
	in := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route},
		Status:                 a.status, Header: a.header,
		Options: &openapi3filter.Options{ExcludeResponseBody: !strings.Contains(a.header.Get("Content-Type"), "json")},
	}
	in.SetBodyBytes(a.body)
	if err := openapi3filter.ValidateResponse(context.Background(), in); err != nil {
		c.t.Errorf("%s %s answers %d against its description: %v", method, path, a.status, err)
	}
}

func take(serial, channel string, wiggle float64) api.Take {
	t := api.Take{Serial: serial, Channel: channel, Lot: "L 1", Source: "rig.txt"}
	for hz := 20.0; hz < 20000; hz *= 1.2 {
		t.Frequencies, t.Levels = append(t.Frequencies, hz), append(t.Levels, 100+wiggle)
	}
	return t
}

type takes struct {
	Takes []api.Take `json:"takes"`
}

type stored struct {
	Takes []api.TakeResult
	Units []api.UnitResult
}

func TestTakesFromFirstToVerdict(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	a := c.do("POST", "/api/v1/takes", take("U/1", "left", 0.1))
	if a.status != http.StatusUnprocessableEntity { // a serial becomes part of addresses
		t.Errorf("a serial with a slash: %d %s", a.status, a.body)
	}
	var first, again stored
	a = c.do("POST", "/api/v1/takes", take("U 1", "L", 0.1))
	a.into(t, &first)
	if a.status != http.StatusCreated || first.Takes[0].Status != "stored" || first.Units[0].Waiting != "right seating 1" {
		t.Fatalf("%d %s", a.status, a.body)
	}
	a = c.do("POST", "/api/v1/takes", take("U 1", "left", 0.1))
	a.into(t, &again)
	if a.status != http.StatusOK || again.Takes[0].ID != first.Takes[0].ID || again.Takes[0].Status != "known" {
		t.Errorf("again: %d %s", a.status, a.body)
	}
	a = c.do("POST", "/api/v1/takes", take("U 1", "left", 0.3))
	var p api.Problem
	a.into(t, &p)
	if a.status != http.StatusConflict || p.Field != "attempt" || p.Remedy == "" || a.header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("another curve: %d %s", a.status, a.body)
	}
	a = c.do("POST", "/api/v1/takes", takes{[]api.Take{take("U 1", "right", 0.2), take("U2", "left", 0.4), take("U2", "right", 0.5)}})
	var both stored
	a.into(t, &both)
	if a.status != http.StatusCreated || len(both.Units) != 2 || both.Units[0].Verdict == nil || both.Units[0].Verdict.Word != envelope.Pass {
		t.Fatalf("%d %s", a.status, a.body)
	}
	var u api.Unit
	a = c.do("GET", "/api/v1/units/"+url.PathEscape("U 1"), nil)
	a.into(t, &u)
	if a.status != http.StatusOK || len(u.Attempts) != 1 || len(u.Attempts[0].Takes) != 2 || u.Attempts[0].Verdict == nil {
		t.Errorf("%d %s", a.status, a.body)
	}
}

// A refused take is quarantined with the request; the good ones are stored, and the
// answer says which is which.
func TestPartlyRefused(t *testing.T) {
	t.Parallel()
	c, _, db := serve(t, "")
	a := c.do("POST", "/api/v1/takes", takes{[]api.Take{take("U1", "left", 0.1), take("U1", "centre", 0.2), take("U1", "right", 0.3)}})
	var p api.Problem
	a.into(t, &p)
	if a.status != http.StatusUnprocessableEntity || len(p.Takes) != 3 || p.Takes[1].Status != "refused" || p.Takes[2].Status != "stored" ||
		len(p.Units) != 1 || p.Units[0].Verdict == nil {
		t.Fatalf("%d %s", a.status, a.body)
	}
	rows, err := db.Site("main").Refused(t.Context(), "L 1")
	if err != nil || len(rows) != 1 || rows[0].Source != "request, take 2 (rig.txt)" || rows[0].Field != "channel" {
		t.Errorf("%+v (%v)", rows, err)
	}
}

func TestBadRequests(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	good := take("U1", "left", 0)
	with := func(change func(*api.Take)) []byte {
		k := good
		k.Frequencies, k.Levels = slices.Clone(k.Frequencies), slices.Clone(k.Levels)
		change(&k)
		b, err := json.Marshal(k)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, tt := range []struct {
		name, path string
		body       []byte
		status     int
		field, say string
	}{
		{"not JSON", "/api/v1/takes", []byte("{\"serial\":\n \"x\",,"), 400, "", "line 2"},
		{"empty", "/api/v1/takes", []byte{}, 400, "", "not usable JSON"},
		{"wrong type", "/api/v1/takes", []byte(`{"serial": 5}`), 400, "serial", "cannot be a number"},
		{"unknown field", "/api/v1/takes", []byte(`{"serail": "x"}`), 400, "", "serail"},
		{"two values", "/api/v1/takes", append(with(func(*api.Take) {}), '1'), 400, "", "more after the end"},
		{"no takes", "/api/v1/takes", []byte(`{"takes": []}`), 422, "", "no take"},
		{"lengths", "/api/v1/takes", with(func(k *api.Take) { k.Levels = k.Levels[1:] }), 422, "levels", "do not go together"},
		{"falling", "/api/v1/takes", with(func(k *api.Take) { k.Frequencies[3] = 1 }), 422, "frequency", "point 4"},
		{"no serial", "/api/v1/takes", with(func(k *api.Take) { k.Serial = "" }), 422, "serial", "empty"},
		{"negative seating", "/api/v1/takes", with(func(k *api.Take) { k.Seating = -1 }), 422, "seating", "count"},
		{"unknown product", "/api/v1/takes", with(func(k *api.Take) { k.Product = "p9" }), 404, "product", "no product"},
		{"no lot", "/api/v1/takes", with(func(k *api.Take) { k.Lot = "" }), 422, "lot", "no lot"},
		{"nul in a text", "/api/v1/takes", with(func(k *api.Take) { k.Operator = "a\x00b" }), 422, "operator", "U+0000"},
		{"unit", "/api/v1/units/none", nil, 404, "serial", "no unit"},
		{"lot", "/api/v1/lots/none", nil, 404, "lot", "no lot"},
		{"report", "/api/v1/lots/none/report.xlsx", nil, 404, "lot", "no lot"},
		{"paper", "/api/v1/lots/none/report.xlsx?paper=A5", nil, 422, "", "no paper"},
		{"stream", "/api/v1/charts?stream=none", nil, 404, "stream", "no stream"},
		{"limit", "/api/v1/charts?stream=balance/63&limit=0", nil, 422, "limit", "not a count"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			method := "GET"
			if tt.body != nil {
				method = "POST"
			}
			a := c.raw(method, tt.path, tt.body, nil)
			c.check(method, tt.path, tt.body, a)
			var p api.Problem
			a.into(t, &p)
			if a.status != tt.status || p.Status != tt.status || p.Field != tt.field || !strings.Contains(p.Detail, tt.say) {
				t.Errorf("%d %s", a.status, a.body)
			}
		})
	}
	if a := c.raw("GET", "/api/v1/nowhere", nil, nil); a.status != 404 || a.header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("%d %s", a.status, a.body)
	}
	if a := c.raw("DELETE", "/api/v1/takes", nil, nil); a.status != 405 {
		t.Errorf("%d %s", a.status, a.body)
	}
	if a := c.raw("POST", "/api/v1/takes", with(func(*api.Take) {}), http.Header{"Content-Type": {"text/plain"}}); a.status != 415 {
		t.Errorf("a form's content type: %d %s", a.status, a.body)
	}
	if a := c.raw("POST", "/api/v1/takes", bytes.Repeat([]byte(" "), 65<<20), nil); a.status != 413 {
		t.Errorf("65 MB: %d %s", a.status, a.body)
	}
}

func TestLotAndReport(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	for i := range 3 {
		k := fmt.Sprint("U", i)
		c.do("POST", "/api/v1/takes", takes{[]api.Take{take(k, "left", 0.1+float64(i)/20), take(k, "right", 0.11+float64(i)/20)}})
	}
	a := c.do("GET", "/api/v1/lots", nil)
	var lots struct{ Lots []api.Lot }
	a.into(t, &lots)
	if len(lots.Lots) != 1 || lots.Lots[0].Units != 3 || lots.Lots[0].FirstPass != 3 {
		t.Fatalf("%s", a.body)
	}
	var d api.LotDetail
	c.do("GET", "/api/v1/lots/"+url.PathEscape("L 1"), nil).into(t, &d)
	if d.Proposal != line.Accept || d.Counts.Pass != 3 {
		t.Errorf("%+v", d)
	}
	a = c.do("GET", lots.Lots[0].Report+"?paper=Letter", nil)
	f, err := excelize.OpenReader(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if names := f.GetSheetList(); len(names) < 7 || names[0] != "Summary" {
		t.Errorf("sheets %v", names)
	}
	var ch api.Chart
	c.do("GET", "/api/v1/charts?stream=deviation/left/63", nil).into(t, &ch)
	if len(ch.Points) != 3 || ch.LimitSet != 0 || ch.Points[2].Serial != "U2" {
		t.Errorf("%+v", ch)
	}
	c.do("GET", "/api/v1/streams?product=p1", nil)
}

// A token is good for what its role may, and for nothing any more once it is revoked.
func TestToken(t *testing.T) {
	t.Parallel()
	c, l, db := serve(t, everybody)
	by := line.By{Actor: "tester"}
	station, err := l.AddToken(t.Context(), by, "bench 1", "station")
	if err != nil {
		t.Fatal(err)
	}
	if c.token, err = l.AddToken(t.Context(), by, "archive", "reader"); err != nil {
		t.Fatal(err)
	}
	reader := c.token
	for token, want := range map[string][3]int{reader: {200, 403, 404}, station: {403, 400, 404}, "": {401, 401, 401}, "wrong": {401, 401, 401}, reader + "s": {401, 401, 401}} {
		c.token = token
		got := [3]int{
			c.raw("GET", "/api/v1/lots", nil, nil).status, c.raw("POST", "/api/v1/takes", []byte("{"), nil).status, c.raw("GET", "/api/v1/units/x", nil, nil).status}
		if got != want {
			t.Errorf("token %.20q: lots, takes, unit answer %v, want %v", token, got, want)
		}
		if a := c.raw("GET", "/metrics", nil, nil); want[0] == 401 && (a.status != 401 || !strings.Contains(a.header.Get("WWW-Authenticate"), "Bearer")) {
			t.Errorf("metrics with token %.20q: %d", token, a.status)
		}
	}
	c.token = station
	if a := c.do("POST", "/api/v1/takes", take("U1", "left", 0)); a.status != 201 {
		t.Errorf("a take by a station: %d %s", a.status, a.body)
	}
	entries, err := db.Site("main").JournalAbout(t.Context(), "U1", 0, 10)
	if err != nil || len(entries) != 1 || entries[0].Actor != "station bench 1" {
		t.Errorf("the journal names %+v (%v)", entries, err)
	}
	rows, err := l.Tokens(t.Context())
	if err != nil || len(rows) != 2 || rows[1].UsedAt == nil || rows[1].UsedFrom != "127.0.0.1" || strings.Contains(fmt.Sprint(rows), station) {
		t.Errorf("%+v (%v)", rows, err)
	}
	if err := l.RevokeToken(t.Context(), by, "bench 1", "lost"); err != nil {
		t.Fatal(err)
	}
	if a := c.raw("GET", "/api/v1/units/U1", nil, nil); a.status != 401 {
		t.Errorf("with a revoked token: %d", a.status)
	}
	c.token = ""
	for _, path := range []string{"/healthz", "/readyz"} {
		if a := c.do("GET", path, nil); a.status != 200 {
			t.Errorf("%s: %d", path, a.status)
		}
	}
	if a := c.raw("GET", "/", nil, nil); bytes.Contains(a.body, []byte("Test workshop")) {
		t.Error("the first page shows data to nobody")
	}
}

// The token that a server of an earlier release was started with goes on as a station's.
func TestEarlierToken(t *testing.T) {
	t.Parallel()
	c, l, _ := serve(t, everybody)
	by := line.By{Actor: "tester"}
	c.token = "correct horse battery"
	for i, want := range []bool{true, false} {
		if added, err := l.KeepToken(t.Context(), by, c.token); err != nil || added != want {
			t.Errorf("start %d: added %v (%v)", i, added, err)
		}
	}
	if a := c.raw("POST", "/api/v1/takes", []byte("{"), nil); a.status != 400 {
		t.Errorf("with the earlier token: %d", a.status)
	}
	if err := l.RevokeToken(t.Context(), by, "from ALIKE_TOKEN", ""); err != nil {
		t.Fatal(err)
	}
	if added, err := l.KeepToken(t.Context(), by, c.token); err != nil || added {
		t.Errorf("a revoked token came back: %v (%v)", added, err)
	}
	if a := c.raw("POST", "/api/v1/takes", []byte("{"), nil); a.status != 401 {
		t.Errorf("with the revoked token: %d", a.status)
	}
	if added, err := l.KeepToken(t.Context(), by, "another one, and long"); err != nil || !added {
		t.Errorf("another token: %v (%v)", added, err)
	}
	if _, err := l.KeepToken(t.Context(), by, "fifteen letters"); err == nil {
		t.Error("a token of fifteen letters is taken")
	}
}

// Who has to say who they are: everybody at an address that others reach, and everywhere
// once somebody is registered.
func TestWhoHasToSignIn(t *testing.T) {
	t.Parallel()
	_, l, db := serve(t, "")
	ask := func(listen string) int {
		h, err := api.New(api.Options{Line: l, DB: db, Listen: listen, Version: "test", Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, httptest.NewRequest("GET", "http://127.0.0.1/api/v1/lots", nil))
		return rec.Code
	}
	listens := map[string]int{"127.0.0.1:80": 200, "[::1]:80": 200, "localhost:80": 200, "0.0.0.0:80": 401, ":80": 401, "192.168.1.5:80": 401, "[::]:80": 401}
	for listen, want := range listens {
		if got := ask(listen); got != want {
			t.Errorf("listening on %s with nobody registered: %d, want %d", listen, got, want)
		}
	}
	if err := l.AddPerson(t.Context(), line.By{Actor: "tester"}, "Savka", "administrator"); err != nil {
		t.Fatal(err)
	}
	for listen := range listens {
		if got := ask(listen); got != 401 {
			t.Errorf("listening on %s with somebody registered: %d, want 401", listen, got)
		}
	}
}

// A page elsewhere that points its own name at this machine gets nothing.
func TestForeignHostIsRefused(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	if a := c.raw("GET", "/api/v1/lots", nil, http.Header{"Host": {"evil.example:8060"}}); a.status != http.StatusMisdirectedRequest {
		t.Errorf("%d %s", a.status, a.body)
	}
}

func TestSafetyHeaders(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	for _, path := range []string{"/", "/api/v1/lots", "/nowhere"} {
		h := c.raw("GET", path, nil, nil).header
		if !strings.Contains(h.Get("Content-Security-Policy"), "default-src 'none'") || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("X-Request-Id") == "" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

func TestMetricsCount(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	c.do("POST", "/api/v1/takes", take("U1", "left", 0))
	c.do("POST", "/api/v1/takes", take("U1", "left", 0))
	text := string(c.do("GET", "/metrics", nil).body)
	for _, want := range []string{`alike_takes_total{status="stored"} 1`, `alike_takes_total{status="known"} 1`, `route="/api/v1/takes",status="201"`} {
		if !strings.Contains(text, want) {
			t.Errorf("metrics lack %s", want)
		}
	}
}

// Every route is described and every description has its route.
func TestDescriptionIsComplete(t *testing.T) {
	t.Parallel()
	c, l, db := serve(t, "")
	doc, err := openapi3.NewLoader().LoadFromData(c.raw("GET", "/api/v1/openapi.json", nil, nil).body)
	if err != nil {
		t.Fatal(err)
	}
	described := map[string]bool{}
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			described[method+" "+path] = true
		}
	}
	routes, err := api.Routes(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range routes {
		if !described[r] && !api.IsPage(r) {
			t.Errorf("%s is not described", r)
		}
		delete(described, r)
	}
	for r := range described {
		t.Errorf("%s is described and not served", r)
	}
}

// The same take from many clients at once is stored once.
func TestSameTakeFromManyClients(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	body, err := json.Marshal(take("U1", "left", 0))
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	statuses := map[int]int{}
	for range 16 {
		wg.Go(func() {
			a := c.raw("POST", "/api/v1/takes", body, nil)
			mu.Lock()
			statuses[a.status]++
			mu.Unlock()
		})
	}
	wg.Wait()
	if statuses[201] != 1 || statuses[200] != 15 {
		t.Errorf("%v, want one 201 and fifteen 200", statuses)
	}
}

// A server that is told to stop finishes what runs.
func TestGracefulStop(t *testing.T) {
	t.Parallel()
	entered, release := make(chan struct{}), make(chan struct{})
	slow := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		close(entered)
		<-release
		fmt.Fprint(w, "done")
	})
	l := listen(t)
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- api.Serve(ctx, l, slow) }()
	got := make(chan string, 1)
	go func() {
		res, err := http.Get("http://" + l.Addr().String())
		if err != nil {
			got <- err.Error()
			return
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		got <- string(b)
	}()
	<-entered
	cancel()
	close(release)
	if s := <-got; s != "done" {
		t.Errorf("the running request got %q", s)
	}
	if err := <-served; err != nil {
		t.Errorf("serve ended with %v", err)
	}
}

func FuzzPostTakes(f *testing.F) {
	body, err := json.Marshal(takes{[]api.Take{take("U1", "left", 0)}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte(`{"serial":"x","channel":"left","frequencies":[1e999],"levels":[null]}`))
	f.Add([]byte(`{"takes":[{"serial":"\u0000"}]}`))
	h := forFuzzing(f)
	f.Fuzz(func(t *testing.T, body []byte) {
		req := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/takes", bytes.NewReader(body))
		req.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code >= 500 {
			t.Fatalf("%d %s for %q", w.Code, w.Body, body)
		}
		if w.Code < 300 {
			return
		}
		var p api.Problem
		if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Status != w.Code {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	})
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}
