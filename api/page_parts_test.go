package api_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"alike/internal/line"
	"alike/reports"
	"alike/spc/envelope"
)

// A batch is entered with its certificate and corrected; what was typed wrongly comes
// back with the reason.
func TestBatchPages(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	b.get("/parts").says("h1", "of which product?")
	addProduct(t, l)
	p := b.get("/parts/batch")
	p.is(200)
	p.says("h1", "Enter a batch")
	form := url.Values{"product": {"p1"}, "kind": {"Foam"}, "batch": {"F/9"}, "supplier": {"Lathmoor"}, "received": {"2026-09-14"}, "pieces": {"40"},
		"quantity": {"density", "", "thickness"}, "value": {"28,5", "", "-"}, "unit": {"kg/m³", "", "mm"}, "by": {"Ada"}}
	for _, bad := range []struct{ name, value, want string }{
		{"kind", "", "Say what the batch is of."}, {"batch", " ", "Give the code of the batch"}, {"received", "14.9.2026", "14.9.2026 is not a date"},
		{"pieces", "many", "Many is not a count"}, {"by", "", "Give your name"},
	} {
		was := form[bad.name]
		form.Set("value", "28,5")
		form["value"] = []string{"28,5", "", "3"}
		form.Set(bad.name, bad.value)
		p = b.post("/parts/batch", form)
		p.is(http.StatusUnprocessableEntity)
		p.says(".wrong", bad.want)
		if got := attr(p.all("#v0")[0], "value"); got != "28,5" {
			t.Errorf("%s: what was typed is lost: %q", bad.name, got)
		}
		form[bad.name] = was
	}
	for _, bad := range []struct {
		row  [3]string
		want string
	}{{[3]string{"thickness", "-", "mm"}, `Row 2 of the certificate: "-" is not a number`}, {[3]string{"", "3", "mm"}, "Row 2 of the certificate: says not what"},
		{[3]string{"thickness", "3", ""}, "thickness has no unit"}, {[3]string{"density", "3", "kg/m³"}, "density stands there twice"}} {
		form["quantity"], form["value"], form["unit"] = []string{"density", "", bad.row[0]}, []string{"28,5", "", bad.row[1]}, []string{"kg/m³", "", bad.row[2]}
		p = b.post("/parts/batch", form)
		p.is(http.StatusUnprocessableEntity)
		p.says(".wrong", bad.want)
	}
	form["quantity"], form["value"], form["unit"] = []string{"density"}, []string{"28,5"}, []string{"kg/m³"}
	p = b.post("/parts/batch", form)
	p.is(200)
	p.says(".done", "The batch is entered.")
	b.post("/parts/batch", form).says(".done", "Nothing changed")
	form.Set("value", "29")
	p = b.post("/parts/batch", form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "say what was wrong with them")
	form.Set("reason", "misread")
	p = b.post("/parts/batch", form)
	p.is(200)
	p.says(".done", "is corrected")
	p.number("table tbody tr", 2)
	p.says("table", "density 28.5 kg/m³")
	p.says("table", "misread")
	rows, err := db.Site("main").BatchHistory(t.Context(), "foam", "F/9")
	if err != nil || len(rows) != 2 || *rows[0].Pieces != 40 || rows[1].Author != "Ada" {
		t.Errorf("%+v, %v", rows, err)
	}
	b.get("/parts/batch?kind=foam&batch=none").is(http.StatusNotFound)
	p = b.get("/parts?product=p1")
	t.Log(attr(p.all("td[data-name=batch] a")[0], "href"))
	b.get(attr(p.all("td[data-name=batch] a")[0], "href")).says("h1", "Foam F/9")
}

// A range of units gets a batch by hand.
func TestPartEntryForm(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, "")
	addProduct(t, l)
	form := url.Values{"product": {"p1"}, "kind": {"foam"}, "batch": {"F1"}, "first": {"U3"}, "last": {"U1"}, "by": {""}}
	p := b.post("/parts/entries", form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "Give your name")
	form.Set("by", "Ada")
	p = b.post("/parts/entries", form)
	p.is(http.StatusUnprocessableEntity)
	p.says(".wrong", "does not follow")
	if got := attr(p.all("#first")[0], "value"); got != "U3" {
		t.Errorf("what was typed is lost: %q", got)
	}
	form.Set("last", "")
	b.post("/parts/entries", form).says(".done", "New entries: 1.")
	form.Set("lot", "none")
	form.Del("first")
	b.post("/parts/entries", form).says(".wrong", "has no units")
	rows, err := db.Site("main").Parts(t.Context(), "p1")
	if err != nil || len(rows) != 1 || rows[0].FirstSerial != "U3" || rows[0].LastSerial != "U3" || rows[0].EnteredBy != "Ada" {
		t.Errorf("%+v, %v", rows, err)
	}
}

// Pairs are chosen exactly: weights, fixed pairs, bad ones, left with right; and a
// purchase is foreseen.
func TestPairChoice(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, "")
	addProduct(t, l)
	tester := line.By{Actor: "tester"}
	_, err := l.AddProduct(t.Context(), tester, line.Product{
		Code: "d1", Name: "Driver", Stage: line.StageDriver, Of: "p1", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.15, ConsumerRisk: 0.10, PairTolerance: 0.6},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 9))
	for i := range 12 {
		for _, batch := range []string{"LL", "RR"} {
			b.take(driverTake(rng, fmt.Sprintf("%s-%02d", batch, i+1), batch, 0))
		}
	}
	p := b.get("/drivers/pair?form=open&product=d1")
	p.is(200)
	p.number("form input[name=left]", 2)
	ask := url.Values{"product": {"d1"}, "weights": {"300 to 3000: 2\r\n\r\n3500-8000=0,5\r\n"}, "fixed": {"LL-03 RR-05\r\n"}, "excluded": {"LL-01;LL-02"}, "unchecked": {"yes"}, "bad": {"yes"}}
	p = b.get("/drivers/pair?" + ask.Encode())
	p.is(200)
	p.says("h1", "Pairs, not kept")
	p.says("table.stack", "fixed")
	p.says("svg title", "Pairs against tolerance")
	for name, want := range map[string]string{"weights": "300 to 3000", "fixed": "LL-03 RR-05"} {
		got := p.all(`form[method=post] input[name=` + name + `]`)
		if len(got) != 1 || !strings.Contains(attr(got[0], "value"), want) {
			t.Errorf("%s is not handed on", name)
		}
	}
	keep := url.Values{"by": {"Ada"}}
	for k, v := range ask {
		keep[k] = v
	}
	p = b.post("/drivers/pairings", keep)
	p.is(200)
	p.says("h1", "Pairing 1")
	list, err := l.PickList(t.Context(), "d1", 1)
	if err != nil || len(list.Pairs) < 8 || !slices.ContainsFunc(list.Pairs, func(x reports.PickPair) bool { return x.Fixed && x.Left == "LL-03" && x.Right == "RR-05" }) {
		t.Errorf("%+v, %v", list.Pairs, err)
	}
	p = b.get("/drivers/pairings/1/labels?product=d1")
	p.is(200)
	p.number(".labels li", 2*len(list.Pairs))
	b.post("/drivers/pairings/1/withdraw", url.Values{"product": {"d1"}, "by": {"Ada"}, "reason": {"trial"}}).is(200)
	p = b.get("/drivers/pair?" + url.Values{"product": {"d1"}, "left": {"LL"}, "right": {"RR"}}.Encode())
	p.is(200)
	for _, tr := range p.all("table.stack tbody tr") {
		if text := textOf(tr); !strings.Contains(text, "LL-") || !strings.Contains(text, "RR-") {
			t.Errorf("left and right are mixed: %s", text)
		}
	}
	for _, bad := range []struct{ name, value, want string }{
		{"weights", "300 to 3000", "Line 1 of the weights"}, {"fixed", "LL-01\nLL-02 LL-03", "Line 1 of the fixed pairs"}, {"tolerance", "0", "0 is not a tolerance"},
		{"fixed", "LL-01 ZZ", `There is no driver "ZZ"`}, {"left", "LL", "one side is not named"}, {"weights", "3000 300 2", "weight"},
	} {
		p = b.get("/drivers/pair?" + url.Values{"product": {"d1"}, bad.name: {bad.value}}.Encode())
		p.is(http.StatusUnprocessableEntity)
		p.says(".wrong", bad.want)
	}
	p = b.get("/drivers/buy?product=d1")
	p.is(200)
	p.number(".lead", 0)
	p = b.get("/drivers/buy?" + url.Values{"product": {"d1"}, "pairs": {"10"}, "confidence": {"90 %"}}.Encode())
	p.is(200)
	p.says(".lead", "for 10 pairs with a confidence of 90 %")
	for name, value := range map[string]string{"pairs": "some", "confidence": "100", "tolerance": "x"} {
		q := url.Values{"product": {"d1"}, "pairs": {"10"}}
		q.Set(name, value)
		p = b.get("/drivers/buy?" + q.Encode())
		p.is(http.StatusUnprocessableEntity)
		p.says(".wrong", strings.ToUpper(value[:1])+value[1:]+" is not a")
	}
}
