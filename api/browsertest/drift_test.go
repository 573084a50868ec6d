package browsertest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
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

// finger is one point of a touch.
func finger(id, x, y float64) *input.TouchPoint { return &input.TouchPoint{X: x, Y: y, ID: &id} }

// touch sends one touch event.
func (b *tab) touch(kind input.DispatchTouchEventType, points ...*input.TouchPoint) {
	b.t.Helper()
	if points == nil {
		points = []*input.TouchPoint{}
	}
	b.do(string(kind), func(ctx context.Context, to *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, to, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return chromedp.Void{}, err
	})
}

// On a phone one finger drags the map, two pinch it, and a tap reads a cell without
// leaving the page.
func fingersOnTheMap(t *testing.T, w *workshop) {
	b := open(t, w.URL, widths[1])
	b.visit("/drift", "#drift-map")
	b.until(painted, 20*time.Second)
	box := js[struct{ X, Y, W float64 }](b, `(() => {
		const map = document.getElementById("drift-map");
		map.scrollIntoView({ block: "start" });
		const d = document.getElementById("drift").drift, box = map.getBoundingClientRect();
		return { X: box.left + d.lay.left, Y: box.top + d.lay.blocks[0].y + 20, W: d.lay.width };
	})()`)
	at := func(share float64) float64 { return box.X + share*box.W }
	perPixel, first := `document.getElementById("drift").drift.view.perPixel`, `document.getElementById("drift").drift.view.first`
	whole := js[float64](b, perPixel)

	// Two fingers go apart to three times their distance: a third of the units is left.
	b.touch(input.DispatchTouchEventTypeTouchStart, finger(1, at(0.4), box.Y), finger(2, at(0.6), box.Y))
	for i := 1; i <= 10; i++ {
		d := 0.1 + 0.02*float64(i)
		b.touch(input.DispatchTouchEventTypeTouchMove, finger(1, at(0.5-d), box.Y), finger(2, at(0.5+d), box.Y))
	}
	b.touch(input.DispatchTouchEventTypeTouchEnd)
	near := js[float64](b, perPixel)
	if ratio := whole / near; ratio < 2.5 || ratio > 3.5 {
		t.Errorf("the pinch made %v units to a pixel of %v", near, whole)
	}
	if path := js[string](b, `location.pathname`); path != "/drift" {
		t.Fatalf("the pinch leads to %s", path)
	}

	// One finger drags a quarter of the width to the left: later units come.
	before := js[float64](b, first)
	b.touch(input.DispatchTouchEventTypeTouchStart, finger(1, at(0.7), box.Y))
	for i := 1; i <= 10; i++ {
		b.touch(input.DispatchTouchEventTypeTouchMove, finger(1, at(0.7-0.025*float64(i)), box.Y))
	}
	b.touch(input.DispatchTouchEventTypeTouchEnd)
	if moved, want := js[float64](b, first)-before, 0.25*box.W*near; moved < 0.8*want || moved > 1.05*want {
		t.Errorf("the drag moved the map by %v units, want about %v", moved, want)
	}
	if again := js[float64](b, perPixel); again != near {
		t.Errorf("a drag changed the scale from %v to %v", near, again)
	}

	// A tap reads.
	b.touch(input.DispatchTouchEventTypeTouchStart, finger(1, at(0.5), box.Y))
	b.touch(input.DispatchTouchEventTypeTouchEnd)
	b.until(`document.getElementById("drift-say").textContent.startsWith("TB40-")`, 5*time.Second)
	b.shoot("drift-fingers")
	if path := js[string](b, `location.pathname`); path != "/drift" {
		t.Errorf("a tap leads to %s", path)
	}
	b.quiet()
}
