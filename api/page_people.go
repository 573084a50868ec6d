package api

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/access"
	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// peopleBody is what the page of people and tokens shows.
type peopleBody struct {
	People     []personLine
	Tokens     []tokenLine
	Roles      []access.Role
	TokenRoles []access.Role
	Done       string // what was done just now
	Wrong      string // what was not, and why
	Link       string // one-time link, shown once
	Secret     string // token, shown once
	For        string // whose link or token
	Ends       time.Time
}

type personLine struct {
	Name, Role, AddedBy string
	Added, Closed       time.Time
	Password            bool
}

type tokenLine struct {
	Name, Role, AddedBy, RevokedBy, From string
	Added, Revoked, Used                 time.Time
}

func (s *server) peoplePage(c echo.Context) error {
	return s.showPeople(c, http.StatusOK, peopleBody{})
}

func (s *server) showPeople(c echo.Context, status int, b peopleBody) error {
	ctx := c.Request().Context()
	people, err := s.Line.People(ctx)
	if err != nil {
		return err
	}
	tokens, err := s.Line.Tokens(ctx)
	if err != nil {
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	at := func(t *time.Time) time.Time {
		if t == nil {
			return time.Time{}
		}
		return t.In(zone)
	}
	for _, p := range people {
		b.People = append(b.People, personLine{p.Person, p.Role, p.AddedBy, p.AddedAt.In(zone), at(p.ClosedAt), p.SecretAt != nil})
	}
	for _, t := range tokens {
		row := tokenLine{t.Token, t.Role, t.AddedBy, "", t.UsedFrom, t.AddedAt.In(zone), at(t.RevokedAt), at(t.UsedAt)}
		if t.RevokedBy != nil {
			row.RevokedBy = *t.RevokedBy
		}
		b.Tokens = append(b.Tokens, row)
	}
	b.Roles, b.TokenRoles, b.Ends = access.PeopleRoles, access.TokenRoles, b.Ends.In(zone)
	return s.show(c, status, "people", pages.View{Title: "People and tokens", Here: "/people", Body: b})
}

// showRefused shows the page with a refusal on it, and returns every other error.
func (s *server) showRefused(c echo.Context, err error) error {
	var refusal *line.Refusal
	if !errors.As(err, &refusal) {
		return err
	}
	return s.showPeople(c, statuses[refusal.Kind], peopleBody{Wrong: refusal.Reason + "; " + refusal.Remedy})
}

func (s *server) addPerson(c echo.Context) error {
	name := strings.TrimSpace(c.FormValue("name"))
	if err := s.Line.AddPerson(c.Request().Context(), by(c), name, c.FormValue("role")); err != nil {
		return s.showRefused(c, err)
	}
	return s.showLink(c, name)
}

func (s *server) newLink(c echo.Context) error { return s.showLink(c, c.FormValue("name")) }

// showLink makes a one-time link and shows it, this once.
func (s *server) showLink(c echo.Context, name string) error {
	link, ends, err := s.Line.Invite(c.Request().Context(), by(c), name)
	if err != nil {
		return s.showRefused(c, err)
	}
	scheme := "http"
	if encrypted(c) {
		scheme = "https"
	}
	return s.showPeople(c, http.StatusOK, peopleBody{For: name, Link: scheme + "://" + c.Request().Host + "/welcome/" + link, Ends: ends})
}

func (s *server) changePerson(c echo.Context) error {
	name := c.FormValue("name")
	change := line.PersonChange{Reason: strings.TrimSpace(c.FormValue("reason"))}
	done := "The role of " + name + " is changed, and all their sessions have ended."
	switch c.FormValue("do") {
	case "role":
		change.Role = c.FormValue("role")
	case "close":
		change.Closed, done = new(bool), "The account of "+name+" is closed."
		*change.Closed = true
	case "open":
		change.Closed, done = new(bool), "The account of "+name+" is open again."
	default:
		return newProblem(http.StatusUnprocessableEntity, "the form does not say what to do", "use the buttons of the page")
	}
	if err := s.Line.ChangePerson(c.Request().Context(), by(c), name, change); err != nil {
		return s.showRefused(c, err)
	}
	if strings.EqualFold(name, callerOf(c).session.Person) { // that ended this session too
		release(c)
		return c.Redirect(http.StatusSeeOther, "/sign-in")
	}
	return s.showPeople(c, http.StatusOK, peopleBody{Done: done})
}

func (s *server) addToken(c echo.Context) error {
	name := strings.TrimSpace(c.FormValue("name"))
	secret, err := s.Line.AddToken(c.Request().Context(), by(c), name, c.FormValue("role"))
	if err != nil {
		return s.showRefused(c, err)
	}
	return s.showPeople(c, http.StatusOK, peopleBody{For: name, Secret: secret})
}

func (s *server) revokeToken(c echo.Context) error {
	name := c.FormValue("name")
	if err := s.Line.RevokeToken(c.Request().Context(), by(c), name, strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.showRefused(c, err)
	}
	return s.showPeople(c, http.StatusOK, peopleBody{Done: "The token " + name + " is revoked: what carries it is refused from now on."})
}
