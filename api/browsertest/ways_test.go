package browsertest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/line"

	"github.com/chromedp/chromedp"
)

// curveText is a curve file: a response with a bump of so many dB at 100 Hz. No two units
// have the same curve: the line would refuse it.
func curveText(bump float64) string {
	var s strings.Builder
	s.WriteString("Frequency Hz,SPL dB\n")
	for hz := 15.0; hz < 23000; hz *= 1.03 {
		db := 100.0 + 0.01*float64(s.Len()%7)
		if hz > 70 && hz < 140 {
			db += bump
		}
		fmt.Fprintf(&s, "%.2f,%.3f\n", hz, db)
	}
	return s.String()
}

// drop drops text files on the page, as a person does from a folder.
func (b *tab) drop(files map[string]string) {
	b.t.Helper()
	var add strings.Builder
	for name, text := range files {
		fmt.Fprintf(&add, "bag.items.add(new File([%q], %q, { type: 'text/plain' }));", text, name)
	}
	b.do("drop files", chromedp.Evaluate[chromedp.Void](`{
		const bag = new DataTransfer(), at = document.querySelector("main");`+add.String()+`
		for (const kind of ["dragenter", "dragover", "drop"]) at.dispatchEvent(new DragEvent(kind, { dataTransfer: bag, bubbles: true, cancelable: true }));
	}`))
}

const heading = `document.querySelector("h1")?.textContent`

// From an empty database to a verdict with nothing but the pages: a product, dropped
// files, a look at how they were read, the verdict.
func TestFromNothingToAVerdict(t *testing.T) {
	w := empty(t)
	for _, size := range widths {
		t.Run(size.name, func(t *testing.T) {
			b := open(t, w.URL, size)
			name := "Cup " + size.name
			b.visit("/start", "main h1")
			b.do("say what is built", chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true)`),
				chromedp.SetValue("#name", name), chromedp.SetValue("#target", "flat"), chromedp.SetValue("#seatings", "1"), chromedp.SetValue("#plus", "3"),
				chromedp.SetValue("#by", "Savka"), chromedp.Submit("#name"))
			code := "cup-" + size.name
			b.until(`location.hash === "#takes"`, 10*time.Second)
			b.visit("/add?product="+code, "#curve")
			b.do("name the lot", chromedp.SetValue("#lot", "first "+size.name))
			unit := "U" + size.name
			b.drop(map[string]string{unit + "_left_1.txt": curveText(float64(size.wide) / 5000), unit + "_right_1.txt": curveText(5 + float64(size.wide)/5000)})
			b.until(`document.querySelector('button[value="store"]')`, 10*time.Second)
			b.shoot("way-read")
			if n, err := w.db.Site("main").UnitsOfLot(t.Context(), "first "+size.name); err != nil || len(n) != 0 {
				t.Errorf("stored before anyone said so: %v %v", n, err)
			}
			b.do("store", chromedp.Click(`button[value="store"]`))
			b.until(heading+`?.includes("2 takes stored")`, 10*time.Second)
			b.shoot("way-verdict")
			b.until(`document.querySelector("main .look-fail")`, 5*time.Second)
			if text := js[string](b, `document.querySelector("main").textContent`); !strings.Contains(text, "Hz") || !strings.Contains(text, unit) {
				t.Errorf("the verdict reads %q", text)
			}
			b.do("open the unit", chromedp.Click(`main a[href="/units/`+unit+`"]`))
			b.until(`location.pathname === "/units/`+unit+`"`, 5*time.Second)
			b.quiet()
		})
	}
}

// A unit that goes in by another door stands on the first page within a second.
func TestFirstPageIsLive(t *testing.T) {
	w := weeks(t)
	b := open(t, w.URL, widths[0])
	b.visit("/", "main h1")
	b.until(`document.getElementById("live")?.textContent.startsWith("live")`, 10*time.Second)
	visits := line.Visits(slices.Collect(w.story.LotTakes(4)))
	for i, v := range visits[:3] {
		serial := v[0].Serial
		for k := range v { // measured now, else it is not this week's
			v[k].MeasuredAt = time.Now()
		}
		if _, err := w.line.Intake(t.Context(), tester, v); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		b.until(fmt.Sprintf(`document.querySelector('#now-week a[href="/units/%s"]')`, serial), 5*time.Second)
		if took := time.Since(start); i > 0 && took > time.Second { // the first one may change the week shown
			t.Errorf("%s was seen after %v", serial, took)
		} else {
			t.Logf("%s was seen after %v", serial, took.Round(time.Millisecond))
		}
	}
	b.shoot("line-live")
	b.quiet()
	t.Run("the map too", func(t *testing.T) { mapFollows(t, w) })
}

// The map follows the line.
func mapFollows(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[0])
	b.visit("/drift", "#drift-map")
	b.until(painted, 20*time.Second)
	b.until(`document.getElementById("live")?.textContent.startsWith("live")`, 10*time.Second)
	before := js[int](b, `document.getElementById("drift").drift.data.units`)
	if _, err := w.line.Intake(t.Context(), tester, line.Visits(slices.Collect(w.story.LotTakes(4)))[3]); err != nil {
		t.Fatal(err)
	}
	b.until(fmt.Sprintf(`document.getElementById("drift").drift.data.units === %d`, before+1), 5*time.Second)
	b.quiet()
}

// The envelope is edited with its picture in view and put in force; limits are frozen
// from a lot.
func TestEnvelopeAndFreeze(t *testing.T) {
	w := weeks(t)
	code := w.story.Product.Code
	b := open(t, w.URL, widths[0])
	b.visit("/products/"+code+"/envelope", "#look svg")
	// A line 0.3 dB below the target: many units would fail.
	b.do("type", chromedp.Evaluate[chromedp.Void](`document.getElementById("lower").value = ""`), chromedp.SendKeys("#lower", "50 -0.3\n5000 -0.3"))
	b.until(`/[1-9]\d* fail/.test(document.getElementById("look").textContent)`, 10*time.Second)
	b.shoot("envelope-typed")
	if v, err := w.db.Site("main").Envelope(t.Context(), code, 0); err != nil || v.Version != 1 {
		t.Fatalf("in force before anyone said so: %d %v", v.Version, err)
	}
	b.do("put in force", chromedp.SetValue("#reason", "heard to be better"), chromedp.SetValue("#by", "Savka"), chromedp.Click(`button[value="save"]`))
	b.until(`location.pathname === "/products/`+code+`"`, 10*time.Second)
	v, err := w.db.Site("main").Envelope(t.Context(), code, 0)
	if err != nil || v.Version != 2 || v.Reason != "heard to be better" || v.Author != "Savka" {
		t.Errorf("version %d by %s: %s (%v)", v.Version, v.Author, v.Reason, err)
	}

	b.visit("/products/"+code+"/limits?lot="+w.story.Lots[1].Code, "#reason")
	b.do("freeze", chromedp.SetValue("#reason", "second week"), chromedp.SetValue("#by", "Savka"), chromedp.Submit("#reason"))
	b.until(heading+`?.includes("Limit set 2 is in force")`, time.Minute)
	b.shoot("limits-frozen")
	set, err := w.db.Site("main").LimitSet(t.Context(), code, 0)
	if err != nil || set.Version != 2 || set.Author != "Savka" {
		t.Errorf("%d %s (%v)", set.Version, set.Author, err)
	}
	b.visit("/drift", "#drift-map")
	b.until(painted, 20*time.Second)
	b.until(`document.getElementById("drift-sections").children.length === 3`, 5*time.Second)
	b.shoot("drift-two-sets")
	b.quiet()
}
