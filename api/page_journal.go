package api

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"alike/api/pages"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

const (
	entriesPerPage = 100
	// quickEntries is how long a journal may be to be walked whenever its page is asked
	// for: a thousand entries and their rows take a few hundredths of a second.
	quickEntries = 2000
)

// A walk is the last verification of the journal.
type walk struct {
	store.Verification
	At time.Time
}

// walks keeps what the last verification found.
type walks struct {
	mu   sync.Mutex
	last *walk
}

func (w *walks) get() *walk {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

func (w *walks) set(v walk) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.last = &v
}

type journalBody struct {
	store.JournalFilter
	Entries []store.Entry
	More    string
	First   bool
	Head    store.Head
	Walk    *walk
	Since   int64  // entries since the walk
	Check   string // address that walks the chain now
}

// journalPage answers: who did what, when, from where and why, and is the record whole?
func (s *server) journalPage(c echo.Context) error {
	ctx := c.Request().Context()
	site := s.DB.Site(s.Line.Site())
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	text := func(name string) string { return strings.TrimSpace(c.QueryParam(name)) }
	b := journalBody{JournalFilter: store.JournalFilter{Lot: text("lot"), About: text("about"), Finding: text("finding"), Who: text("who")}, First: true}
	query := url.Values{}
	for name, v := range map[string]string{"lot": b.Lot, "about": b.About, "finding": b.Finding, "who": b.Who} {
		if v != "" {
			query.Set(name, v)
		}
	}
	before := int64(1<<63 - 1)
	if q := c.QueryParam("before"); q != "" {
		if before, err = strconv.ParseInt(q, 10, 64); err != nil || before < 1 {
			return fieldProblem("before", "before is no number of an entry", "go to the journal's first page")
		}
		b.First = false
	}
	if b.Entries, err = site.JournalBefore(ctx, b.JournalFilter, before, entriesPerPage); err != nil {
		return err
	}
	for i := range b.Entries {
		b.Entries[i].At = b.Entries[i].At.In(zone)
	}
	if n := len(b.Entries); n == entriesPerPage {
		next, _ := url.ParseQuery(query.Encode())
		next.Set("before", strconv.FormatInt(b.Entries[n-1].Entry, 10))
		b.More = "/journal?" + next.Encode()
	}
	query.Set("check", "now")
	b.Check = "/journal?" + query.Encode()
	if err := s.walkChain(c, &b, zone); err != nil {
		return err
	}
	return s.show(c, http.StatusOK, "journal", pages.View{Title: "Journal", Here: "/journal", Body: b})
}

// walkChain verifies the journal when somebody asks for it, or when it is short; else it
// says what the last walk found.
func (s *server) walkChain(c echo.Context, b *journalBody, zone *time.Location) (err error) {
	ctx := c.Request().Context()
	if b.Head, err = s.DB.Site(s.Line.Site()).Head(ctx); err != nil {
		return err
	}
	if c.QueryParam("check") == "now" || b.Head.Entry <= quickEntries {
		v, err := s.DB.Verify(ctx, s.Line.Site(), nil, func(store.VerifyStep) {})
		if err != nil {
			return err
		}
		s.walks.set(walk{v, time.Now()})
	}
	if w := s.walks.get(); w != nil {
		shown := *w
		shown.At = w.At.In(zone)
		b.Walk, b.Since = &shown, b.Head.Entry-w.Head.Entry
	}
	return nil
}
