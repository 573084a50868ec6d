package browsertest

import (
	"archive/zip"
	"bytes"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/line"

	"github.com/chromedp/chromedp"
)

// send fills fields of a form by their ids and sends it.
func (b *tab) send(what string, fields map[string]string, last string) {
	b.t.Helper()
	var all []chromedp.Action[chromedp.Void]
	for id, v := range fields {
		all = append(all, chromedp.SetValue("#"+id, v))
	}
	b.do(what, append(all, chromedp.Submit("#"+last))...)
}

const text = `document.querySelector("main").textContent`

// A good lot is closed, decided and signed on its page; its report is the same whenever
// it is asked for, but for the moment it was made at; a later change is seen.
func TestDecideAndSign(t *testing.T) {
	axe := axeScript(t)
	w := weeks(t)
	lot := w.story.Lots[1].Code
	page := "/lots/" + lot
	b := open(t, w.URL, widths[0])
	b.visit(page, "#close-by")
	b.send("close", map[string]string{"close-by": "Ilse"}, "close-by")
	b.until(`document.querySelector("#decide-by")`, 10*time.Second)
	b.do("choose", chromedp.Click("#outcome-accept"))
	b.send("decide", map[string]string{"decide-reason": "heard six of them", "decide-by": "Ilse"}, "decide-by")
	b.until(`document.querySelector("#signature.done")`, 10*time.Second)
	b.shoot("lot-decided")

	first := w.download(t, page)
	time.Sleep(1100 * time.Millisecond) // another second of making
	again := w.download(t, page)
	var differ []string
	for name, data := range first {
		if !bytes.Equal(data, again[name]) {
			differ = append(differ, name)
		}
	}
	slices.Sort(differ)
	if len(first) < 20 || len(first) != len(again) || !slices.Equal(differ, []string{"docProps/core.xml", "xl/worksheets/sheet13.xml"}) {
		t.Errorf("of %d parts differ %v: only the moment of making may, in the properties and on the Method sheet", len(first), differ)
	}
	if !strings.Contains(string(first["xl/sharedStrings.xml"])+string(first["xl/worksheets/sheet1.xml"]), "heard six of them") {
		t.Error("the report does not carry the decision")
	}

	serial := w.story.Lots[1].Serials[0]
	for _, s := range []sight{{"certificates", page + "/certificates", ".certificate svg", ""}, {"certificate", "/units/" + serial + "/certificate", ".certificate svg", ""}} {
		look(t, w, s, axe)
	}
	if _, err := w.line.AddParts(t.Context(), tester, w.story.Product.Code, []line.PartUse{{Kind: "label", Batch: "L-9", First: serial, Last: serial}}); err != nil {
		t.Fatal(err)
	}
	b.until(`document.querySelector("#signature.wrong")?.textContent.includes("does not match any more")`, 10*time.Second) // by itself
	b.shoot("lot-changed")
	b.quiet()
	for _, s := range []sight{{"lot-signed", page, "#signature", ""}, {"journal", "/journal?lot=" + lot, "#chain.done", ""}} {
		look(t, w, s, axe)
	}
}

// The whole way of who comes first: the link of the console, a password, and then a lot
// is closed, decided and signed by that account, and its report, fetched twice in the
// session, is the same but for the moment of making.
func TestFirstAdministratorDecides(t *testing.T) {
	w := weeks(t)
	b := open(t, w.URL, widths[0])
	link, err := w.line.FirstLink(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	page := "/lots/" + w.story.Lots[1].Code
	b.visit("/welcome/"+link, "#password")
	b.fill("button.main", "#name", "Savka", "#password", "seven teal otters knit", "#again", "seven teal otters knit")
	b.until(heading+` === "Savka"`, 10*time.Second)
	b.visit(page, "#close-reason")
	if js[bool](b, `Boolean(document.querySelector("#close-by"))`) {
		t.Error("who is signed in is asked for a name")
	}
	b.send("close", nil, "close-reason")
	b.until(`document.querySelector("#decide-reason")`, 10*time.Second)
	b.do("choose", chromedp.Click("#outcome-accept"))
	b.send("decide", map[string]string{"decide-reason": "heard six of them"}, "decide-reason")
	b.until(`document.querySelector("#signature.done")?.textContent.includes("Savka")`, 10*time.Second)
	fetch := func() map[string][]byte {
		data, err := base64.StdEncoding.DecodeString(js[string](b, fmt.Sprintf(`fetch(%q).then(r => r.arrayBuffer()).then(b => {
			let s = ""; for (const v of new Uint8Array(b)) s += String.fromCharCode(v); return btoa(s) })`, "/api/v1"+page+"/report.xlsx")))
		if err != nil {
			t.Fatal(err)
		}
		return unzipped(t, data)
	}
	first := fetch()
	time.Sleep(1100 * time.Millisecond) // another second of making
	again := fetch()
	for name, data := range first {
		moment := name == "docProps/core.xml" || name == "xl/worksheets/sheet13.xml" // Method
		if !moment && !bytes.Equal(data, again[name]) {
			t.Errorf("%s differs", name)
		}
	}
	if all := string(first["xl/sharedStrings.xml"]) + string(first["xl/worksheets/sheet1.xml"]); len(first) < 20 || !strings.Contains(all, "Savka") {
		t.Errorf("of %d parts none names who signed", len(first))
	}
	if res, err := http.Get(w.URL + "/api/v1" + page + "/report.xlsx"); err != nil || res.StatusCode != http.StatusUnauthorized {
		t.Errorf("who is not signed in gets the report: %v %v", res, err)
	}
	b.quiet()
}

// download returns the parts of a lot's report.
func (w *workshop) download(t *testing.T, page string) map[string][]byte {
	t.Helper()
	res, err := http.Get(w.URL + "/api/v1" + page + "/report.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%d %v", res.StatusCode, err)
	}
	return unzipped(t, data)
}

// unzipped returns the parts of a spreadsheet.
func unzipped(t *testing.T, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if out[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
		r.Close()
	}
	return out
}

// The sample of a lot is drawn, one of the units drawn is measured and judged wrongly,
// and a second person agrees that the verdict is set aside.
func TestDrawAndOverride(t *testing.T) {
	axe := axeScript(t)
	w := empty(t)
	p := product(weeksStory(t).Product)
	p.Code, p.Seatings, p.SecondPerson = "sampled", 1, true
	p.Sampling = &line.SamplingWish{Good: 0.02, ProducerRisk: 0.05, Bad: 0.25, ConsumerRisk: 0.1}
	if _, err := w.line.AddProduct(t.Context(), tester, p); err != nil {
		t.Fatal(err)
	}
	var serials []string
	for i := range 40 {
		serials = append(serials, fmt.Sprintf("S%02d", i+1))
	}
	b := open(t, w.URL, widths[0])
	b.visit("/lots", "#sample-lot")
	b.send("draw", map[string]string{"sample-lot": "week 1", "sample-units": strings.Join(serials, "\n"), "sample-by": "Ilse"}, "sample-lot")
	b.until(`document.querySelectorAll("ol.pulled li").length > 4`, 10*time.Second)
	b.shoot("lot-drawn")
	unit := js[string](b, `document.querySelector("ol.pulled a").textContent`)
	if !js[bool](b, text+`.includes("by the program, seed")`) {
		t.Error("the seed is not shown")
	}

	b.visit("/add?product=sampled", "#curve")
	b.do("name the lot", chromedp.SetValue("#lot", "week 1"))
	b.drop(map[string]string{unit + "_left_1.txt": curveText(0.1), unit + "_right_1.txt": curveText(9)})
	b.until(`document.querySelector('button[value="store"]')`, 10*time.Second)
	b.do("store", chromedp.Click(`button[value="store"]`))
	b.until(heading+`?.includes("2 takes stored")`, 10*time.Second)

	at := "/units/" + url.PathEscape(unit)
	b.visit(at, "#override summary")
	b.do("open the form", chromedp.Click("#override summary"), chromedp.SetValue("#override-verdict", "pass"))
	b.send("ask", map[string]string{"override-reason": "a cable lay under the pad", "override-by": "Ilse"}, "override-by")
	b.until(`document.querySelector("#pending")`, 10*time.Second)
	b.shoot("unit-pending")
	look(t, w, sight{"unit-asked", at, "#pending", ""}, axe)
	b.send("agree oneself", map[string]string{"confirm-reason": "I saw it", "confirm-by": "Ilse"}, "confirm-by")
	b.until(`document.querySelector("#override .wrong")?.textContent.includes("Another person has to agree.")`, 10*time.Second)
	b.mu.Lock()
	b.faults = nil // the browser itself reports the status
	b.mu.Unlock()
	b.send("agree", map[string]string{"confirm-reason": "I saw it", "confirm-by": "Bram"}, "confirm-by")
	b.until(`document.querySelector("#set-aside") && document.querySelector("h1").textContent.includes("pass")`, 10*time.Second)
	b.shoot("unit-set-aside")
	b.quiet()
	for _, s := range []sight{
		{"lot-sampled", "/lots/week%201", "ol.pulled", ""}, {"lots-sample", "/lots", "#sample-lot", ""}, {"unit-overridden", at, "#set-aside", ""},
		{"journal-who", "/journal?who=bram", "tbody tr", ""},
	} {
		look(t, w, s, axe)
	}
}
