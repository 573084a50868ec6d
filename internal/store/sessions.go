package store

import (
	"context"
	"time"
)

// A SessionRow is one browser in which a person has signed in.
type SessionRow struct {
	Session  []byte // SHA-256 of what the browser holds
	Person   string
	Role     string // of the person, now
	OpenedAt time.Time
	SeenAt   time.Time
	EndsAt   time.Time
	Origin   string
}

const sessionQuery = `
	SELECT s.session, s.person, p.role, s.opened_at, s.seen_at, s.ends_at, s.origin
	FROM sessions s JOIN people p ON p.site = s.site AND p.person = s.person
	WHERE s.site = $1 AND p.closed_at IS NULL`

// AddSession stores a session, and removes those that have ended.
func (s Site) AddSession(ctx context.Context, r SessionRow) error {
	if err := s.exec(ctx, `DELETE FROM sessions WHERE site = $1 AND ends_at < $2`, s.Name, now(r.OpenedAt)); err != nil {
		return err
	}
	return s.exec(ctx, `INSERT INTO sessions (site, session, person, opened_at, seen_at, ends_at, origin) VALUES ($1, $2, $3, $4, $4, $5, $6)`,
		s.Name, r.Session, r.Person, now(r.OpenedAt), now(r.EndsAt), r.Origin)
}

// Session returns a session that has not ended and was seen since a time, or
// ErrNotFound.
func (s Site) Session(ctx context.Context, session []byte, at, since time.Time) (SessionRow, error) {
	return one[SessionRow](ctx, s.q, sessionQuery+` AND s.session = $2 AND s.ends_at > $3 AND s.seen_at > $4`, s.Name, session, now(at), now(since))
}

// SessionsOf lists the sessions of a person that have not ended, newest first.
func (s Site) SessionsOf(ctx context.Context, person string, at, since time.Time) ([]SessionRow, error) {
	return all[SessionRow](ctx, s.q, sessionQuery+` AND s.person = $2 AND s.ends_at > $3 AND s.seen_at > $4 ORDER BY s.opened_at DESC`, s.Name, person, now(at), now(since))
}

// SeeSession notes that a session was used.
func (s Site) SeeSession(ctx context.Context, session []byte, at time.Time) error {
	return s.exec(ctx, `UPDATE sessions SET seen_at = $3 WHERE site = $1 AND session = $2 AND seen_at < $3`, s.Name, session, now(at))
}

// EndSession ends one session.
func (s Site) EndSession(ctx context.Context, session []byte) error {
	return s.exec(ctx, `DELETE FROM sessions WHERE site = $1 AND session = $2`, s.Name, session)
}

// EndSessions ends all sessions of a person.
func (s Site) EndSessions(ctx context.Context, person string) error {
	return s.exec(ctx, `DELETE FROM sessions WHERE site = $1 AND person = $2`, s.Name, person)
}

// A TokenRow is what a station or a program carries.
type TokenRow struct {
	Token     string // its name
	Role      string
	Hash      []byte
	AddedBy   string
	AddedAt   time.Time
	RevokedBy *string
	RevokedAt *time.Time
	UsedAt    *time.Time
	UsedFrom  string
}

const tokenColumns = `token, role, hash, added_by, added_at, revoked_by, revoked_at, used_at, used_from`

// Tokens lists all tokens, revoked ones too, by name.
func (s Site) Tokens(ctx context.Context) ([]TokenRow, error) {
	return all[TokenRow](ctx, s.q, `SELECT `+tokenColumns+` FROM tokens WHERE site = $1 ORDER BY token`, s.Name)
}

// TokenOf returns the token with a hash, revoked or not, or ErrNotFound.
func (s Site) TokenOf(ctx context.Context, hash []byte) (TokenRow, error) {
	return one[TokenRow](ctx, s.q, `SELECT `+tokenColumns+` FROM tokens WHERE site = $1 AND hash = $2`, s.Name, hash)
}

// AddToken stores a token. Errors: ErrExists.
func (s Site) AddToken(ctx context.Context, t TokenRow) error {
	err := s.exec(ctx, `INSERT INTO tokens (site, token, role, hash, added_by, added_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		s.Name, t.Token, t.Role, t.Hash, t.AddedBy, now(t.AddedAt))
	if err == nil {
		s.touch("tokens", t.Token)
	}
	return err
}

// RevokeToken ends a token and reports whether there was one to end.
func (s Site) RevokeToken(ctx context.Context, token, by string, at time.Time) (bool, error) {
	tag, err := s.q.Exec(ctx, `UPDATE tokens SET revoked_by = $3, revoked_at = $4 WHERE site = $1 AND token = $2 AND revoked_at IS NULL`, s.Name, token, by, now(at))
	if tag.RowsAffected() == 1 {
		s.touch("tokens", token)
	}
	return tag.RowsAffected() == 1, translate(err)
}

// UseToken notes when and from where a token was used last.
func (s Site) UseToken(ctx context.Context, token string, at time.Time, origin string) error {
	return s.exec(ctx, `UPDATE tokens SET used_at = $3, used_from = $4 WHERE site = $1 AND token = $2`, s.Name, token, now(at), origin)
}
