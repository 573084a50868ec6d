package api_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/access"
)

var (
	postForm = regexp.MustCompile(`(?:\{\{if \$\.May "(\w+)"\}\})?(<form[^>]*method="post"[^>]*>)`)
	formTo   = regexp.MustCompile(`action="([^"#]*)`)
	openPart = regexp.MustCompile(`\{+[^}]*\}+`)
)

// Every form that changes something stands under the deed of the route that it is sent
// to, so that no page offers what would then be refused. What everybody who sees the page
// may do needs no such mark.
func TestFormsStandUnderTheirDeed(t *testing.T) {
	t.Parallel()
	names, err := filepath.Glob("pages/html/*.html")
	if err != nil {
		t.Fatal(err)
	}
	plain := func(address string) string { return openPart.ReplaceAllString(address, "*") }
	deeds := map[string]access.Deed{}
	for _, r := range api.DeedRoutes() {
		deed, _ := api.DeedOf(r)
		deeds[plain(r)] = deed
	}
	free := []access.Deed{access.Open, access.Own, access.Look, access.Admit} // the last: on a page of administrators
	marked := 0
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range postForm.FindAllStringSubmatch(string(text), -1) {
			to := formTo.FindStringSubmatch(m[2])
			if to == nil || strings.HasSuffix(name, "envelope.html") {
				continue // sent to the page itself, which is open; the envelope's picture is for all, and only its last part is marked
			}
			path := to[1]
			for call, route := range map[string]string{"{{productPath .Product}}": "/products/*", "{{productPath $code}}": "/products/*", "{{lotPath .Code}}": "/lots/*", "{{unitPath .Serial}}": "/units/*", "{{unitPath $.Body.Serial}}": "/units/*"} {
				path = strings.ReplaceAll(path, call, route)
			}
			deed, known := deeds["POST "+plain(path)]
			switch {
			case !known:
				t.Errorf("%s sends to %s, which is no route", name, path)
			case slices.Contains(free, deed):
			case m[1] != string(deed):
				t.Errorf("%s: the form to %s stands under the deed %q, its route is of %q", name, path, m[1], deed)
			default:
				marked++
			}
		}
	}
	if marked < 20 {
		t.Errorf("only %d forms are marked", marked)
	}
}

// A licensor sees no form that would be refused, and reads whose task it is; a maker
// sees those of a maker alone; and while nobody signs in everybody sees all.
func TestPagesOfferWhatTheRoleMay(t *testing.T) {
	t.Parallel()
	b, l, _ := open(t, everybody)
	addProduct(t, l)
	for _, c := range []struct {
		role  access.Role
		path  string
		forms int // of those that change something, the search and the trying apart
		says  string
	}{
		{access.Licensor, "/parts", 0, "To do this takes the role administrator or quality or maker; yours is licensor."},
		{access.Licensor, "/add", 0, "yours is licensor."},
		{access.Licensor, "/rig", 0, "yours is licensor."},
		{access.Maker, "/parts", 2, ""},
		{access.Maker, "/products/p1/envelope", 1, "To do this takes the role administrator or quality; yours is maker."},
		{access.Quality, "/products/p1/envelope", 1, ""},
	} {
		name := string(c.role) + " of " + strings.Trim(strings.ReplaceAll(c.path, "/", " "), " ")
		p := b.as(l, name, string(c.role)).get(c.path)
		p.number(`main form[method=post]`, c.forms)
		text := strings.Join(strings.Fields(textOf(p.root)), " ")
		if c.says != "" && !strings.Contains(text, c.says) || c.says == "" && strings.Contains(text, "takes the role") {
			t.Errorf("%s at %s: %.900s", c.role, c.path, text)
		}
		if c.role == access.Maker && c.says != "" {
			p.number(`button[value=save]`, 0)
		}
	}
}
