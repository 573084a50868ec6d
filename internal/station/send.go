package station

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"mime"
	"net"
	"net/http"
	"net/url"
	"syscall"
	"time"
)

// A passing error may be gone at the next try.
type passing struct {
	why  string
	ours bool // the server answered that it met an error of its own
}

func (p passing) Error() string { return p.why }

// Limits of the sender.
const (
	mostAnswer  = 16 << 20 // bytes read of an answer
	mostFailing = 8        // failures of one entry, the network's aside, before it goes behind the others
)

// sendAll sends the spool's entries, oldest first, until ctx ends. Requests run under
// sending, which ends a little later, so that one under way may finish.
func (s *station) sendAll(ctx, sending context.Context) {
	client := &http.Client{
		Timeout: s.Timeout,
		// A station never follows a server elsewhere: takes and token are for this one.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport:     &http.Transport{Proxy: http.ProxyFromEnvironment, DialContext: (&net.Dialer{Timeout: 10 * time.Second}).DialContext, MaxIdleConns: 2, IdleConnTimeout: 30 * time.Second},
	}
	defer client.CloseIdleConnections()
	failed := 0
	for ctx.Err() == nil {
		it, ok := s.spool.head()
		if !ok {
			s.board.change(func(st *State) { st.Sending, st.Away, st.Why = false, time.Time{}, "" })
			select {
			case <-ctx.Done():
			case <-s.spool.more:
			}
			continue
		}
		err := s.handle(sending, client, it)
		var pass passing
		switch {
		case err == nil:
			failed = 0
			continue
		case errors.As(err, &pass):
			s.away(pass)
		default:
			s.disk(err)
		}
		failed++
		if (pass.ours || pass.why == "") && failed%mostFailing == 0 && s.spool.len() > 1 && s.spool.postpone(it) == nil {
			s.say(fmt.Sprintf("%s goes behind the others: %v", it.Source, err))
		}
		s.pause(ctx, failed)
	}
}

// pause waits before the next try: twice as long each time up to the longest, less a
// random part, so that stations do not come back all at once.
func (s *station) pause(ctx context.Context, failed int) {
	d := s.RetryMax
	if failed < 30 {
		d = min(d, s.RetryMin<<(failed-1))
	}
	d = d/2 + rand.N(d/2+1)
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

func (s *station) away(p passing) {
	s.board.change(func(st *State) {
		if st.Away.IsZero() {
			st.Away = time.Now()
		}
		st.Why, st.Spooled = p.why, s.spool.len()
	})
}

// handle deals with one entry: sends it, puts its file away and removes it.
func (s *station) handle(ctx context.Context, client *http.Client, it item) error {
	if s.grew(it.origin) {
		return s.spool.remove(it)
	}
	e, err := s.spool.load(it.number)
	if err != nil {
		if err := s.damaged(s.spool.path(it.number), err); err != nil {
			return err
		}
		return s.spool.remove(it)
	}
	s.board.change(func(st *State) { st.Sending = true })
	var stored, known, refused int
	for _, body := range e.Requests {
		results, err := s.sendTakes(ctx, client, body)
		if err != nil {
			return err
		}
		s.board.change(func(st *State) { st.Away, st.Why = time.Time{}, "" })
		for _, r := range results {
			switch r.Status {
			case "stored":
				stored++
			case "known":
				known++
			default:
				refused++
				e.Refused = append(e.Refused, r.reason(e.Source))
			}
		}
	}
	if err := s.report(ctx, client, e.Reports); err != nil {
		return err
	}
	if e.Source == "" { // the file was put away before
		return s.spool.remove(it)
	}
	if err := s.putAway(e, stored+known); err != nil {
		return err
	}
	if err := s.spool.remove(it); err != nil {
		return err
	}
	s.disk(nil)
	if len(e.Refused) > 0 {
		s.say("refused: " + e.Refused[0])
	}
	s.board.change(func(st *State) {
		st.Stored, st.Known, st.Refused = st.Stored+stored, st.Known+known, st.Refused+len(e.Refused)
	})
	return nil
}

func (r wireResult) reason(source string) string {
	if r.Problem == nil {
		return reasonText(source, 0, "", "was refused", "see the server's quarantine")
	}
	return reasonText(source, 0, r.Problem.Field, r.Problem.Detail, r.Problem.Remedy)
}

// sendTakes sends one request and returns what became of each of its takes. The error
// is passing unless the request is wrong in itself.
func (s *station) sendTakes(ctx context.Context, client *http.Client, body []byte) ([]wireResult, error) {
	var sent wireRequest
	if err := json.Unmarshal(body, &sent); err != nil {
		return nil, err
	}
	a, err := s.post(ctx, client, "takes", body)
	if err != nil {
		return nil, err
	}
	return judge(a, len(sent.Takes))
}

// report tells the server what the station refused. A server that does not want to know
// is left in peace: file and reason lie at the station.
func (s *station) report(ctx context.Context, client *http.Client, reports []json.RawMessage) error {
	for _, body := range reports {
		a, err := s.post(ctx, client, "refusals", body)
		if err != nil {
			return err
		}
		s.board.change(func(st *State) { st.Away, st.Why = time.Time{}, "" })
		switch {
		case (a.status == http.StatusCreated || a.status == http.StatusOK) && a.speaks:
		case a.speaks && a.problem:
			s.say("the server did not keep a refusal: " + a.Detail)
		default:
			return a.foreign()
		}
	}
	return nil
}

// An answer of the server, or of what stands in its place.
type answer struct {
	wireAnswer
	status  int
	speaks  bool // JSON
	problem bool // after RFC 9457
}

func (a answer) foreign() error {
	return passing{why: fmt.Sprintf("what answers there (%d) is not the server of this program", a.status)}
}

// post sends one request. An error passes, and so do answers that say that the server
// cannot take it now.
func (s *station) post(ctx context.Context, client *http.Client, what string, body []byte) (a answer, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.server.JoinPath(what).String(), bytes.NewReader(body))
	if err != nil {
		return a, err
	}
	req.Header.Set("Content-Type", "application/json")
	if s.Token != nil {
		token, err := s.Token()
		if err != nil {
			return a, passing{why: err.Error()}
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
	}
	res, err := client.Do(req)
	if err != nil {
		return a, passing{why: networkReason(err)}
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, mostAnswer))
	if err != nil {
		return a, passing{why: "the answer was cut off: " + networkReason(err)}
	}
	return readAnswer(res.StatusCode, res.Header.Get("Content-Type"), text)
}

// readAnswer tells what passes from what the server has to say.
func readAnswer(status int, kind string, text []byte) (answer, error) {
	a := answer{status: status}
	kind, _, _ = mime.ParseMediaType(kind)
	a.problem = kind == "application/problem+json"
	a.speaks = (kind == "application/json" || a.problem) && json.Unmarshal(text, &a.wireAnswer) == nil
	switch {
	case status >= 500:
		return a, passing{why: fmt.Sprintf("it answers %d %s", status, a.Detail), ours: status == http.StatusInternalServerError}
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		return a, passing{why: fmt.Sprintf("it does not accept the token (%d)", status)}
	case status == http.StatusRequestTimeout, status == http.StatusTooManyRequests:
		return a, passing{why: fmt.Sprintf("it cannot take more now (%d)", status)}
	}
	return a, nil
}

// judge tells what an answer means for takes. Only an answer that is surely the
// server's own word on them refuses them.
func judge(a answer, takes int) ([]wireResult, error) {
	switch {
	case a.speaks && len(a.Takes) == takes && takes > 0:
		return a.Takes, nil
	case a.speaks && a.problem && (a.status == http.StatusBadRequest || a.status == http.StatusRequestEntityTooLarge || a.status == http.StatusUnprocessableEntity):
		out := make([]wireResult, takes)
		for i := range out {
			out[i] = refusedWhole(a.wireAnswer)
		}
		return out, nil
	}
	return nil, a.foreign()
}

func refusedWhole(a wireAnswer) wireResult {
	var r wireResult
	text, err := json.Marshal(map[string]any{"status": "refused", "problem": map[string]string{"detail": a.Detail, "field": a.Field, "remedy": a.Remedy}})
	if err != nil || json.Unmarshal(text, &r) != nil {
		panic("station: a problem that JSON cannot hold")
	}
	return r
}

// networkReason words a failed connection without the address, which the user gave.
func networkReason(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return "no answer in time"
		}
		err = u.Err
	}
	if no := syscall.Errno(0); errors.As(err, &no) {
		return no.Error()
	}
	return err.Error()
}
