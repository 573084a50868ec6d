package api

import (
	"context"
	"errors"
	"net/http"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// A Problem is an error answer after RFC 9457, with the field at fault and the
// remedy as extensions.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	Field  string `json:"field,omitempty"`
	Remedy string `json:"remedy,omitempty"`
	// Takes and Units are present when a request with several takes was accepted in
	// part: what was stored is stored.
	Takes []TakeResult `json:"takes,omitempty"`
	Units []UnitResult `json:"units,omitempty"`
}

func (p *Problem) Error() string { return p.Title + ": " + p.Detail }

// statuses is the one table from a refusal's kind to its status.
var statuses = map[line.Kind]int{
	line.Invalid:  http.StatusUnprocessableEntity,
	line.Conflict: http.StatusConflict,
	line.Missing:  http.StatusNotFound,
}

// problem turns any error into an answer. What is not known stays inside: the
// answer says that it is our fault, the log says what.
func problem(err error) *Problem {
	var p *Problem
	var refusal *line.Refusal
	var web *echo.HTTPError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &refusal):
		return fromRefusal(refusal)
	case errors.Is(err, store.ErrNotFound):
		return newProblem(http.StatusNotFound, "there is nothing at this address", "")
	case errors.Is(err, store.ErrForbidden):
		return newProblem(http.StatusForbidden, "the database does not let your role do this", "ask an administrator of the workshop, or somebody whose task it is")
	case errors.Is(err, store.ErrText):
		return newProblem(http.StatusUnprocessableEntity, "a text holds bytes that are no text in UTF-8, or U+0000", "type it anew")
	case errors.Is(err, store.ErrUnavailable):
		return newProblem(http.StatusServiceUnavailable, "the database does not answer", "try again in a moment; the same request again is safe")
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return newProblem(http.StatusServiceUnavailable, "the request took too long or was given up", "try again; the same request again is safe")
	case errors.As(err, &web):
		return fromWeb(web)
	}
	return newProblem(http.StatusInternalServerError, "the server met an error of its own", "the server's log says more under the request id of this answer")
}

func newProblem(status int, detail, remedy string) *Problem {
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Remedy: remedy}
}

func fromRefusal(r *line.Refusal) *Problem {
	p := newProblem(statuses[r.Kind], r.Reason, r.Remedy)
	p.Field = r.Field
	return p
}

// fromWeb words the errors that the router and its guards make.
func fromWeb(e *echo.HTTPError) *Problem {
	switch e.Code {
	case http.StatusNotFound:
		return newProblem(e.Code, "there is nothing at this address", "check it; what programs can ask is in /api/v1/openapi.json")
	case http.StatusMethodNotAllowed:
		return newProblem(e.Code, "this address does not take the request's method", "see /api/v1/openapi.json")
	case http.StatusRequestEntityTooLarge:
		return newProblem(e.Code, "the request is larger than "+bodyLimit, "send fewer takes at a time")
	}
	return newProblem(e.Code, http.StatusText(e.Code), "")
}

// wholeKey holds the request's context without the time limit of its answer.
const wholeKey = "whole"

func keepWhole(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		c.Set(wholeKey, c.Request().Context())
		return next(c)
	}
}

// gone reports whether the client has left: nobody hears the answer.
func gone(c echo.Context) bool {
	whole, ok := c.Get(wholeKey).(context.Context)
	return ok && whole.Err() != nil
}

// answerProblem is the server's error handler. A browser that closes a tab, or goes on
// before a page came, is no fault of the server's.
func (s *server) answerProblem(err error, c echo.Context) {
	p := problem(err)
	if p.Status >= 500 && !gone(c) {
		s.log.Error("request failed", "path", c.Request().URL.Path, "id", requestID(c), "error", err)
	}
	if c.Response().Committed {
		return
	}
	if forPeople(c.Request()) {
		s.problemPage(c, p)
		return
	}
	c.Response().Header().Set(echo.HeaderContentType, "application/problem+json")
	c.Response().WriteHeader(p.Status)
	if c.Request().Method != http.MethodHead {
		_ = c.Echo().JSONSerializer.Serialize(c, p, "  ")
	}
}

func requestID(c echo.Context) string { return c.Response().Header().Get(echo.HeaderXRequestID) }
