package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"

	"alike/internal/access"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// A caller is who makes a request.
type caller struct {
	actor   string // as the journal has it; empty while nobody has to sign in
	role    access.Role
	session line.Session // of a person
	secret  string       // of the session or the token
}

// What a request's context holds beside.
const (
	callerKey = "alike caller"
	nobodyKey = "alike nobody is registered" // for the page that asks to sign in
)

// callerOf returns who makes a request; the zero caller on a route that asks for nobody,
// or while nobody has to sign in.
func callerOf(c echo.Context) caller {
	k, _ := c.Get(callerKey).(caller)
	return k
}

// by says who makes a request: the person who is signed in, or the station by its
// token's name. While nobody has to sign in it is whoever works at this machine.
func by(c echo.Context) line.By {
	if k := callerOf(c); k.actor != "" {
		return line.By{Actor: k.actor, Origin: c.RealIP()}
	}
	return line.By{Actor: "station", Origin: c.RealIP()}
}

// person says who does something on a page: who is signed in, else the name that was
// given with it.
func person(c echo.Context) line.By {
	if callerOf(c).actor != "" {
		return by(c)
	}
	return line.By{Actor: strings.TrimSpace(c.FormValue("by")), Origin: c.RealIP()}
}

// named says who asks for something that needs a name: who is signed in. A name in the
// request counts only while nobody has to sign in.
func named(c echo.Context, name string) (line.By, error) {
	name = strings.TrimSpace(name)
	switch who := callerOf(c).actor; {
	case who != "" && name != "" && name != who:
		return line.By{}, fieldProblem("person", fmt.Sprintf("the request names %q and is made by %s", name, who), "leave the name out, or sign in under it")
	case who != "":
		return by(c), nil
	case name == "":
		return line.By{}, fieldProblem("person", "the request names no person", "give the name of who does this")
	}
	return line.By{Actor: name, Origin: c.RealIP()}, nil
}

// authorized lets a request through whose caller may do what its route does.
func (s *server) authorized(next echo.HandlerFunc) echo.HandlerFunc {
	next = plainForm(next)
	return func(c echo.Context) error {
		k, err := s.caller(c)
		if err != nil {
			return err
		}
		deed, known := routeDeed(c)
		switch {
		case k.actor == "" && deed != access.Own && deed != access.Admit: // nobody has to sign in
			return next(c)
		case k.actor == "":
			return s.unsigned(c)
		case !known:
			s.log.Error("the route stands in no table of deeds, hence nobody may use it", "method", c.Request().Method, "route", c.Path())
			return newProblem(http.StatusForbidden, "nobody may use this address yet", "tell who made this program")
		case !k.role.May(deed):
			return newProblem(http.StatusForbidden, fmt.Sprintf("%s has the role %s, which may not do this", k.actor, k.role), "ask an administrator of the workshop, or somebody whose task it is")
		}
		c.Set(callerKey, k)
		if k.role == access.Licensor && deed != access.Own { // what the table lets through by mistake, the database refuses
			c.SetRequest(c.Request().WithContext(store.AsLicensor(c.Request().Context())))
		}
		return next(c)
	}
}

// unsigned is the answer to who did not say who they are.
func (s *server) unsigned(c echo.Context) error {
	some, err := s.registered(c.Request().Context())
	if err != nil {
		return err
	}
	c.Set(nobodyKey, !some)
	c.Response().Header().Set(echo.HeaderWWWAuthenticate, `Bearer realm="alike"`)
	return newProblem(http.StatusUnauthorized, "the request says not who makes it, or no longer", "programs send the header Authorization: Bearer TOKEN with a token of their own; people sign in at /sign-in")
}

// caller finds out who makes a request. The zero caller stands for anybody, while nobody
// has to sign in.
func (s *server) caller(c echo.Context) (caller, error) {
	r := c.Request()
	ctx := r.Context()
	if given, ok := strings.CutPrefix(r.Header.Get(echo.HeaderAuthorization), "Bearer "); ok {
		b, err := s.Line.BearerOf(ctx, given, c.RealIP())
		if err == nil {
			return caller{actor: b.Actor, role: b.Role, secret: given}, nil
		} else if !errors.Is(err, store.ErrNotFound) {
			return caller{}, err
		}
	} else if secret := sessionSecret(r); secret != "" {
		session, err := s.Line.SessionOf(ctx, secret, !endless(c) && r.Header.Get(renewalHeader) == "")
		if err == nil {
			return caller{actor: session.Person, role: session.Role, session: session, secret: secret}, nil
		} else if !errors.Is(err, store.ErrNotFound) {
			return caller{}, err
		}
	}
	demanded, err := s.demandsSignIn(ctx)
	if err != nil || demanded {
		if err == nil {
			err = s.unsigned(c)
		}
		return caller{}, err
	}
	return caller{}, nil
}

// renewalHeader marks what a page asks for by itself: it does not keep a session from
// resting.
const renewalHeader = "X-Alike-Renewal"

// stillIn reports whether the caller of a long answer may still have it.
func (s *server) stillIn(c echo.Context) bool {
	k := callerOf(c)
	ctx := store.AsSite(c.Request().Context()) // sessions are the site's own
	var err error
	switch {
	case k.session.Person != "":
		_, err = s.Line.SessionOf(ctx, k.secret, false)
	case k.actor != "":
		_, err = s.Line.BearerOf(ctx, k.secret, c.RealIP())
	default:
		demanded, e := s.demandsSignIn(ctx)
		return e == nil && !demanded
	}
	return err == nil
}

// A demand remembers that somebody is registered: from then on that stays so.
type demand struct{ registered atomic.Bool }

// registered reports whether anybody ever was.
func (s *server) registered(ctx context.Context) (bool, error) {
	if s.demand.registered.Load() {
		return true, nil
	}
	some, err := s.Line.AnyPerson(ctx)
	if some {
		s.demand.registered.Store(true)
	}
	return some, err
}

// demandsSignIn reports whether everybody has to say who they are: at an address that
// other machines reach, when the server was told so, and once anybody is registered.
func (s *server) demandsSignIn(ctx context.Context) (bool, error) {
	if s.Demand || !Loopback(s.Listen) {
		return true, nil
	}
	return s.registered(ctx)
}
