package line

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"alike/internal/access"
	"alike/internal/store"

	"golang.org/x/text/unicode/norm"
)

// Sign-in, after OWASP ASVS 4: 2.2.1 allows at most a hundred wrong passwords in an
// hour, 3.3.2 half an hour of rest and twelve hours in all.
const (
	MostTries     = 10
	LockLasts     = 15 * time.Minute
	SessionRests  = 30 * time.Minute
	SessionLasts  = 12 * time.Hour
	seenToWithin  = time.Minute
	usedToWithin  = time.Minute
	mostNameBytes = 1024
)

// A Session is one browser in which a person has signed in.
type Session struct {
	Secret string // what the browser holds; only known when it begins
	Person string
	Role   access.Role
	Mark   []byte
	Ends   time.Time
}

// NotSignedIn says why a sign-in did not succeed: the name and the password do not belong
// together, or nobody may sign in under that name for a while. It does not tell whether
// there is such a name.
type NotSignedIn struct {
	Until   time.Time // locked until then; zero when it is not
	Left    int       // tries that are left until then
	Altered bool      // the stored password is not the one that was set here
}

func (e *NotSignedIn) Error() string {
	if !e.Until.IsZero() {
		return fmt.Sprintf("after %d wrong passwords nobody can sign in under this name until %s", MostTries, e.Until.UTC().Format("15:04 UTC"))
	}
	return "name and password do not belong together"
}

// SignIn begins a session for who knows the password of a name.
func (l *Line) SignIn(ctx context.Context, origin, name, password string) (Session, error) {
	p, err := l.prove(ctx, origin, name, password)
	if err != nil {
		return Session{}, err
	}
	var out Session
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		by := By{Actor: p.Person, Origin: origin}
		if out, err = l.begin(ctx, s, by, p); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "sign in", p.Person, "", nil)
	})
	return out, err
}

// prove returns the person whose password was given, or *NotSignedIn. Each try is
// counted before the password is looked at.
func (l *Line) prove(ctx context.Context, origin, name, password string) (p store.PersonRow, err error) {
	name = name[:min(len(name), mostNameBytes)]
	key := triesName(name)
	var before store.TriesRow
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if before, err = s.CountTry(ctx, key, l.now()); err != nil {
			return err
		}
		if u := before.LockedUntil; u != nil && !u.After(l.now()) { // the lock is over: count anew
			if err := s.ForgetTries(ctx, key); err != nil {
				return err
			}
			if before, err = s.CountTry(ctx, key, l.now()); err != nil {
				return err
			}
		}
		if before.LockedUntil == nil && before.Tries+1 >= MostTries { // a right password forgets it again
			return s.LockName(ctx, key, l.now().Add(LockLasts))
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	if before.LockedUntil != nil {
		return p, &NotSignedIn{Until: *before.LockedUntil}
	}
	read := l.db.Site(l.site)
	hash, known := "", false
	if p, err = read.Person(ctx, plainName(name)); err == nil {
		known = true
		if p.ClosedAt == nil {
			hash, err = read.PasswordHash(ctx, p.Person)
		}
	}
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return p, err
	}
	no := &NotSignedIn{Left: MostTries - before.Tries - 1}
	if hash != "" && !bytes.Equal(access.Mark(hash), p.SecretMark) {
		hash, no.Altered = "", true
	}
	if len(password) > 4*access.MostPassword {
		hash = "" // it cannot be right, and shall take as long
		password = password[:access.MostPassword]
	}
	same, err := access.SamePassword(ctx, hash, norm.NFKC.String(password))
	if err != nil {
		return p, err
	}
	if same {
		return p, l.db.InSite(ctx, l.site, func(s store.Site) error { return s.ForgetTries(ctx, key) })
	}
	if no.Left == 0 {
		no.Until = l.now().Add(LockLasts)
		if known { // an unknown name may be a password in the wrong field: it is not written down
			if err := l.noteLock(ctx, By{Actor: "alike", Origin: origin}, p.Person); err != nil {
				return p, err
			}
		}
	}
	return p, no
}

func (l *Line) noteLock(ctx context.Context, by By, name string) error {
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		return l.journal(ctx, s, by, "lock sign-in", name, fmt.Sprintf("%d wrong passwords in a row", MostTries), map[string]any{"minutes": LockLasts.Minutes()})
	})
}

// begin stores a session.
func (l *Line) begin(ctx context.Context, s store.Site, by By, p store.PersonRow) (Session, error) {
	out := Session{Secret: access.NewSession(), Person: p.Person, Role: access.Role(p.Role), Ends: l.now().Add(SessionLasts)}
	out.Mark = access.Mark(out.Secret)
	return out, s.AddSession(ctx, store.SessionRow{Session: out.Mark, Person: p.Person, OpenedAt: l.now(), EndsAt: out.Ends, Origin: by.Origin})
}

// SessionOf returns the session that a browser holds, or store.ErrNotFound. busy says
// that a person does something: the session rests from then.
func (l *Line) SessionOf(ctx context.Context, secret string, busy bool) (Session, error) {
	s := l.db.Site(l.site)
	r, err := s.Session(ctx, access.Mark(secret), l.now(), l.now().Add(-SessionRests))
	if err != nil {
		return Session{}, err
	}
	if busy && l.now().Sub(r.SeenAt) > seenToWithin {
		err = s.SeeSession(ctx, r.Session, l.now())
	}
	return Session{Person: r.Person, Role: access.Role(r.Role), Mark: r.Session, Ends: r.EndsAt}, err
}

// SessionsOf lists where a person is signed in.
func (l *Line) SessionsOf(ctx context.Context, person string) ([]store.SessionRow, error) {
	return l.db.Site(l.site).SessionsOf(ctx, person, l.now(), l.now().Add(-SessionRests))
}

// SignOut ends a session, or with everywhere all of its person.
func (l *Line) SignOut(ctx context.Context, by By, session Session, everywhere bool) error {
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if !everywhere {
			return s.EndSession(ctx, session.Mark)
		}
		if err := s.EndSessions(ctx, session.Person); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "sign out everywhere", session.Person, "", nil)
	})
}

// ChangePassword sets another password for who knows the present one. All sessions of
// the person end; the one returned is new.
func (l *Line) ChangePassword(ctx context.Context, by By, name, present, password string) (Session, error) {
	p, err := l.prove(ctx, by.Origin, name, present)
	if err != nil {
		return Session{}, err
	}
	if norm.NFKC.String(present) == norm.NFKC.String(password) {
		return Session{}, refuse(Invalid, "password", "choose another one", "the new password is the present one")
	}
	hash, err := l.newHash(ctx, p.Person, password)
	if err != nil {
		return Session{}, err
	}
	var out Session
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		out, err = l.setPassword(ctx, s, by, p, hash, "change password")
		return err
	})
	return out, err
}
