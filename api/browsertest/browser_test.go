package browsertest

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"iter"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// pictures is where the tests put what they saw.
const pictures = "../../out/pages"

// A width is a size of the window.
type width struct {
	name       string
	wide, high int64
	phone      bool
	ratio      float64 // device pixels to a pixel of the page
}

var widths = []width{{"1366", 1366, 900, false, 1}, {"390", 390, 844, true, 2}}

// browser runs Chromium once for all tests.
var browser context.Context

func TestMain(m *testing.M) {
	program, why := chromium()
	if program == "" {
		fmt.Println("browser tests did not run:", why)
		if os.Getenv("ALIKE_BROWSER") == "required" {
			os.Exit(1)
		}
		os.Exit(0)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.WindowSize(1366, 900))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium's sandbox refuses root
	}
	all, stop := chromedp.NewExecAllocator(context.Background(), options...)
	var quit context.CancelFunc
	browser, quit = chromedp.NewContext(all)
	if err := chromedp.Do(browser); err != nil { // starts it; a deadline here would end it later
		fmt.Println("browser tests did not run: Chromium does not start:", err)
		os.Exit(1)
	}
	code := m.Run()
	quit()
	stop()
	os.Exit(code)
}

// chromium finds the browser, or says why there is none.
func chromium() (program, why string) {
	if p := os.Getenv("ALIKE_BROWSER"); p != "" && p != "required" {
		return p, ""
	}
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			return p, ""
		}
	}
	return "", "there is no Chromium on the path (Debian: apt-get install chromium)"
}

// A tab is one page in the browser, with what went wrong in it.
type tab struct {
	context.Context
	t     *testing.T
	base  string
	width width

	mu     sync.Mutex
	faults []string
}

// open returns a tab of its own cookies at a width.
func open(t *testing.T, base string, w width) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	ctx, stop := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(stop)
	b := &tab{Context: ctx, t: t, base: base, width: w}
	b.do("open a tab", func(ctx context.Context, to *chromedp.Target) (chromedp.Void, error) {
		b.listen(to)
		if _, err := cdp.Call(ctx, to, log.Enable, cdp.Empty{}); err != nil {
			return chromedp.Void{}, err
		}
		// Tabs open and close beside each other; each is to behave like the one in front.
		_, err := cdp.Call(ctx, to, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
		return chromedp.Void{}, err
	}, chromedp.EmulateViewport(w.wide, w.high, func(m *emulation.SetDeviceMetricsOverrideParams, touch *emulation.SetTouchEmulationEnabledParams) {
		m.Mobile, m.DeviceScaleFactor, touch.Enabled = w.phone, w.ratio, w.phone
	}))
	return b
}

// listen keeps what the console says that it should not, as long as the tab is open.
func (b *tab) listen(to *chromedp.Target) {
	keep(b, cdp.Events(b, to, runtime.ExceptionThrown), func(e runtime.EventExceptionThrown) string {
		text := e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
		return text
	})
	keep(b, cdp.Events(b, to, log.EntryAdded), func(e log.EventEntryAdded) string {
		if e.Entry.Level != log.EntryLevelError && e.Entry.Level != log.EntryLevelWarning {
			return ""
		}
		return fmt.Sprint(e.Entry.Level, ": ", e.Entry.Text, " ", e.Entry.URL)
	})
	keep(b, cdp.Events(b, to, runtime.ConsoleAPICalled), func(e runtime.EventConsoleAPICalled) string {
		if e.Type != "error" && e.Type != "warning" && e.Type != "assert" {
			return ""
		}
		text := "console:"
		for _, a := range e.Args {
			text += " " + string(a.Value) + a.Description
		}
		return text
	})
}

func keep[E any](b *tab, events iter.Seq2[E, error], fault func(E) string) {
	go func() {
		for e, err := range events {
			if err != nil {
				return // the tab is closed
			}
			if text := fault(e); text != "" {
				b.mu.Lock()
				b.faults = append(b.faults, text)
				b.mu.Unlock()
			}
		}
	}()
}

// do runs actions or ends the test.
func (b *tab) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b, actions...); err != nil {
		b.shoot("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
		b.t.Fatalf("%s: %v; console: %q", what, err, b.heard())
	}
}

func (b *tab) heard() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.faults...)
}

// quiet fails the test when the console said anything it should not.
func (b *tab) quiet() {
	b.t.Helper()
	if f := b.heard(); len(f) > 0 {
		b.t.Errorf("the console says %q", f)
	}
}

// visit goes to an address and waits until something can be seen there.
func (b *tab) visit(path, selector string) {
	b.t.Helper()
	b.do("visit "+path, chromedp.Navigate(b.base+path))
	b.until(fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.checkVisibility())`, selector), 20*time.Second)
}

// js evaluates an expression, which may be a promise.
func js[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v; console: %q", expression, err, b.heard())
	}
	return v
}

// until waits until an expression is true, also over the way to another page.
func (b *tab) until(expression string, most time.Duration) {
	b.t.Helper()
	for end := time.Now().Add(most); ; time.Sleep(15 * time.Millisecond) {
		ok, err := chromedp.Run(b, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			b.shoot("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
			b.t.Fatalf("not within %v: %s (%v); console: %q", most, expression, err, b.heard())
		}
	}
}

// shoot keeps a picture of the whole page.
func (b *tab) shoot(name string) {
	all := true
	png, err := chromedp.Run(b, func(ctx context.Context, to *chromedp.Target) ([]byte, error) {
		m, err := cdp.Call(ctx, to, page.GetLayoutMetrics, cdp.Empty{})
		if err != nil {
			return nil, err
		}
		r, err := cdp.Call(ctx, to, page.CaptureScreenshot, page.CaptureScreenshotParams{
			CaptureBeyondViewport: &all, Clip: &page.Viewport{Width: float64(b.width.wide), Height: min(m.CSSContentSize.Height, 6000), Scale: 1},
		})
		return r.Data, err
	})
	if err != nil {
		b.t.Logf("no picture of %s: %v", name, err)
		return
	}
	if err := os.MkdirAll(pictures, 0o755); err != nil {
		b.t.Log(err)
		return
	}
	if err := os.WriteFile(filepath.Join(pictures, name+"-"+b.width.name+".png"), png, 0o644); err != nil {
		b.t.Log(err)
	}
}

// axeScript returns the accessibility checker that pages are held against.
func axeScript(t testing.TB) string {
	t.Helper()
	f, err := os.Open("testdata/axe/axe.min.js.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
