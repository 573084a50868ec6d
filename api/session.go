package api

import (
	"errors"
	"net/http"
	"strings"
	"time"
	"unicode"

	"alike/api/pages"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
	"golang.org/x/time/rate"
)

// Names of the cookie that holds a session. A browser takes the first only over TLS, for
// this host and no other.
const (
	safeCookie  = "__Host-alike"
	plainCookie = "alike-session"
)

func sessionSecret(r *http.Request) string {
	for _, name := range []string{safeCookie, plainCookie} {
		if c, err := r.Cookie(name); err == nil {
			return c.Value
		}
	}
	return ""
}

// encrypted reports whether the browser's side of a request is encrypted. A proxy in
// front says so; whoever says it wrongly only keeps their own cookie from themselves.
func encrypted(c echo.Context) bool {
	return c.IsTLS() || c.Request().Header.Get(echo.HeaderXForwardedProto) == "https"
}

// hold gives a session to the browser, until the browser is closed.
func hold(c echo.Context, session line.Session) {
	k := &http.Cookie{Name: plainCookie, Value: session.Secret, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode}
	if encrypted(c) {
		k.Name, k.Secure = safeCookie, true
	}
	c.SetCookie(k)
}

// release takes the session from the browser.
func release(c echo.Context) {
	for _, name := range []string{safeCookie, plainCookie} {
		c.SetCookie(&http.Cookie{Name: name, Path: "/", HttpOnly: true, Secure: name == safeCookie, SameSite: http.SameSiteLaxMode, MaxAge: -1})
	}
}

// signInForm is what the page of sign-in shows.
type signInForm struct {
	Next, Name string
	Wrong      bool      // name and password do not belong together
	Left       int       // tries left, told when they become few
	Until      time.Time // nobody can sign in under the name until then
	Nobody     bool      // nobody is registered yet
	Minutes    int       // of rest after which one signs in again
	Hours      int
}

// fewTries is from where on the page tells how many tries are left.
const fewTries = 5

func (s *server) signInPage(c echo.Context) error {
	if k, err := s.caller(c); err == nil {
		if k.session.Person != "" || k.actor == "" {
			return c.Redirect(http.StatusSeeOther, localPath(c.QueryParam("next")))
		}
	}
	some, err := s.registered(c.Request().Context())
	if err != nil {
		return err
	}
	c.Set(nobodyKey, !some)
	return s.askToSignIn(c, http.StatusOK, signInForm{Next: localPath(c.QueryParam("next"))})
}

// askToSignIn shows the form. It says nothing of the workshop, and asks the database
// nothing.
func (s *server) askToSignIn(c echo.Context, status int, f signInForm) error {
	f.Nobody, _ = c.Get(nobodyKey).(bool)
	f.Minutes, f.Hours = int(line.SessionRests.Minutes()), int(line.SessionLasts.Hours())
	return s.write(c, status, "signin", pages.View{Title: "Sign in", Bare: true, Body: f})
}

func (s *server) signIn(c echo.Context) error {
	f := signInForm{Next: localPath(c.FormValue("next")), Name: strings.TrimSpace(c.FormValue("name"))}
	session, err := s.Line.SignIn(c.Request().Context(), c.RealIP(), f.Name, c.FormValue("password"))
	var no *line.NotSignedIn
	if errors.As(err, &no) {
		s.refusedSignIn(c, no)
		f.Wrong, f.Until = no.Until.IsZero(), no.Until
		if no.Left <= fewTries {
			f.Left = no.Left
		}
		return s.askToSignIn(c, http.StatusUnauthorized, f)
	} else if err != nil {
		return err
	}
	s.log.Info("signed in", "person", session.Person, "from", c.RealIP())
	s.leave(c) // whoever was signed in here before
	hold(c, session)
	return c.Redirect(http.StatusSeeOther, f.Next)
}

// refusedSignIn writes to the log what the journal does not hold. The name stays out of
// it: it may be a password in the wrong field.
func (s *server) refusedSignIn(c echo.Context, no *line.NotSignedIn) {
	s.log.Warn("sign-in refused", "from", c.RealIP(), "locked", !no.Until.IsZero(), "id", requestID(c))
	if no.Altered {
		s.log.Error("a stored password is not the one that was set here: somebody wrote into the table of passwords", "id", requestID(c))
	}
}

// leave ends the session that the browser holds, if any.
func (s *server) leave(c echo.Context) {
	if secret := sessionSecret(c.Request()); secret != "" {
		if old, err := s.Line.SessionOf(c.Request().Context(), secret, false); err == nil {
			if err := s.Line.SignOut(c.Request().Context(), line.By{Actor: old.Person, Origin: c.RealIP()}, old, false); err != nil {
				s.log.Warn("an earlier session was not ended", "error", err)
			}
		}
	}
}

func (s *server) signOut(c echo.Context) error {
	return s.endSessions(c, false)
}

func (s *server) signOutEverywhere(c echo.Context) error {
	return s.endSessions(c, true)
}

func (s *server) endSessions(c echo.Context, everywhere bool) error {
	k := callerOf(c)
	if err := s.Line.SignOut(c.Request().Context(), by(c), k.session, everywhere); err != nil {
		return err
	}
	release(c)
	return c.Redirect(http.StatusSeeOther, "/sign-in")
}

// slowGuessing lets one address try a password or a link now and then.
func (s *server) slowGuessing() echo.MiddlewareFunc {
	return middleware.RateLimiterWithConfig(middleware.RateLimiterConfig{
		Store:               middleware.NewRateLimiterMemoryStoreWithConfig(middleware.RateLimiterMemoryStoreConfig{Rate: rate.Limit(0.5), Burst: guessesAtOnce}),
		IdentifierExtractor: func(c echo.Context) (string, error) { return c.RealIP(), nil },
		DenyHandler: func(c echo.Context, _ string, _ error) error {
			c.Response().Header().Set("Retry-After", "60")
			return newProblem(http.StatusTooManyRequests, "too much was tried from this address", "wait a minute")
		},
	})
}

// guessesAtOnce is how often one address may try before it has to wait two seconds for
// each try; more than line.MostTries, so that a lock is told as what it is.
const guessesAtOnce = 2 * line.MostTries

// localPath returns an address below this server, "/" for any other.
func localPath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsFunc(p, func(r rune) bool { return r == '\\' || unicode.IsControl(r) }) {
		return "/"
	}
	return p
}
