package api

import (
	"bytes"
	"errors"
	"net/http"
	"time"

	"alike/api/pages"
	"alike/internal/access"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// accountBody is what the page of one's own account shows.
type accountBody struct {
	Role        access.Role
	Admits      bool
	Changed     bool
	Wrong       string // why the password was not changed
	Least, Most int
	Sessions    []sessionLine
}

type sessionLine struct {
	Opened, Seen time.Time
	Origin       string
	Here         bool
}

func (s *server) accountPage(c echo.Context) error {
	return s.showAccount(c, http.StatusOK, accountBody{Changed: c.QueryParam("changed") != ""})
}

func (s *server) showAccount(c echo.Context, status int, b accountBody) error {
	ctx := c.Request().Context()
	k := callerOf(c)
	rows, err := s.Line.SessionsOf(ctx, k.session.Person)
	if err != nil {
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	for _, r := range rows {
		b.Sessions = append(b.Sessions, sessionLine{r.OpenedAt.In(zone), r.SeenAt.In(zone), r.Origin, bytes.Equal(r.Session, k.session.Mark)})
	}
	b.Role, b.Admits, b.Least, b.Most = k.role, k.role.May(access.Admit), access.LeastPassword, access.MostPassword
	return s.show(c, status, "account", pages.View{Title: k.actor, Here: "/account", Body: b})
}

func (s *server) changePassword(c echo.Context) error {
	k := callerOf(c)
	if c.FormValue("password") != c.FormValue("again") {
		return s.showAccount(c, http.StatusUnprocessableEntity, accountBody{Wrong: "the new password was typed in two ways; type it twice the same"})
	}
	session, err := s.Line.ChangePassword(c.Request().Context(), by(c), k.session.Person, c.FormValue("present"), c.FormValue("password"))
	var no *line.NotSignedIn
	var refusal *line.Refusal
	switch {
	case errors.As(err, &no):
		s.refusedSignIn(c, no)
		text := "the present password is another one"
		if !no.Until.IsZero() {
			text = no.Error()
		}
		return s.showAccount(c, http.StatusUnprocessableEntity, accountBody{Wrong: text})
	case errors.As(err, &refusal):
		return s.showAccount(c, http.StatusUnprocessableEntity, accountBody{Wrong: refusal.Reason + "; " + refusal.Remedy})
	case err != nil:
		return err
	}
	hold(c, session)
	return c.Redirect(http.StatusSeeOther, "/account?changed=1")
}

// welcomeForm is what the page behind a one-time link shows.
type welcomeForm struct {
	Person      string // empty for the first administrator to be
	Name        string // typed
	Wrong       string
	Least, Most int
}

func (s *server) welcomePage(c echo.Context) error {
	return s.welcome(c, http.StatusOK, welcomeForm{})
}

func (s *server) welcome(c echo.Context, status int, f welcomeForm) error {
	who, err := s.Line.Invited(c.Request().Context(), c.Param("link"))
	if err != nil {
		return err
	}
	f.Person, f.Least, f.Most = who, access.LeastPassword, access.MostPassword
	return s.write(c, status, "welcome", pages.View{Title: "Welcome", Bare: true, Body: f})
}

// accept sets the first password of a person, or another one after it was forgotten.
func (s *server) accept(c echo.Context) error {
	f := welcomeForm{Name: c.FormValue("name")}
	if c.FormValue("password") != c.FormValue("again") {
		f.Wrong = "the password was typed in two ways; type it twice the same"
		return s.welcome(c, http.StatusUnprocessableEntity, f)
	}
	session, err := s.Line.Accept(c.Request().Context(), c.RealIP(), c.Param("link"), f.Name, c.FormValue("password"))
	var refusal *line.Refusal
	if errors.As(err, &refusal) && refusal.Field != "link" {
		f.Wrong = refusal.Reason + "; " + refusal.Remedy
		return s.welcome(c, http.StatusUnprocessableEntity, f)
	} else if err != nil {
		return err
	}
	s.demand.registered.Store(true)
	s.leave(c)
	hold(c, session)
	return c.Redirect(http.StatusSeeOther, "/account?changed=1")
}
