package api

import (
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"strings"

	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// authorized lets a request through that carries the server's token or comes from a
// browser that was given it, or any when the server has none (which New allows on
// loopback only).
func (s *server) authorized(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.Token == "" || s.carriesToken(c.Request()) || s.signedIn(c.Request()) {
			return next(c)
		}
		c.Response().Header().Set(echo.HeaderWWWAuthenticate, `Bearer realm="alike"`)
		return newProblem(http.StatusUnauthorized, "the request carries no token, or another one", "send the header Authorization: Bearer TOKEN")
	}
}

func (s *server) carriesToken(r *http.Request) bool {
	given, ok := strings.CutPrefix(r.Header.Get(echo.HeaderAuthorization), "Bearer ")
	// Hashes have one length, so that the time of the comparison tells nothing.
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(s.Token))
	return ok && subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// by says who makes a request: until people sign in, the address it comes from.
func by(c echo.Context) line.By {
	return line.By{Actor: "station", Origin: c.RealIP()}
}
