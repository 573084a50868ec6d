package browsertest

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// usable lists what a person can use on a page and sees, each marked with a number. Of
// radio buttons of one name the Tab key reaches one.
const usable = `(() => {
	const seen = new Set();
	window.usable = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]")].filter(e => {
		if (e.tabIndex < 0 || e.disabled || e.type === "hidden" || !e.checkVisibility({ visibilityProperty: true })) return false;
		if (e.type === "radio" && seen.has(e.name)) return false;
		if (e.type === "radio") seen.add(e.name);
		return true;
	});
	window.reached = new Set(); window.unmarked = [];
	const bare = e => { const style = getComputedStyle(e); return style.outlineStyle === "none" && style.boxShadow === "none"; };
	document.addEventListener("focusin", e => {
		window.reached.add(e.target);
		if (!bare(e.target)) return;
		// What a person sees is what is painted next, if the focus is still there.
		requestAnimationFrame(() => { if (document.activeElement === e.target && bare(e.target)) window.unmarked.push(e.target.outerHTML.slice(0, 90)); });
	});
	document.activeElement?.blur();
	return window.usable.length;
})()`

// tabThrough presses the Tab key until everything was reached, or as often as there are
// things to reach and a few times more. What has the focus must show it.
func (b *tab) tabThrough() {
	b.t.Helper()
	n := js[int](b, usable)
	if n < 3 {
		b.t.Errorf("only %d things can be used", n)
	}
	// A date has a place for each of its parts and for its calendar, and the key stops at all.
	parts := js[int](b, `3 * document.querySelectorAll("input[type=date]").length + 7 * document.querySelectorAll("input[type=datetime-local]").length`)
	for i := 0; i < min(n, 300)+parts+5; i++ {
		b.do("press Tab", chromedp.KeyEvent(kb.Tab))
	}
	missed := js[[]string](b, `window.usable.slice(0, 300).filter(e => !window.reached.has(e) && e.checkVisibility()).map(e => e.outerHTML.slice(0, 90))`)
	if len(missed) > 0 {
		b.t.Errorf("%d of %d things are not reached by the Tab key: %.5q", len(missed), n, missed)
	}
	if bare := js[[]string](b, `window.unmarked`); len(bare) > 0 {
		b.t.Errorf("the focus is not seen on %q", bare)
	}
}

// The map by keys alone: step, read, find a signal, open the unit.
func mapByKeys(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[0])
	b.visit("/drift", "#drift-map")
	b.until(painted, 20*time.Second)
	b.do("focus", chromedp.Focus("#drift-map"))
	b.until(`document.getElementById("drift-say").textContent.startsWith("TB40-00001-")`, 5*time.Second)
	first := js[string](b, `document.getElementById("drift-say").textContent`)
	b.do("step", chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowDown))
	b.until(`document.getElementById("drift-say").textContent.startsWith("TB40-00002-")`, 5*time.Second)
	if second := js[string](b, `document.getElementById("drift-say").textContent`); second == first {
		t.Error("the line did not change")
	}
	before := js[float64](b, `document.getElementById("drift").drift.view.perPixel`)
	b.do("closer", chromedp.KeyEvent("+"), chromedp.KeyEvent("+"))
	if after := js[float64](b, `document.getElementById("drift").drift.view.perPixel`); after >= before {
		t.Errorf("plus made %v units to a pixel of %v", after, before)
	}
	b.do("the next signal", chromedp.KeyEvent("n"))
	b.until(`/lies? more than|in a row/.test(document.getElementById("drift-say").textContent)`, 5*time.Second)
	b.shoot("drift-signal")
	want := js[string](b, `new URL(document.getElementById("drift-unit").href).pathname`)
	b.do("open", chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname === "`+want+`"`, 5*time.Second)
	b.quiet()
}

// The chart by keys alone, the change of level that it finds, and its picture.
func chartByKeys(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[0])
	b.visit("/streams/"+w.story.Product.Code+"/deviation/left/50", "#stream-frame canvas")
	b.until(`performance.getEntriesByName("stream-painted").length`, 10*time.Second)
	b.do("focus", chromedp.Focus("#stream-frame"), chromedp.KeyEvent(kb.End))
	b.until(`/^TB40-00096-.*sigmas/.test(document.getElementById("stream-say").textContent)`, 5*time.Second)
	// The glue gun of the fourth week wears from one unit on.
	trouble := w.story.Truth.Troubles
	serial := ""
	for _, x := range trouble {
		if x.Lot == w.story.Lots[3].Code {
			serial = x.First
		}
	}
	b.do("look for a change", chromedp.Click(`button[data-deed="change"]`))
	b.until(`document.getElementById("stream-change").textContent.includes("The level moved")`, 10*time.Second)
	b.shoot("stream-change")
	if text := js[string](b, `document.getElementById("stream-change").textContent`); serial == "" || !js[bool](b, `document.getElementById("stream-change").textContent.includes("`+serial+`")`) {
		t.Errorf("the glue gun wears from %s on, the page says %q", serial, text)
	}
	if href := js[string](b, `document.getElementById("stream-svg").getAttribute("href")`); js[string](b, `fetch(document.getElementById("stream-svg").href).then(r => r.text()).then(t => t.includes("The level moved") ? "" : t.slice(0, 300))`) != "" {
		t.Errorf("the picture at %s lacks the change", href)
	}
	png := js[[]float64](b, `(async () => {
		const made = new Promise(done => { const old = URL.createObjectURL; URL.createObjectURL = blob => { done(blob); return old.call(URL, blob); }; });
		document.querySelector('button[data-deed="png"]').click();
		const picture = await createImageBitmap(await made);
		return [picture.width, picture.height];
	})()`)
	if len(png) != 2 || png[0] != 1440 {
		t.Errorf("the PNG is %v wide and high", png)
	}
	b.quiet()
}
