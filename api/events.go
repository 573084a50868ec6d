package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// heartbeat keeps proxies from closing a quiet stream, and finds clients that are
// gone.
const heartbeat = 15 * time.Second

// An Event is one entry of the journal as those who watch the line get it.
type Event struct {
	Entry   int64     `json:"entry"`
	At      time.Time `json:"at"`
	Action  string    `json:"action"`
	Subject string    `json:"subject"`
	Verdict string    `json:"verdict,omitempty"`
}

func eventOf(e store.Entry) Event {
	var detail struct {
		Verdict string `json:"verdict"`
	}
	_ = json.Unmarshal(e.Detail, &detail) // most entries have no verdict
	return Event{e.Entry, e.At, e.Action, e.Subject, detail.Verdict}
}

// endless reports whether an answer goes on until one side ends it.
func endless(c echo.Context) bool { return c.Path() == "/api/v1/events" }

// getEvents tells what happens on the line until the client goes or the server stops.
func (s *server) getEvents(c echo.Context) error {
	ctx := c.Request().Context()
	wake, leave := s.hub.watch()
	defer leave()
	if wake == nil {
		return newProblem(http.StatusServiceUnavailable, fmt.Sprintf("%d clients watch already", mostEars), "close some, or ask for the pages now and then")
	}
	site := s.DB.Site(s.Line.Site())
	last, err := site.LastEntry(ctx) // after watch: nothing can fall between
	if err != nil {
		return err
	}
	if seen, err := strconv.ParseInt(c.Request().Header.Get("Last-Event-ID"), 10, 64); err == nil && seen >= 0 && seen < last {
		last = seen
	}
	stream := http.NewResponseController(c.Response())
	_ = stream.SetReadDeadline(time.Time{})
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, "text/event-stream; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	c.Response().WriteHeader(http.StatusOK)
	send := func(text string) error {
		_ = stream.SetWriteDeadline(time.Now().Add(2 * heartbeat))
		if _, err := c.Response().Write([]byte(text)); err != nil {
			return err
		}
		return stream.Flush()
	}
	if err := send("retry: 1000\n\n"); err != nil {
		return nil
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		var text string
		select {
		case <-ctx.Done():
			return nil
		case <-stopping(ctx):
			return nil
		case <-beat.C:
			if !s.stillIn(c) {
				return nil
			}
			text = ": still here\n\n"
		case <-wake:
			const most = 500
			for {
				entries, err := site.Journal(ctx, last, most)
				if err != nil { // the client comes back and says what it saw last
					return nil
				}
				if !s.stillIn(c) { // asked after reading: what came after the end is not told
					return nil
				}
				for _, e := range entries {
					data, err := json.Marshal(eventOf(e))
					if err != nil {
						return nil
					}
					text += fmt.Sprintf("id: %d\nevent: change\ndata: %s\n\n", e.Entry, data)
					last = e.Entry
				}
				if len(entries) < most {
					break
				}
				if send(text) != nil {
					return nil
				}
				text = ""
			}
		}
		if text != "" && send(text) != nil {
			return nil
		}
	}
}
