package api_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/line"
)

// moved serves a line of 24 good units under limits and eight whose left has lost bass.
func moved(t *testing.T, token string) (*client, *line.Line) {
	t.Helper()
	c, l, _ := serve(t, token)
	rng := rand.New(rand.NewPCG(1, 2))
	n := 0
	build := func(units int, bass float64) {
		for range units {
			n++
			var in takes
			for _, ch := range []string{"left", "right"} {
				tk := take(fmt.Sprintf("U%03d", n), ch, 0.1*rng.NormFloat64())
				for i := range tk.Levels {
					tk.Levels[i] += 0.1 * rng.NormFloat64()
					if ch == "left" && tk.Frequencies[i] < 300 {
						tk.Levels[i] += bass
					}
				}
				in.Takes = append(in.Takes, tk)
			}
			if a := c.do("POST", "/api/v1/takes", in); a.status != http.StatusCreated {
				t.Fatalf("%d %s", a.status, a.body)
			}
		}
	}
	build(24, 0)
	if _, err := l.Freeze(t.Context(), line.By{Actor: "tester"}, "p1", line.Freezing{Baseline: line.Baseline{Lot: "L 1"}, Reason: "good", Boards: 200}); err != nil {
		t.Fatal(err)
	}
	build(8, -1.5)
	return c, l
}

func TestFindingsOverHTTP(t *testing.T) {
	t.Parallel()
	c, _ := moved(t, "")
	var list struct{ Findings []api.Finding }
	c.do("GET", "/api/v1/findings", nil).into(t, &list)
	if len(list.Findings) != 1 || list.Findings[0].Kind != "line" || list.Findings[0].FirstSerial != "U025" {
		t.Fatalf("%+v", list)
	}
	path := fmt.Sprintf("/api/v1/findings/%d", list.Findings[0].Finding)
	var f api.FindingDetail
	c.do("GET", path, nil).into(t, &f)
	if f.Analysis.Change == nil || f.Analysis.Change.Serial != "U025" || len(f.AllSignals) != f.Signals || f.Events[0].Kind != "opened" {
		t.Errorf("%+v", f)
	}
	for _, bad := range []struct {
		path, field string
		status      int
	}{
		{"/api/v1/findings/99", "finding", 404}, {"/api/v1/findings/x", "", 404}, {"/api/v1/findings/0", "", 404},
		{"/api/v1/findings?state=lost", "state", 422}, {"/api/v1/findings?limit=0", "limit", 422},
	} {
		var p api.Problem
		a := c.do("GET", bad.path, nil)
		if a.into(t, &p); a.status != bad.status || p.Field != bad.field || p.Remedy == "" {
			t.Errorf("%s: %d %+v", bad.path, a.status, p)
		}
	}
	c.do("GET", "/api/v1/findings?state=closed&product=p1&limit=5", nil).into(t, &list)
	if len(list.Findings) != 0 {
		t.Errorf("closed: %+v", list)
	}
	for _, bad := range []struct {
		deed   any
		status int
		want   string
	}{
		{api.Deed{Kind: "closed", Text: "done"}, 422, "no cause yet"},
		{api.Deed{Kind: "reopened", Text: "x"}, 409, "is open"},
		{api.Deed{Kind: "looked"}, 422, "no text"},
		{map[string]string{"kind": "looked", "words": "x"}, 400, "words"},
	} {
		if a := c.do("POST", path+"/events", bad.deed); a.status != bad.status || !strings.Contains(string(a.body), bad.want) {
			t.Errorf("%+v: %d %s", bad.deed, a.status, a.body)
		}
	}
	a := c.do("POST", path+"/events", api.Deed{Kind: "closed", Text: "done", Cause: "gun", Action: "new nozzle", By: "Savka"})
	if a.into(t, &f); a.status != http.StatusCreated || f.State != "closed" || f.Cause != "gun" || f.Events[len(f.Events)-1].By != "Savka" {
		t.Errorf("%d %+v", a.status, f)
	}
	if a := c.do("POST", path+"/events", api.Deed{Kind: "looked", Text: "x"}); a.status != http.StatusConflict {
		t.Errorf("closed: %d %s", a.status, a.body)
	}
	if a := c.raw("POST", path+"/events", []byte("kind=looked&text=x"), http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}); a.status != http.StatusUnsupportedMediaType {
		t.Errorf("a form: %d", a.status)
	}
}

func TestPagesOfFindings(t *testing.T) {
	t.Parallel()
	c, _ := moved(t, "")
	page := func(method, path, form string, status int, holds ...string) string {
		t.Helper()
		h := http.Header{}
		var body []byte
		if form != "" {
			h["Content-Type"], body = []string{"application/x-www-form-urlencoded"}, []byte(form)
		}
		a := c.raw(method, path, body, h)
		if a.status != status {
			t.Fatalf("%s %s answers %d, want %d: %s", method, path, a.status, status, a.body)
		}
		for _, want := range holds {
			if !strings.Contains(string(a.body), want) {
				t.Errorf("%s %s lacks %q", method, path, want)
			}
		}
		return string(a.body)
	}
	for _, path := range []string{"/findings", "/findings/1", "/lots/L%201", "/"} {
		text := regexp.MustCompile(`(?s)<style.*?</style>|<code.*?</code>|<svg.*?</svg>|<[^>]*>`).ReplaceAllString(page("GET", path, "", 200), " ")
		if bare := regexp.MustCompile(`[^<>]{0,40}[\s(±]-\d.{0,10}`).FindString(text); bare != "" {
			t.Errorf("%s writes a hyphen for a minus sign: %q", path, bare)
		}
	}
	list := page("GET", "/findings", "", 200, "The line moved", `href="/findings/1"`, "Since U025", `aria-current="page">Findings`)
	if strings.Contains(list, "Single units") || strings.Contains(list, "<h2>Closed") {
		t.Error("headings without rows")
	}
	page("GET", "/findings/1", "", 200, "Finding 1: the line moved", "What to check, cheapest first", "Measure the reference unit", "<svg", "Change of level, left",
		`href="/units/U025"`, "may have begun", "opened", "twice the standard error")
	page("GET", "/units/U025", "", 200, `<a href="/findings/1">Finding 1</a>, the line moved: open.`)
	page("GET", "/lots/L%201", "", 200, `<th scope="row"><a href="/streams/`)
	page("GET", "/findings/9", "", 404, "There is no finding 9")
	page("POST", "/findings/1", "kind=looked&text=seam+open&by=", 422, "Say who you are", `value="seam open"`)
	page("POST", "/findings/1", "kind=closed&text=done&by=Savka", 422, "Finding 1 has no cause yet", `value="Savka"`)
	done := c.raw("POST", "/findings/1", []byte("kind=closed&text=done+%3Cb%3E&cause=gun&action=nozzle&by=Savka"), http.Header{"Content-Type": {"application/x-www-form-urlencoded"}})
	if done.status != http.StatusOK { // the client follows to the page
		t.Fatalf("%d %s", done.status, done.body)
	}
	page("GET", "/findings/1", "", 200, "<strong>Cause:</strong> gun", "by Savka", "done &lt;b&gt;", "open it again, because")
	page("GET", "/findings", "", 200, "<h2>Closed", "Cause: gun.")
	empty, _, _ := serve(t, "")
	if a := empty.raw("GET", "/findings", nil, nil); a.status != 200 || !strings.Contains(string(a.body), "no control chart has given a signal") {
		t.Errorf("%d %s", a.status, a.body)
	}
}
