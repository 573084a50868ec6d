package browsertest

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// fill types into fields and presses a button.
func (b *tab) fill(button string, fields ...string) {
	b.t.Helper()
	var all []chromedp.Action[chromedp.Void]
	for i := 0; i < len(fields); i += 2 {
		all = append(all, chromedp.SetValue(fields[i], fields[i+1]))
	}
	b.do("fill "+button, append(all, chromedp.Click(button))...)
}

// seen holds the page in the window against what all pages promise.
func (b *tab) seen(name, axe string) {
	b.t.Helper()
	b.shoot(name)
	if over := js[string](b, sideways); over != "" {
		b.t.Errorf("%s scrolls sideways: %s", name, over)
	}
	b.accessible(axe)
	if !b.width.phone {
		b.tabThrough()
	}
}

// forget drops what the browser itself reports of answers 401 and the like.
func (b *tab) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	var kept []string
	for _, f := range b.faults {
		if !strings.Contains(f, "the server responded with a status of 4") {
			kept = append(kept, f)
		}
	}
	b.faults = kept
}

// From a fresh machine: the first administrator by the link, another person and a
// token, sign out, wrong passwords until the lock, sign in, another password.
func TestSignIn(t *testing.T) {
	axe := axeScript(t)
	const password, another = "seven teal otters knit", "nine blue herons wade"
	for _, size := range widths {
		t.Run(size.name, func(t *testing.T) {
			w := empty(t)
			b := open(t, w.URL, size)
			b.visit("/lots", "main h1")
			b.until(`document.querySelector(".who")?.textContent.includes("No sign-in")`, 5*time.Second)
			b.seen("signin-nobody", axe)
			link, err := w.line.FirstLink(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			b.visit("/welcome/"+link, "#password")
			b.seen("signin-first", axe)
			b.fill("button.main", "#name", "Savka", "#password", password, "#again", "something else")
			b.until(`document.querySelector("[role=alert]")?.textContent.includes("typed in two ways")`, 10*time.Second)
			b.fill("button.main", "#password", password, "#again", password)
			b.until(heading+` === "Savka"`, 10*time.Second)
			b.seen("signin-account", axe)
			b.visit("/people", "#person-name")
			b.fill(`form[action="/people"] button`, "#person-name", "Milo", "#person-role", "quality")
			b.until(`document.querySelector("code.secret")?.textContent.includes("/welcome/")`, 10*time.Second)
			b.fill(`form[action="/tokens"] button`, "#token-name", "bench 2")
			b.until(`document.querySelector("code.secret")?.textContent.startsWith("alike-token-")`, 10*time.Second)
			b.seen("signin-people", axe)
			b.visit("/account", "#present")
			b.fill(`form[action="/account/sign-out"] button`)
			b.until(heading+` === "Sign in"`, 10*time.Second)
			b.forget()
			b.quiet()

			// Others guess; the browser is there for the eighth time and for the tenth.
			b = open(t, w.URL, size)
			b.visit("/lots", "#name") // asks to sign in, and leads on
			guess := func(n int) {
				for range n {
					_, _ = w.line.SignIn(t.Context(), "elsewhere", "Milo", "wrong")
				}
			}
			guess(7)
			b.fill("button.main", "#name", "Milo", "#password", "wrong")
			b.until(`document.querySelector("[role=alert]")?.textContent.includes("2 tries are left")`, 10*time.Second)
			b.seen("signin-wrong", axe)
			guess(1)
			b.fill("button.main", "#name", "Milo", "#password", "wrong")
			b.until(`document.querySelector("[role=alert]")?.textContent.includes("Too many wrong passwords")`, 10*time.Second)
			b.seen("signin-locked", axe)
			b.fill("button.main", "#name", "savka", "#password", password)
			b.until(`location.pathname === "/lots" && document.querySelector(".who")?.textContent.includes("Savka")`, 10*time.Second)
			b.visit("/account", "#present")
			b.fill(`form[action="/account/password"] button`, "#present", password, "#password", another, "#again", another)
			b.until(`document.querySelector("[role=status]")?.textContent.includes("Your password is set")`, 10*time.Second)
			b.shoot("signin-changed")
			b.fill(`form[action="/account/sign-out"] button`)
			b.until(heading+` === "Sign in"`, 10*time.Second)
			b.fill("button.main", "#name", "Savka", "#password", another)
			b.until(`document.querySelector(".who")?.textContent.includes("Savka")`, 10*time.Second)
			b.forget()
			b.quiet()
		})
	}
}
