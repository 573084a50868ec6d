package browsertest

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/envelope"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/xuri/excelize/v2"
)

// driverProduct is that of the simulated drivers.
func driverProduct(of string) line.Product {
	low, high := 98.0, 145.0
	p := line.Product{
		Code: sim.DriverCode, Name: "TB40 driver, bare on the jig", Stage: line.StageDriver, Of: of, Channels: []string{"mono"}, Fraction: 3,
		Bands: line.Span{From: 31.5, To: 16000}, Anchor: line.Span{From: 500, To: 2000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Metrics:  []line.Metric{{Key: "resonance", Name: "resonance frequency", Unit: "Hz", Lower: &low, Upper: &high, Margin: 4}},
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.10, ConsumerRisk: 0.10, PairTolerance: 0.6},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 50, To: 10000, Minus: 3.5, Plus: 3.5}}},
	}
	t := sim.BareTarget()
	for i, f := range t.Hz {
		p.Target.Points = append(p.Target.Points, line.Point{f, t.DB[i]})
	}
	return p
}

// withDrivers returns a workshop with three batches of two suppliers on the jig; the
// drivers of the first batch are paired and built in, and their units measured.
func withDrivers(t *testing.T) *workshop {
	t.Helper()
	w := empty(t)
	story, err := sim.New(sim.Options{Seed: 1, Units: 12})
	if err != nil {
		t.Fatal(err)
	}
	w.story = story
	ctx := t.Context()
	code := story.Product.Code
	for _, p := range []line.Product{product(story.Product), driverProduct(code)} {
		if _, err := w.line.AddProduct(ctx, tester, p); err != nil {
			t.Fatal(err)
		}
	}
	for _, lot := range []int{4, 5} {
		for _, v := range line.Visits(slices.Collect(story.LotTakes(lot))) {
			if _, err := w.line.Intake(ctx, tester, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	var parts []line.PartUse
	pairs := map[string][2]string{}
	for _, b := range story.Incoming(24) {
		batch := line.Batch{Kind: "driver", Code: b.Code, Supplier: b.Supplier, Received: &b.Received, Pieces: b.Pieces}
		for _, v := range b.Certificate {
			batch.Certificate = append(batch.Certificate, line.BatchValue{Name: v.Name, Value: v.Value, Unit: v.Unit})
		}
		if _, err := w.line.AddBatches(ctx, tester, code, []line.Batch{batch}); err != nil {
			t.Fatal(err)
		}
		for _, d := range b.Drivers {
			take := curve.Take{Identity: curve.Identity{Product: sim.DriverCode, Lot: b.Code, Serial: d.Serial, Channel: "mono", Seating: 1, MeasuredAt: d.At}, Curve: d.Curve}
			if _, err := w.line.Intake(ctx, tester, []curve.Take{take}); err != nil {
				t.Fatal(err)
			}
			if _, err := w.line.AddValues(ctx, tester, sim.DriverCode, line.ValueSet{Serial: d.Serial, Values: map[string]float64{"resonance": d.Resonance}}); err != nil {
				t.Fatal(err)
			}
			if d.Unit == "" {
				continue
			}
			parts = append(parts, line.PartUse{Kind: "driver", Channel: d.Channel, Piece: d.Serial, First: d.Unit, Last: d.Unit})
			x := pairs[d.Unit]
			x[slices.Index(sim.Channels, d.Channel)] = d.Serial
			pairs[d.Unit] = x
		}
	}
	r := line.PairRequest{Product: sim.DriverCode, Batches: []string{"NV-2440"}}
	for _, p := range pairs {
		if p[0] != "" && p[1] != "" {
			r.Fixed = append(r.Fixed, p)
		}
	}
	if _, err := w.line.KeepPairs(ctx, tester, r); err != nil {
		t.Fatal(err)
	}
	if _, err := w.line.AddParts(ctx, tester, code, parts); err != nil {
		t.Fatal(err)
	}
	return w
}

// driverSights are the pages about drivers and parts.
func driverSights(code string) []sight {
	d := "product=" + sim.DriverCode
	return []sight{
		{"drivers", "/drivers", "main table", ""},
		{"drivers-batch", "/drivers/batches/OS-121?" + d, "main table", ""},
		{"drivers-compare", "/drivers/compare?" + d + "&batch=NV-2447&batch=OS-121", "main svg", ""},
		{"drivers-suppliers", "/drivers/compare?" + d + "&supplier=Norvane&supplier=Ostrel", "main svg", ""},
		{"drivers-one", "/drivers/compare?" + d + "&batch=OS-121", "main table", ""},
		{"drivers-pair", "/drivers/pair?" + d + "&tolerance=0.5", "main svg", ""},
		{"drivers-choose", "/drivers/pair?" + d + "&form=open", "main form", ""},
		{"drivers-buy", "/drivers/buy?" + d + "&pairs=30&batch=OS-121", ".lead", ""},
		{"drivers-pairing", "/drivers/pairings/1?" + d, "main table", ""},
		{"drivers-labels", "/drivers/pairings/1/labels?" + d, "main ol", ""},
		{"parts", "/parts", "main table", ""},
		{"parts-batch", "/parts/batch?kind=driver&batch=OS-121&product=" + code, "main table", ""},
		{"parts-new", "/parts/batch?product=" + code, "main form", ""},
	}
}

func TestDriverPages(t *testing.T) {
	axe := axeScript(t)
	w := withDrivers(t)
	for _, s := range driverSights(w.story.Product.Code) {
		look(t, w, s, axe)
	}
	for _, size := range widths {
		t.Run("from suppliers to a pick list "+size.name, func(t *testing.T) { pickList(t, w, size) })
	}
	t.Run("a batch and its correction", func(t *testing.T) { batchByHand(t, w) })
}

// downloads makes the tab save what it downloads, and returns the folder.
func (b *tab) downloads() string {
	b.t.Helper()
	dir := b.t.TempDir()
	b.do("allow downloads", func(ctx context.Context, to *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, to, cdpbrowser.SetDownloadBehavior, cdpbrowser.SetDownloadBehaviorParams{
			Behavior: cdpbrowser.SetDownloadBehaviorBehaviorAllow, DownloadPath: dir, BrowserContextID: chromedp.FromContext(b).BrowserContextID})
		return chromedp.Void{}, err
	})
	return dir
}

// await waits for a download with a name and opens it.
func (b *tab) await(dir, name string) *excelize.File {
	b.t.Helper()
	path := filepath.Join(dir, name)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if f, err := excelize.OpenFile(path); err == nil {
			b.t.Cleanup(func() { f.Close() })
			return f
		} else if time.Now().After(end) {
			all, _ := os.ReadDir(dir)
			b.t.Fatalf("%s was not downloaded: %v; there is %v", name, err, all)
		}
	}
}

// A person at the keyboard compares two suppliers, makes pairs, keeps them, downloads
// the pick list, and gives the pairing up.
func pickList(t *testing.T, w *workshop, size width) {
	b := open(t, w.URL, size)
	dir := b.downloads()
	b.visit("/drivers", "main form")
	b.tick("cb", "NV-2447", "OS-121")
	b.press("Compare the batches")
	b.until(heading+`?.startsWith("Drivers of NV-2447, OS-121")`, 20*time.Second)
	text := js[string](b, `document.querySelector("main").textContent`)
	for _, part := range []string{"Over all bands together the batches differ", "within the margin of 0.5 dB", "Variance between and within batches"} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in %.900q", part, text)
		}
	}
	b.do("download the comparison", chromedp.Click("a[download]"))
	if rows, err := b.await(dir, "drivers.xlsx").GetRows("Answer"); err != nil || !strings.Contains(fmt.Sprint(rows), "the batches differ") {
		t.Errorf("the comparison holds %.300v (%v)", rows, err)
	}

	b.visit("/drivers", "main form")
	b.tick("pb", "NV-2447", "OS-121")
	b.press("Find the pairs")
	b.until(heading+`?.startsWith("Pairs, not kept")`, 20*time.Second)
	shown := js[int](b, `document.querySelectorAll("main table.stack tbody tr").length`)
	b.do("name", chromedp.Focus(`form[method=post] input[name=by]`), chromedp.KeyEvent("Savka"), chromedp.KeyEvent(kb.Enter))
	b.until(heading+`?.startsWith("Pairing ")`, 20*time.Second)
	b.shoot("way-pairing")
	kept, err := w.line.PickList(t.Context(), sim.DriverCode, 0)
	if err != nil || kept.Author != "Savka" || len(kept.Pairs) != shown || shown < 15 {
		t.Fatalf("%d pairs are kept by %s, %d were shown (%v)", len(kept.Pairs), kept.Author, shown, err)
	}
	b.do("download the pick list", chromedp.Click("a[download]"))
	f := b.await(dir, fmt.Sprintf("pairing-%d.xlsx", kept.Number))
	rows, err := f.GetRows("Pairs")
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, r := range rows {
		if len(r) > 3 && r[0] == "☐" {
			got[r[2]] = r[3]
		}
	}
	for _, p := range kept.Pairs {
		if got[p.Left] != p.Right {
			t.Errorf("the sheet pairs %s with %q, not with %s", p.Left, got[p.Left], p.Right)
		}
	}
	if labels, err := f.GetRows("Labels"); err != nil || !strings.Contains(fmt.Sprint(labels), kept.Pairs[0].Left) {
		t.Errorf("no labels in %.300v (%v)", labels, err)
	}
	b.do("labels", chromedp.Click(`main a[href*="/labels"]`))
	b.until(fmt.Sprintf(`document.querySelectorAll(".labels li").length === %d`, 2*shown), 10*time.Second)
	b.visit(fmt.Sprintf("/drivers/pairings/%d?%s", kept.Number, url.Values{"product": {sim.DriverCode}}.Encode()), "main table")
	b.do("give it up", chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true)`),
		chromedp.SetValue("#reason", "trial"), chromedp.SetValue("#by", "Savka"), chromedp.Submit("#reason"))
	b.until(`document.querySelector(".done")?.textContent.includes("withdrawn")`, 10*time.Second)
	b.quiet()
}

// tick ticks the boxes of some batches by the keyboard.
func (b *tab) tick(prefix string, batches ...string) {
	b.t.Helper()
	for _, v := range batches {
		id := js[string](b, fmt.Sprintf(`document.querySelector('input[id^="%s"][value="%s"]').id`, prefix, v))
		b.do("tick "+v, chromedp.Focus("#"+id), chromedp.KeyEvent(" "))
		if !js[bool](b, `document.activeElement.checked`) {
			b.t.Errorf("the space bar did not tick %s", v)
		}
	}
}

// press goes on with the Tab key to a button and presses it.
func (b *tab) press(words string) {
	b.t.Helper()
	for range 40 {
		b.do("press Tab", chromedp.KeyEvent(kb.Tab))
		if js[string](b, `document.activeElement.textContent`) == words {
			b.do("press "+words, chromedp.KeyEvent(kb.Enter))
			return
		}
	}
	b.t.Fatalf("the Tab key does not reach the button %q", words)
}

// A batch is entered with its certificate, and corrected; a range of units gets it.
func batchByHand(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[1])
	code := w.story.Product.Code
	b.visit("/parts/batch?product="+code, "main form")
	b.do("fill in", chromedp.SetValue("#kind", "foam"), chromedp.SetValue("#batch", "FS-11"), chromedp.SetValue("#supplier", "Lathmoor Foam"), chromedp.SetValue("#received", "2026-10-19"),
		chromedp.SetValue("#q0", "density"), chromedp.SetValue("#v0", "28,5"), chromedp.SetValue("#by", "Pelle"), chromedp.Submit("#batch"))
	b.until(`document.querySelector(".wrong")?.textContent.includes("density has no unit")`, 10*time.Second)
	b.shoot("way-batch-wrong")
	b.do("the unit", chromedp.SetValue("#u0", "kg/m³"), chromedp.Submit("#batch"))
	b.until(`document.querySelector(".done")?.textContent.includes("entered")`, 10*time.Second)
	b.do("correct it", chromedp.SetValue("#v0", "29.5"), chromedp.SetValue("#reason", "read from the wrong line"), chromedp.SetValue("#by", "Pelle"), chromedp.Submit("#reason"))
	b.until(`document.querySelector(".done")?.textContent.includes("corrected")`, 10*time.Second)
	b.shoot("way-batch-corrected")
	rows, err := w.db.Site("main").BatchHistory(t.Context(), "foam", "FS-11")
	if err != nil || len(rows) != 2 || rows[1].Reason != "read from the wrong line" {
		t.Errorf("%+v, %v", rows, err)
	}
	units := w.story.Lots[5].Serials
	b.visit("/parts?product="+code, "#range")
	b.do("enter a range", chromedp.SetValue("#kind", "foam"), chromedp.SetValue("#batch", "FS-11"), chromedp.SetValue("#first", units[3]), chromedp.SetValue("#last", units[0]),
		chromedp.SetValue("#entry-by", "Pelle"), chromedp.Submit("#entry-by"))
	b.until(`document.querySelector(".wrong")?.textContent.includes("does not follow")`, 10*time.Second)
	b.do("the right way round", chromedp.SetValue("#first", units[0]), chromedp.SetValue("#last", units[3]), chromedp.Submit("#entry-by"))
	b.until(`document.querySelector(".done")?.textContent.includes("New entries: 1.")`, 10*time.Second)
	b.heardOnly("422")
}

// heardOnly fails the test when the console says anything but what holds a text: a form
// that comes back with its reason has a status that the browser reports.
func (b *tab) heardOnly(text string) {
	b.t.Helper()
	for _, f := range b.heard() {
		if !strings.Contains(f, text) {
			b.t.Errorf("the console says %q", f)
		}
	}
}
