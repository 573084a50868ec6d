package api_test

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"alike/api"
	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/envelope"

	"github.com/jackc/pgx/v5"
)

// careful stores a product with a sampling plan that asks for a second person.
func careful(t *testing.T, l *line.Line, change func(*line.Product)) {
	t.Helper()
	p := line.Product{
		Code: "p1", Name: "Test", Channels: []string{"left", "right"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 2, FirstPassYield: 0.5, FalseAlarms: 50, SecondPerson: true,
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	}
	if change != nil {
		change(&p)
	}
	if _, err := l.AddProduct(t.Context(), line.By{Actor: "tester"}, p); err != nil {
		t.Fatal(err)
	}
}

// openAt is open with the address of the database.
func openAt(t *testing.T) (*browser, *line.Line, string) {
	t.Helper()
	address := storetest.URL(t)
	db, err := store.Open(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), line.By{Actor: "tester"}, "Test workshop", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	return &browser{t, srv.URL, srv.Client()}, l, address
}

// From open to decided by the forms of the lot's page; what is wrong is said in the page,
// beside what was typed; a later change is seen.
func TestLotIsDecidedOnItsPage(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	careful(t, l, nil)
	for i := range 12 {
		w := 0.01 * float64(i+1) // no two curves are the same
		b.take(take(fmt.Sprintf("U%02d", i), "left", w), take(fmt.Sprintf("U%02d", i), "right", w+0.005))
	}
	const page = "/lots/L%201"
	p := b.get(page)
	p.says("#stand", "open for measuring")
	p.says("#not-ready", "The lot is still open for measuring.")
	p.says("#questions", "No reference unit was measured on")
	p.number(`#decide input[name=step][value=decide]`, 0)

	p = b.post(page, url.Values{"step": {"decide"}, "outcome": {"accept"}, "reason": {"good"}, "by": {"Ilse"}})
	p.is(http.StatusConflict)
	p.says(".wrong", "Lot L 1 is still open for measuring.")
	p = b.post(page, url.Values{"step": {"close"}})
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "Say who you are")
	p = b.post(page, url.Values{"step": {"close"}, "by": {"Ilse"}})
	p.is(http.StatusOK)
	p.says("#stand", "closed for measuring, not decided")
	p.number("#not-ready", 0)
	p.number(`#decide input[name=outcome]`, 5)

	hash := attr(p.all("input[name=data_hash]")[0], "value")
	form := url.Values{"step": {"decide"}, "outcome": {"accept"}, "reason": {"  "}, "by": {"Ilse"}, "data_hash": {hash}}
	p = b.post(page, form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "A decision needs a typed reason.")
	p.number(`#outcome-accept[checked]`, 1)
	form.Set("reason", "heard six of them")
	form.Set("data_hash", strings.Repeat("0", 64))
	p = b.post(page, form)
	p.is(http.StatusConflict)
	p.says(".wrong", "changed since the report that you read")
	if got := attr(p.all("#decide-reason")[0], "value"); got != "heard six of them" {
		t.Errorf("what was typed is lost: %q", got)
	}
	form.Set("data_hash", hash)
	p = b.post(page, form)
	p.is(http.StatusOK)
	p.says("#stand", "decided: accept")
	p.says("#signature.done", "Decided: accept , by Ilse on")
	p.says("#signature.done", "The data are those that were signed.")
	p.says("#signature.done", hash)
	b.get("/lots").says("main table", "decided: accept")
	b.get("/units/U03").says("#override", "Lot L 1 is decided: its verdicts stand until it is re-opened.")

	// Parts named later are a change of what was known.
	if _, err := l.AddParts(t.Context(), line.By{Actor: "tester"}, "p1", []line.PartUse{{Kind: "foam", Batch: "F9", First: "U00", Last: "U05"}}); err != nil {
		t.Fatal(err)
	}
	p = b.get(page)
	p.says("#signature.wrong", "The signature does not match any more.")
	p.says("#signature.wrong", "parts 1")

	p = b.post(page, url.Values{"step": {"reopen"}, "by": {"Ilse"}, "reason": {""}})
	p.is(http.StatusUnprocessableEntity)
	p.says("#decide .wrong", "only with a reason")
	p = b.post(page, url.Values{"step": {"reopen"}, "by": {"Ilse"}, "reason": {"two were forgotten"}})
	p.says("#stand", "open for measuring")
	p.says("#signature.wrong", "The lot was re-opened since: the decision is not in force.")
	p.says("#decide .steps", "opened again by Ilse : two were forgotten")
	b.post(page, url.Values{"step": {"eat"}, "by": {"Ilse"}}).is(http.StatusUnprocessableEntity)
	b.post("/lots/nowhere", url.Values{"step": {"close"}, "by": {"Ilse"}}).is(http.StatusNotFound)
}

// A verdict is set aside on the unit's page, and counts once another person has agreed.
func TestOverrideOnTheUnitsPage(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	careful(t, l, nil)
	b.take(bent("U1", "left", 0.1, -9), take("U1", "right", 0.2))
	b.take(take("U2", "left", 0.3), take("U2", "right", 0.35))
	p := b.get("/units/U1")
	p.says("#override", "A second person, not the one who asks, has to agree")
	p = b.post("/units/U1", url.Values{"attempt": {"1"}, "verdict": {"pass"}, "by": {"Ilse"}})
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "A verdict is set aside only with a reason.")
	ask := url.Values{"attempt": {"1"}, "verdict": {"pass"}, "by": {"Ilse"}, "reason": {"a cable lay under the pad"}}
	p = b.post("/units/U1", ask)
	p.is(http.StatusOK)
	p.says("h1", "fail")
	p.says("#pending", "Ilse asked to set attempt 1 from ✗ fail to ✓ pass")
	p.says("#override", "Another person than Ilse has to agree.")
	p.number("#set-aside", 0)
	b.get("/lots/L%201").says("#not-ready", "A second person has to agree that unit U1, attempt 1, is pass.")

	agree := url.Values{"attempt": {"1"}, "confirm": {"yes"}, "by": {" ilse "}, "reason": {"I saw it"}}
	p = b.post("/units/U1", agree)
	p.is(http.StatusConflict)
	p.says(".wrong", "Another person has to agree.")
	agree.Set("by", "Bram")
	p = b.post("/units/U1", agree)
	p.is(http.StatusOK)
	p.says("h1", "pass")
	p.says("#set-aside", "it was measured ✗ fail and stands as ✓ pass")
	p.number("#pending", 0)
	// It is shown wherever the verdict is.
	b.get("/units").says("main table", "set aside: ✓ pass")
	b.get("/units/U2").says("#unit", "set aside: pass")
	b.get("/lots/L%201").says("main", "Verdicts that a person set aside")
	b.get("/lots/L%201").number("#not-ready li", 1)
	b.get("/").says("#now-waiting", "set aside: ✓ pass")
	b.post("/units/U1", url.Values{"attempt": {"x"}, "by": {"Ilse"}}).is(http.StatusUnprocessableEntity)
	b.post("/units/U9", ask).is(http.StatusNotFound)
}

// The sample of a lot is drawn before it is measured, and the page lists what to pull.
func TestSampleIsDrawnOnThePage(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	b.get("/lots").number("#sample", 0)
	careful(t, l, func(p *line.Product) {
		p.Sampling = &line.SamplingWish{Good: 0.02, ProducerRisk: 0.05, Bad: 0.25, ConsumerRisk: 0.1}
	})
	var serials []string
	for i := range 40 {
		serials = append(serials, fmt.Sprintf("S%02d", i))
	}
	form := url.Values{"lot": {"L 1"}, "product": {"p1"}, "units": {strings.Join(serials, "\r\n") + "\r\nS01"}, "by": {"Ilse"}}
	p := b.post("/sample", form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "Unit S01 is named twice.")
	form.Set("units", strings.Join(serials, "\r\n"))
	p = b.post("/sample", form)
	p.is(http.StatusOK)
	if p.path != "/lots/L%201" {
		t.Errorf("it leads to %s", p.path)
	}
	n := len(p.all("ol.pulled li"))
	if n < 5 || n >= 40 {
		t.Errorf("%d units to pull of 40", n)
	}
	p.says("main", "by the program, seed")
	p.says("main", "Operating characteristic of the plan")
	p.says("#not-ready", fmt.Sprintf("%d of the %d units drawn are not inspected yet", n, n))
	p.number(`#draw-reason[required]`, 1)
	p = b.post("/lots/L%201", url.Values{"step": {"draw"}, "units": {strings.Join(serials, "\n")}, "by": {"Ilse"}})
	p.is(http.StatusConflict)
	p.says(".wrong", "a new draw until one pleases is none")
	pulled := textOf(p.all("ol.pulled li a")[0])
	b.take(take(pulled, "left", 0.1), take(pulled, "right", 0.2))
	b.get("/lots/L%201").says("ol.pulled", pulled+" ✓ pass")
}

// The journal says who did what, chosen by lot, unit, finding or person, and whether it
// is whole.
func TestJournalPage(t *testing.T) {
	t.Parallel()
	b, l, address := openAt(t)
	careful(t, l, nil)
	b.take(bent("U1", "left", 0.1, -9), take("U1", "right", 0.2))
	b.take(take("U2", "left", 0.3), take("U2", "right", 0.35))
	b.post("/units/U1", url.Values{"attempt": {"1"}, "verdict": {"pass"}, "by": {"Ilse"}, "reason": {"a cable lay under the pad"}})
	p := b.get("/journal")
	p.says("h1", "Who did what, and why?")
	p.says("#chain.done", "The chain is whole:")
	first := p.text("tbody tr")
	if !strings.Contains(first, "Ilse") || !strings.Contains(first, "override verdict") || !strings.Contains(first, "a cable lay under the pad") {
		t.Errorf("the newest entry is %q", first)
	}
	b.get("/journal?who=ilse").number("tbody tr", 1)
	b.get("/journal?about=U2").number("tbody tr", 1)
	b.get("/journal?lot=L+1").number("tbody tr", 3)
	b.get("/journal?lot=L+1&who=ilse").number("tbody tr", 1)
	b.get("/journal?finding=1").says("main", "No entry is like that.")
	b.get("/journal?who=nobody").says("main", "No entry is like that.")
	b.get("/journal?before=3").says("h1", "Earlier entries")
	b.get("/journal?before=x").is(http.StatusUnprocessableEntity)
	conn, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	for _, sql := range []string{`SET session_replication_role = replica`, `UPDATE overrides SET verdict = 'hold'`} { // past the triggers
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	p = b.get("/journal?check=now")
	p.says("#chain.wrong", "The record was bent.")
	p.says("#chain.wrong", "overrides, 1/1/U1:")
}
