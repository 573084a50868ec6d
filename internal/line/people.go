package line

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"alike/internal/access"
	"alike/internal/store"

	"golang.org/x/text/unicode/norm"
)

// How long one-time links are good.
const (
	FirstLinkLasts  = time.Hour
	InvitationLasts = 24 * time.Hour
)

// notPeople are names that the journal uses for what is nobody.
var notPeople = []string{"alike", "station", "demo", "unknown", "administrator"}

// stationActor is how the journal names what carries a token.
func stationActor(token string) string { return "station " + token }

// cleanName returns a person's or a token's name as it is stored.
func cleanName(field, name string) (string, error) {
	name = norm.NFC.String(strings.Join(strings.Fields(name), " "))
	odd := func(r rune) bool { return !unicode.IsPrint(r) || unicode.Is(unicode.Bidi_Control, r) }
	switch n := utf8.RuneCountInString(name); {
	case !utf8.ValidString(name) || strings.ContainsFunc(name, odd):
		return "", refuse(Invalid, field, "use letters, digits, blanks and plain signs", "the name holds signs that cannot be read")
	case n == 0 || n > 64:
		return "", refuse(Invalid, field, "give 1 to 64 characters", "the name has %d characters", n)
	case slices.Contains(notPeople, strings.ToLower(name)) || strings.HasPrefix(strings.ToLower(name), "station "):
		return "", refuse(Invalid, field, "use another one", "the journal uses the name %q for programs", name)
	}
	return name, nil
}

// AddPerson registers somebody under a role. They set their own password by the link
// that Invite makes.
func (l *Line) AddPerson(ctx context.Context, by By, name, role string) error {
	name, err := cleanName("name", name)
	if err != nil {
		return err
	}
	if err := checkRole(role); err != nil {
		return err
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error { return l.addPerson(ctx, s, by, name, role) })
}

func checkRole(role string) error {
	if !slices.Contains(access.PeopleRoles, access.Role(role)) {
		return refuse(Invalid, "role", "use "+listed(access.PeopleRoles), "%q is no role of people", role)
	}
	return nil
}

func listed(roles []access.Role) string {
	var out []string
	for _, r := range roles {
		out = append(out, string(r))
	}
	return strings.Join(out[:len(out)-1], ", ") + " or " + out[len(out)-1]
}

func (l *Line) addPerson(ctx context.Context, s store.Site, by By, name, role string) error {
	if err := s.LockPeople(ctx); err != nil {
		return err
	}
	all, err := s.People(ctx)
	if err != nil {
		return err
	}
	for _, p := range all { // the database may fold the case of fewer letters
		if samePerson(p.Person, name) {
			return refuse(Conflict, "name", "use another one; a closed account can be opened again", "%s is registered already", p.Person)
		}
	}
	if err := s.AddPerson(ctx, store.PersonRow{Person: name, Role: role, AddedBy: by.Actor, AddedAt: l.now()}); err != nil {
		return err
	}
	return l.journal(ctx, s, by, "add person", name, "", map[string]any{"role": role})
}

// person finds somebody by name.
func person(ctx context.Context, s store.Site, name string) (store.PersonRow, error) {
	p, err := s.Person(ctx, name)
	if errors.Is(err, store.ErrNotFound) {
		return p, refuse(Missing, "name", "see who is: alike people list", "nobody is registered as %q", name)
	}
	return p, err
}

// A PersonChange is another role, or an account closed or opened again.
type PersonChange struct {
	Role   string // empty: as it is
	Closed *bool  // nil: as it is
	Reason string
}

// ChangePerson changes what somebody may do. Their sessions end. The last administrator
// stays one.
func (l *Line) ChangePerson(ctx context.Context, by By, name string, c PersonChange) error {
	if c.Role != "" {
		if err := checkRole(c.Role); err != nil {
			return err
		}
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if err := s.LockPeople(ctx); err != nil {
			return err
		}
		p, err := person(ctx, s, name)
		if err != nil {
			return err
		}
		deed, role, closed := "change role", p.Role, p.ClosedAt
		if c.Role != "" {
			role = c.Role
		}
		switch {
		case c.Closed == nil:
		case *c.Closed && p.ClosedAt == nil:
			at := l.now()
			deed, closed = "close person", &at
		case !*c.Closed:
			deed, closed = "open person again", nil
		}
		if role == p.Role && (closed == nil) == (p.ClosedAt == nil) {
			return refuse(Conflict, "name", "there is nothing to do", "%s has this role and state already", p.Person)
		}
		if err := s.ChangePerson(ctx, p.Person, role, closed); err != nil {
			return err
		}
		if err := l.stillAdministered(ctx, s, p); err != nil {
			return err
		}
		if err := errors.Join(s.EndSessions(ctx, p.Person), s.EndInvitations(ctx, p.Person)); err != nil {
			return err
		}
		return l.journal(ctx, s, by, deed, p.Person, c.Reason, map[string]any{"was": p.Role, "role": role, "closed": closed != nil})
	})
}

// stillAdministered refuses a change of a person that would leave nobody who could
// change anything.
func (l *Line) stillAdministered(ctx context.Context, s store.Site, was store.PersonRow) error {
	if was.Role != string(access.Administrator) || was.ClosedAt != nil {
		return nil
	}
	n, err := s.Administrators(ctx)
	if err == nil && n == 0 {
		err = refuse(Conflict, "name", "make somebody else administrator first", "%s is the only administrator who can sign in", was.Person)
	}
	return err
}

// Invite makes a link by which a person sets a password, once. Earlier links of that
// person end.
func (l *Line) Invite(ctx context.Context, by By, name string) (link string, ends time.Time, err error) {
	link, ends = access.NewLink(), l.now().Add(InvitationLasts)
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		p, err := person(ctx, s, name)
		if err != nil {
			return err
		}
		if p.ClosedAt != nil {
			return refuse(Conflict, "name", "open the account again first", "the account of %s is closed", p.Person)
		}
		if err := s.AddInvitation(ctx, access.Mark(link), p.Person, l.now(), ends); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "invite person", p.Person, "", nil)
	})
	return link, ends, err
}

// FirstLink makes the link for the first administrator, and "" when there is one. Earlier
// ones end. It is for whoever starts the server, and is printed there only.
func (l *Line) FirstLink(ctx context.Context) (link string, err error) {
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		n, err := s.Administrators(ctx)
		if err != nil || n > 0 {
			return err
		}
		link = access.NewLink()
		return s.AddInvitation(ctx, access.Mark(link), "", l.now(), l.now().Add(FirstLinkLasts))
	})
	return link, err
}

// errLink is a link that opens nothing, whatever the cause.
func errLink() error {
	return refuse(Missing, "link", "ask for a new one; a link for the first administrator is printed when the server starts", "this link was used already, has run out, or never was one")
}

// Invited returns for whom a link is; an empty name is the first administrator to be.
func (l *Line) Invited(ctx context.Context, link string) (name string, err error) {
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		name, err = s.Invitation(ctx, access.Mark(link), l.now())
		return err
	})
	if errors.Is(err, store.ErrNotFound) {
		err = errLink()
	}
	return name, err
}

// Accept sets a password by a link, which ends, and signs its person in. name is asked
// for by the first administrator's link only.
func (l *Line) Accept(ctx context.Context, origin, link, name, password string) (Session, error) {
	first, err := l.Invited(ctx, link)
	if err != nil {
		return Session{}, err
	}
	if first != "" {
		name = first
	}
	if name, err = cleanName("name", name); err != nil {
		return Session{}, err
	}
	hash, err := l.newHash(ctx, name, password)
	if err != nil {
		return Session{}, err
	}
	var out Session
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if err := s.LockPeople(ctx); err != nil {
			return err
		}
		invited, err := s.Invitation(ctx, access.Mark(link), l.now())
		if errors.Is(err, store.ErrNotFound) || err == nil && invited != first {
			return errLink()
		} else if err != nil {
			return err
		}
		by := By{Actor: name, Origin: origin}
		if invited == "" {
			if err := l.firstAdministrator(ctx, s, by, name); err != nil {
				return err
			}
		}
		p, err := person(ctx, s, name)
		if err != nil {
			return err
		}
		by.Actor = p.Person
		if err := s.EndInvitations(ctx, invited); err != nil {
			return err
		}
		out, err = l.setPassword(ctx, s, by, p, hash, "set password")
		return err
	})
	return out, err
}

// firstAdministrator registers who has the first link. After a restore, which brings no
// passwords, it may be an administrator who was there before.
func (l *Line) firstAdministrator(ctx context.Context, s store.Site, by By, name string) error {
	n, err := s.Administrators(ctx)
	if err != nil {
		return err
	}
	if n > 0 {
		return errLink()
	}
	p, err := s.Person(ctx, name)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return l.addPerson(ctx, s, by, name, string(access.Administrator))
	case err != nil:
		return err
	case p.Role != string(access.Administrator) || p.ClosedAt != nil:
		return refuse(Conflict, "name", "give the name of an administrator, or a new one", "%s is registered and is no administrator with an open account", p.Person)
	}
	return nil
}

// newHash refuses weak passwords and hashes the others.
func (l *Line) newHash(ctx context.Context, name, password string) (string, error) {
	password = norm.NFKC.String(password)
	var weak *access.Weakness
	if err := access.CheckPassword(password, name, l.site); errors.As(err, &weak) {
		return "", &Refusal{Invalid, "password", weak.Reason, weak.Remedy}
	}
	return access.HashPassword(ctx, password)
}

// setPassword stores a new password, ends all sessions of its person and begins one.
func (l *Line) setPassword(ctx context.Context, s store.Site, by By, p store.PersonRow, hash, deed string) (Session, error) {
	err := errors.Join(
		s.SetPassword(ctx, p.Person, hash, access.Mark(hash), l.now()),
		s.EndSessions(ctx, p.Person),
		s.ForgetTries(ctx, triesName(p.Person)))
	if err != nil {
		return Session{}, err
	}
	session, err := l.begin(ctx, s, by, p)
	if err != nil {
		return Session{}, err
	}
	return session, l.journal(ctx, s, by, deed, p.Person, "", nil)
}

// plainName is a name as it was typed, in the form in which names are stored.
func plainName(name string) string {
	name = strings.ReplaceAll(strings.ToValidUTF8(name, "?"), "\x00", "?")
	return norm.NFC.String(strings.Join(strings.Fields(name), " "))
}

// triesName is the name under which tries are counted.
func triesName(name string) string {
	r := []rune(strings.ToLower(plainName(name)))
	return string(r[:min(len(r), 64)])
}
