package browsertest

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// A click on a cell of the map opens its unit, and pointing at it reads it.
func clickOnTheMap(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[0])
	b.visit("/drift", "#drift-map")
	b.until(`performance.getEntriesByName("drift-painted").length`, 10*time.Second)
	// The middle of the cell of the 60th unit in the row of the left 63 Hz band.
	at := js[struct{ X, Y float64 }](b, `(() => {
		const d = document.getElementById("drift").drift, box = document.getElementById("drift-map").getBoundingClientRect();
		const row = d.data.head.streams.findIndex(s => s.key === "deviation/left/63"), block = d.lay.blocks.find(b => b.rows.includes(row));
		return { X: box.left + d.lay.left + (59.5 - d.view.first) / d.view.perPixel, Y: box.top + block.y + (block.rows.indexOf(row) + 0.5) * block.h };
	})()`)
	serial := js[string](b, `document.getElementById("drift").drift.data.head.serials[59]`)
	b.do("point", chromedp.MouseEvent(chromedp.MouseMoved, at.X, at.Y))
	b.until(fmt.Sprintf(`document.getElementById("drift-say").textContent.startsWith("%s, left 63 Hz deviation: ")`, serial), 5*time.Second)
	b.shoot("drift-pointed")
	b.do("click", chromedp.MouseClickXY(at.X, at.Y))
	b.until(fmt.Sprintf(`location.pathname === "/units/%s"`, serial), 5*time.Second)
}
