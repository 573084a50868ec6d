package browsertest

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// A sight is a page and what must be seen on it before it is looked at.
type sight struct {
	name, path string
	ready      string // selector
	when       string // expression that is true when the page's script has done its work; may be empty
}

const painted = `performance.getEntriesByName("drift-painted").length`

// sights are the pages of a workshop at work.
func sights(w *workshop) []sight {
	code, lots := url.PathEscape(w.story.Product.Code), w.story.Lots
	product, last := "/products/"+code, lots[3].Serials
	stream := `performance.getEntriesByName("stream-painted").length`
	return []sight{
		{"line", "/", "main h1", ""},
		{"drift", "/drift", "#drift-map", painted},
		{"drift-table", "/drift?product=" + code + "&view=table&rows=balance", "main table", ""},
		{"stream", "/streams/" + code + "/deviation/left/50", "#stream-frame canvas", stream},
		{"stream-roughness", "/streams/" + code + "/roughness%2Fleft", "#stream-frame canvas", stream},
		{"units", "/units", "main table", ""},
		{"unit", "/units/" + last[len(last)-1], "main svg", ""},
		{"lots", "/lots", "main table", ""},
		{"weeks", "/weeks", "main svg", ""},
		{"lot", "/lots/" + lots[3].Code, "main h1", ""},
		{"compare", "/compare?first=" + lots[2].Code + "&second=" + lots[3].Code, "main table", ""},
		{"try", "/try", "main form", ""},
		{"add", "/add", "main form", ""},
		{"refused", "/refused", "main h1", ""},
		{"products", "/products", "main h1", ""},
		{"product", product, "main h1", ""},
		{"envelope", product + "/envelope", "#look svg", ""},
		{"limits", product + "/limits?lot=" + lots[0].Code, "main form", ""},
		{"plan", product + "/plan", "main form", ""},
		{"faults", product + "/faults", "main figure svg", ""},
		{"fault-study", product + "/faults/studies/FS-1", "main svg", ""},
		{"fault-study-planned", product + "/faults/studies/FS-2", "main table", ""},
		{"findings", "/findings", "main h1", ""},
		{"finding", "/findings/1", "main svg", ""},
		{"start", "/start", "main h1", ""},
		{"start-product", "/start/product", "main form", ""},
		{"not-here", "/nowhere", "main h1", ""},
	}
}

// emptySights are the pages of a workshop that has nothing yet.
var emptySights = []sight{
	{"empty-line", "/", "main h1", ""},
	{"empty-drift", "/drift", "main h1", ""},
	{"empty-units", "/units", "main h1", ""},
	{"empty-lots", "/lots", "main h1", ""},
	{"empty-weeks", "/weeks", "main h1", ""},
	{"empty-products", "/products", "main h1", ""},
	{"empty-findings", "/findings", "main h1", ""},
	{"empty-add", "/add", "main h1", ""},
	{"empty-try", "/try", "main h1", ""},
	{"empty-start", "/start", "main form", ""},
}

// Every page at the width of a desk and of a phone: nothing to scroll sideways, nothing
// in the console, no serious fault that axe-core knows of, and everything that can be
// used is reached by the Tab key alone.
func TestWorkshopAtWork(t *testing.T) {
	axe := axeScript(t)
	w := weeks(t)
	for _, s := range sights(w) {
		look(t, w, s, axe)
	}
	t.Run("click on the map", func(t *testing.T) { clickOnTheMap(t, w) })
	t.Run("map by fingers", func(t *testing.T) { fingersOnTheMap(t, w) })
	t.Run("map by keys", func(t *testing.T) { mapByKeys(t, w) })
	t.Run("chart by keys", func(t *testing.T) { chartByKeys(t, w) })
}

func TestEveryPageOfAnEmptyWorkshop(t *testing.T) {
	axe := axeScript(t)
	w := empty(t)
	for _, s := range emptySights {
		look(t, w, s, axe)
	}
}

func look(t *testing.T, w *workshop, s sight, axe string) {
	for _, size := range widths {
		t.Run(s.name+" "+size.name, func(t *testing.T) {
			b := open(t, w.URL, size)
			b.visit(s.path, s.ready)
			if s.when != "" {
				b.until(s.when, 20*time.Second)
			}
			b.shoot(s.name)
			if over := js[string](b, sideways); over != "" {
				t.Errorf("the page scrolls sideways: %s", over)
			}
			if s.name == "not-here" { // the browser itself reports the status
				b.mu.Lock()
				b.faults = nil
				b.mu.Unlock()
			}
			b.accessible(axe)
			if !size.phone {
				b.tabThrough()
			}
			b.quiet()
		})
	}
}

// sideways names what is wider than the window, nothing when all fits.
const sideways = `(() => {
	const wide = document.documentElement.clientWidth;
	if (document.documentElement.scrollWidth <= wide) return "";
	const over = [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > wide + 1);
	return document.documentElement.scrollWidth + " of " + wide + " px: " + over.slice(0, 3).map(e => e.outerHTML.slice(0, 90)).join(" | ");
})()`

// A violation is a rule of axe-core that a page breaks.
type violation struct {
	ID, Impact, Help string
	Nodes            []string
}

// accessible runs axe-core in the page. It is put in by the debugger, which the page's
// content-security policy does not bind.
func (b *tab) accessible(axe string) {
	b.t.Helper()
	b.do("load axe-core", chromedp.Evaluate[chromedp.Void](axe))
	all := js[[]violation](b, `axe.run(document, { resultTypes: ["violations"] }).then(r => r.violations.map(v => (
		{ ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.map(n => n.html.slice(0, 160) + " " + (n.any[0]?.message || "")) })))`)
	for _, v := range all {
		if v.Impact == "serious" || v.Impact == "critical" {
			b.t.Errorf("%s (%s): %s at %s", v.ID, v.Impact, v.Help, strings.Join(v.Nodes, "\n\t"))
		} else {
			b.t.Logf("%s (%s): %s at %s", v.ID, v.Impact, v.Help, strings.Join(v.Nodes, "\n\t"))
		}
	}
}

// The checks above can fail: a page made to be bad fails each of them.
func TestChecksBite(t *testing.T) {
	w := empty(t)
	b := open(t, w.URL, widths[1])
	b.visit("/", "main")
	b.do("spoil the page", chromedp.Evaluate[chromedp.Void](`{
		document.body.insertAdjacentHTML("beforeend", "<div id='wide'>wide</div><img src='/static/none.png'>");
		document.getElementById("wide").style.width = "9000px";
		console.error("planted");
	}`))
	if js[string](b, sideways) == "" {
		t.Error("a page of 9000 px is not seen to scroll sideways")
	}
	axe := axeScript(t)
	b.do("load axe-core", chromedp.Evaluate[chromedp.Void](axe))
	if n := js[int](b, `axe.run(document).then(r => r.violations.filter(v => v.id === "image-alt" && v.impact === "critical").length)`); n != 1 {
		t.Errorf("a picture without words is found %d times", n)
	}
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if all := fmt.Sprint(b.heard()); strings.Contains(all, "planted") && strings.Contains(all, "none.png") {
			return
		} else if time.Now().After(end) {
			t.Fatalf("the console is not heard: %s", all)
		}
	}
}
