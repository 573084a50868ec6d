package line

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"unicode/utf8"

	"alike/internal/access"
	"alike/internal/store"
)

// AddToken makes a token under a name and returns it: it is shown once, only its hash is
// stored.
func (l *Line) AddToken(ctx context.Context, by By, name, role string) (secret string, err error) {
	secret = access.NewToken()
	return secret, l.addToken(ctx, by, name, role, secret)
}

func (l *Line) addToken(ctx context.Context, by By, name, role, secret string) error {
	name, err := cleanName("name", name)
	if err != nil {
		return err
	}
	if !slices.Contains(access.TokenRoles, access.Role(role)) {
		return refuse(Invalid, "role", "use "+listed(access.TokenRoles), "%q is no role of a token", role)
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		if err := s.LockPeople(ctx); err != nil {
			return err
		}
		all, err := s.Tokens(ctx)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(all, func(t store.TokenRow) bool { return samePerson(t.Token, name) }) {
			return refuse(Conflict, "name", "give another name; a name stays with its token, also when that is revoked", "there is a token %q already", name)
		}
		if err := s.AddToken(ctx, store.TokenRow{Token: name, Role: role, Hash: access.Mark(secret), AddedBy: by.Actor, AddedAt: l.now()}); err != nil {
			return err
		}
		return l.journal(ctx, s, by, "add token", name, "", map[string]any{"role": role})
	})
}

// oldToken is the name under which the token of an earlier release is kept.
const oldToken = "from ALIKE_TOKEN"

// KeepToken makes a token of the one that an earlier release of the server was started
// with, so that stations go on; it can be revoked like any other, and is not taken in
// again then. It reports whether it was new.
func (l *Line) KeepToken(ctx context.Context, by By, secret string) (added bool, err error) {
	if n := utf8.RuneCountInString(secret); n < access.LeastToken {
		return false, refuse(Invalid, "token", "make one with: alike tokens add NAME", "the token that the server is started with has %d characters, which can be guessed; it is not taken", n)
	}
	_, err = l.db.Site(l.site).TokenOf(ctx, access.Mark(secret))
	if !errors.Is(err, store.ErrNotFound) {
		return false, err
	}
	name := oldToken
	all, err := l.db.Site(l.site).Tokens(ctx)
	if err != nil {
		return false, err
	}
	for n := 2; slices.ContainsFunc(all, func(t store.TokenRow) bool { return t.Token == name }); n++ {
		name = fmt.Sprintf("%s, %d", oldToken, n)
	}
	return true, l.addToken(ctx, by, name, string(access.Station), secret)
}

// RevokeToken ends a token for good.
func (l *Line) RevokeToken(ctx context.Context, by By, name, reason string) error {
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		ended, err := s.RevokeToken(ctx, name, by.Actor, l.now())
		if err != nil {
			return err
		}
		if !ended {
			return refuse(Missing, "name", "see which there are: alike tokens list", "there is no token %q that could be revoked", name)
		}
		return l.journal(ctx, s, by, "revoke token", name, reason, nil)
	})
}

// A Bearer is what carries a good token.
type Bearer struct {
	Actor string
	Role  access.Role
}

// BearerOf returns who carries a token, or store.ErrNotFound.
func (l *Line) BearerOf(ctx context.Context, secret, origin string) (Bearer, error) {
	s := l.db.Site(l.site)
	t, err := s.TokenOf(ctx, access.Mark(secret))
	if err != nil {
		return Bearer{}, err
	}
	if t.RevokedAt != nil {
		return Bearer{}, store.ErrNotFound
	}
	if t.UsedAt == nil || t.UsedFrom != origin || l.now().Sub(*t.UsedAt) > usedToWithin {
		err = s.UseToken(ctx, t.Token, l.now(), origin)
	}
	return Bearer{stationActor(t.Token), access.Role(t.Role)}, err
}

// Tokens lists all tokens, revoked ones too.
func (l *Line) Tokens(ctx context.Context) ([]store.TokenRow, error) {
	return l.db.Site(l.site).Tokens(ctx)
}

// People lists everybody who is or was registered.
func (l *Line) People(ctx context.Context) ([]store.PersonRow, error) {
	return l.db.Site(l.site).People(ctx)
}

// AnyPerson reports whether anybody was ever registered: from then on everybody signs in.
func (l *Line) AnyPerson(ctx context.Context) (bool, error) {
	return l.db.Site(l.site).AnyPerson(ctx)
}
