package api_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/spc/envelope"
)

// A person compares two suppliers, makes pairs, keeps them, and gives them up.
func TestDriverPages(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	addProduct(t, l)
	p := b.get("/drivers")
	p.is(200)
	p.says("h1", "No product of drivers yet")
	tester := line.By{Actor: "tester"}
	_, err := l.AddProduct(t.Context(), tester, line.Product{
		Code: "d1", Name: "Driver", Stage: line.StageDriver, Of: "p1", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.15, ConsumerRisk: 0.10, PairTolerance: 0.4},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	p = b.get("/drivers")
	p.is(200)
	p.says(".lead", "No driver was taken in yet.")
	if _, err := l.AddBatches(t.Context(), tester, "p1", []line.Batch{{Kind: "driver", Code: "NV/1", Supplier: "Norvane", Pieces: 60}, {Kind: "driver", Code: "OS 1", Supplier: "Ostrel"}}); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 9))
	for i := range 12 {
		for k, batch := range []string{"NV1", "OS 1"} {
			b.take(driverTake(rng, fmt.Sprintf("%s-%02d", batch, i+1), batch, 1.2*float64(k)))
		}
	}
	p = b.get("/drivers")
	p.is(200)
	p.number("table tbody tr", 3)
	p.number("input[name=batch]", 4)
	p.number(`a[href="/lots/NV1"]`, 0)
	if lots := b.get("/lots"); len(lots.all("tbody tr")) != 0 {
		t.Error("batches of drivers stand among the lots")
	}
	p = b.get("/drivers/batches/OS%201")
	p.is(200)
	p.number("table tbody tr", 12)
	p.number(".look-pass", 12)

	p = b.get("/drivers/compare?" + url.Values{"product": {"d1"}, "batch": {"NV1", "OS 1"}, "margin": {"0.5"}}.Encode())
	p.is(200)
	p.says(".lead", "the batches differ")
	p.number("svg[role=img]", 2) // one pair, for a desk and for a phone
	book := attr(p.all("a[download]")[0], "href")
	if a := b.get(book); a.status != http.StatusOK || !strings.Contains(a.header.Get("Content-Type"), "spreadsheetml") {
		t.Errorf("%s: %d %v", book, a.status, a.header)
	}
	if p := b.get("/drivers/compare"); p.path != "/drivers#compare" && p.path != "/drivers" {
		t.Errorf("nothing chosen leads to %s", p.path)
	}
	b.get("/drivers/compare?batch=XX").is(http.StatusNotFound)

	ask := url.Values{"product": {"d1"}, "batch": {"NV1"}, "tolerance": {"0,4"}, "excluded": {"NV1-01, NV1-02"}}
	p = b.get("/drivers/pair?" + ask.Encode())
	p.is(200)
	p.says("h1", "Pairs, not kept")
	if strings.Contains(textOf(p.all("table")[0]), "NV1-01") {
		t.Error("an excluded driver is paired")
	}
	b.get("/drivers/pair?tolerance=wide").is(http.StatusUnprocessableEntity)
	p = b.post("/drivers/pairings", ask)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "Give your name")
	ask.Set("by", "Ada")
	p = b.post("/drivers/pairings", ask)
	p.is(200)
	p.says(".done", "kept")
	p.says("h1", "Pairing 1")
	book = attr(p.all("a[download]")[0], "href")
	if a := b.get(book); a.status != http.StatusOK || !strings.Contains(a.header.Get("Content-Disposition"), "pairing-1.xlsx") {
		t.Errorf("%s: %d %v", book, a.status, a.header)
	}
	p = b.post("/drivers/pairings/1/withdraw", url.Values{"product": {"d1"}, "by": {"Ada"}})
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "the reason")
	p = b.post("/drivers/pairings/1/withdraw", url.Values{"product": {"d1"}, "by": {"Ada"}, "reason": {"trial"}})
	p.is(200)
	p.says(".done", "withdrawn")
	p.says("#pairings ~ .wide tbody", "withdrawn: trial")
	b.get("/drivers/pairings/1?product=d1").says(".wrong", "by Ada: trial")
	b.get("/drivers/pairings/7").is(http.StatusNotFound)
	entries, err := db.Site("main").Journal(t.Context(), 0, 200)
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]string{}
	for _, e := range entries {
		by[e.Action] = e.Actor
	}
	if by["keep pairs"] != "Ada" || by["withdraw pairs"] != "Ada" {
		t.Errorf("the journal names %v", by)
	}
}

// A person enters parts as a scanner types them, and corrects a wrong one.
func TestPartsPages(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	addProduct(t, l)
	tester := line.By{Actor: "tester"}
	if _, err := l.AddBatches(t.Context(), tester, "p1", []line.Batch{{Kind: "foam", Code: "F1", Supplier: "Lathmoor", Pieces: 40, Certificate: []line.BatchValue{{Name: "density", Value: 28.5, Unit: "kg/m³"}}}, {Kind: "foam", Code: "F2"}}); err != nil {
		t.Fatal(err)
	}
	p := b.get("/parts")
	p.is(200)
	p.says("td.text", "density 28.5 kg/m³")
	form := url.Values{"product": {"p1"}, "codes": {"U1\n"}, "by": {"Ada"}}
	p = b.post("/parts/scan", form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "Line 1:")
	if got := textOf(p.all("textarea#codes")[0]); !strings.Contains(got, "U1") {
		t.Errorf("what was scanned is lost: %q", got)
	}
	form.Set("codes", "F1\r\nU1\r\nU2\r\n")
	p = b.post("/parts/scan", form)
	p.is(200)
	p.says(".done", "New entries: 2.")
	p.number(`table tbody a[href^="/parts/entries/"]`, 2)
	entry := attr(p.all(`table tbody a[href^="/parts/entries/"]`)[0], "href")
	p = b.get(entry)
	p.is(200)
	fix := url.Values{"channel": {""}, "batch": {"F2"}, "first": {"U2"}, "last": {"U2"}, "do": {"correct"}}
	b.post(entry, fix).says(".wrong", "what was wrong")
	fix.Set("by", "Ada")
	fix.Set("reason", "other sheet")
	fix.Set("last", "U1")
	b.post(entry, fix).says(".wrong", "does not follow")
	fix.Set("last", "U2")
	p = b.post(entry, fix)
	p.is(200)
	p.says(".done", "withdrawn, and kept")
	b.get(entry).says(".note", "by Ada: other sheet")
	p = b.get("/parts?all=yes")
	if !strings.Contains(textOf(p.root), ": other sheet") {
		t.Errorf("%s", textOf(p.root))
	}
	b.get("/parts/entries/none").is(http.StatusNotFound)
	rows, err := db.Site("main").Parts(t.Context(), "p1")
	if err != nil || len(rows) != 3 {
		t.Errorf("%d entries, %v", len(rows), err)
	}
}
