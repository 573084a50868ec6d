package api

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"

	"alike/api/pages"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
	"golang.org/x/time/rate"
)

// passCookie says that a browser was given the token. Its value is made from the
// token and tells nothing of it; another token makes it worthless.
const passCookie = "alike-pass"

func (s *server) pass() string {
	m := hmac.New(sha256.New, []byte(s.Token))
	m.Write([]byte("pass for a browser"))
	return hex.EncodeToString(m.Sum(nil))
}

func (s *server) signedIn(r *http.Request) bool {
	cookie, err := r.Cookie(passCookie)
	return err == nil && hmac.Equal([]byte(cookie.Value), []byte(s.pass()))
}

type enterForm struct {
	Next  string
	Wrong bool
}

func (s *server) enterPage(c echo.Context) error {
	if s.Token == "" {
		return c.Redirect(http.StatusSeeOther, "/")
	}
	return s.write(c, http.StatusOK, "enter", pages.View{Title: "Enter", Bare: true, Body: enterForm{Next: localPath(c.QueryParam("next"))}})
}

// enter gives a browser its pass for the token.
func (s *server) enter(c echo.Context) error {
	next := localPath(c.FormValue("next"))
	if s.Token != "" {
		given := sha256.Sum256([]byte(c.FormValue("token")))
		want := sha256.Sum256([]byte(s.Token))
		if !hmac.Equal(given[:], want[:]) {
			return s.write(c, http.StatusUnauthorized, "enter", pages.View{Title: "Enter", Bare: true, Body: enterForm{Next: next, Wrong: true}})
		}
		c.SetCookie(&http.Cookie{
			Name: passCookie, Value: s.pass(), Path: "/", HttpOnly: true, Secure: c.IsTLS(), SameSite: http.SameSiteLaxMode,
		})
	}
	return c.Redirect(http.StatusSeeOther, next)
}

// slowGuessing lets one address try a token now and then.
func (s *server) slowGuessing() echo.MiddlewareFunc {
	return middleware.RateLimiterWithConfig(middleware.RateLimiterConfig{
		Store:               middleware.NewRateLimiterMemoryStoreWithConfig(middleware.RateLimiterMemoryStoreConfig{Rate: rate.Limit(0.5), Burst: 10}),
		IdentifierExtractor: func(c echo.Context) (string, error) { return c.RealIP(), nil },
		DenyHandler: func(echo.Context, string, error) error {
			return newProblem(http.StatusTooManyRequests, "too many tokens were tried from this address", "wait a minute")
		},
	})
}

// localPath returns an address below this server, "/" for any other.
func localPath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n") {
		return "/"
	}
	return p
}
