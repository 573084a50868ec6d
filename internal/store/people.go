package store

import (
	"context"
	"time"
)

// A PersonRow is somebody who signs in.
type PersonRow struct {
	Person     string
	Role       string
	AddedBy    string
	AddedAt    time.Time
	ClosedAt   *time.Time
	SecretMark []byte     // SHA-256 of the stored password, empty while there is none
	SecretAt   *time.Time // when it was set
}

const personColumns = `person, role, added_by, added_at, closed_at, secret_mark, secret_at`

// AnyPerson reports whether anybody was ever registered.
func (s Site) AnyPerson(ctx context.Context) (there bool, err error) {
	err = s.q.QueryRow(ctx, `SELECT EXISTS (SELECT FROM people WHERE site = $1)`, s.Name).Scan(&there)
	return there, translate(err)
}

// People lists everybody, by name.
func (s Site) People(ctx context.Context) ([]PersonRow, error) {
	return all[PersonRow](ctx, s.q, `SELECT `+personColumns+` FROM people WHERE site = $1 ORDER BY lower(person)`, s.Name)
}

// Person returns who has a name, in whatever case it is written.
func (s Site) Person(ctx context.Context, name string) (PersonRow, error) {
	return one[PersonRow](ctx, s.q, `SELECT `+personColumns+` FROM people WHERE site = $1 AND lower(person) = lower($2)`, s.Name, name)
}

// LockPeople keeps others from changing who may do what until the transaction ends.
func (s Site) LockPeople(ctx context.Context) error {
	return s.exec(ctx, `SELECT FROM sites WHERE site = $1 FOR UPDATE`, s.Name)
}

// AddPerson registers somebody. Errors: ErrExists.
func (s Site) AddPerson(ctx context.Context, p PersonRow) error {
	err := s.exec(ctx, `INSERT INTO people (site, person, role, added_by, added_at) VALUES ($1, $2, $3, $4, $5)`,
		s.Name, p.Person, p.Role, p.AddedBy, now(p.AddedAt))
	if err == nil {
		s.touch("people", p.Person)
	}
	return err
}

// ChangePerson stores another role, and when the account was closed, nil for open.
func (s Site) ChangePerson(ctx context.Context, person, role string, closed *time.Time) error {
	if closed != nil {
		t := now(*closed)
		closed = &t
	}
	err := s.exec(ctx, `UPDATE people SET role = $3, closed_at = $4 WHERE site = $1 AND person = $2`, s.Name, person, role, closed)
	if err == nil {
		s.touch("people", person)
	}
	return err
}

// SetPassword stores the hash of a person's password, and its mark where the journal
// sees it.
func (s Site) SetPassword(ctx context.Context, person, hash string, mark []byte, at time.Time) error {
	err := s.exec(ctx, `
		INSERT INTO passwords (site, person, hash) VALUES ($1, $2, $3)
		ON CONFLICT (site, person) DO UPDATE SET hash = EXCLUDED.hash`, s.Name, person, hash)
	if err == nil {
		err = s.exec(ctx, `UPDATE people SET secret_mark = $3, secret_at = $4 WHERE site = $1 AND person = $2`, s.Name, person, mark, now(at))
	}
	if err == nil {
		s.touch("people", person)
	}
	return err
}

// PasswordHash returns what is stored of a person's password, or ErrNotFound.
func (s Site) PasswordHash(ctx context.Context, person string) (hash string, err error) {
	err = s.q.QueryRow(ctx, `SELECT hash FROM passwords WHERE site = $1 AND person = $2`, s.Name, person).Scan(&hash)
	return hash, translate(err)
}

// Administrators counts who can act as administrator now: with an open account and a
// password.
func (s Site) Administrators(ctx context.Context) (n int, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT count(*) FROM people p WHERE site = $1 AND role = 'administrator' AND closed_at IS NULL
			AND EXISTS (SELECT FROM passwords w WHERE w.site = p.site AND w.person = p.person)`, s.Name).Scan(&n)
	return n, translate(err)
}

// A TriesRow counts the wrong passwords for a name since the last right one.
type TriesRow struct {
	Tries       int
	LockedUntil *time.Time
}

// CountTry counts a try before its password is looked at, so that tries at the same time
// are all counted. It returns what stood before, with the row locked until the
// transaction ends. Rows of names that were left alone for a day are forgotten.
func (s Site) CountTry(ctx context.Context, name string, at time.Time) (before TriesRow, err error) {
	if err := s.exec(ctx, `DELETE FROM sign_in_tries WHERE site = $1 AND last_at < $2 AND name <> $3`, s.Name, now(at).Add(-24*time.Hour), name); err != nil {
		return before, err
	}
	err = s.q.QueryRow(ctx, `
		INSERT INTO sign_in_tries AS t (site, name, tries, last_at) VALUES ($1, $2, 1, $3)
		ON CONFLICT (site, name) DO UPDATE SET
			tries = CASE WHEN t.last_at < $4 THEN 1 ELSE t.tries + 1 END,
			last_at = $3
		RETURNING tries - 1, locked_until`, s.Name, name, now(at), now(at).Add(-24*time.Hour)).Scan(&before.Tries, &before.LockedUntil)
	return before, translate(err)
}

// LockName refuses a name until a time.
func (s Site) LockName(ctx context.Context, name string, until time.Time) error {
	return s.exec(ctx, `UPDATE sign_in_tries SET locked_until = $3 WHERE site = $1 AND name = $2`, s.Name, name, now(until))
}

// ForgetTries begins counting anew.
func (s Site) ForgetTries(ctx context.Context, name string) error {
	return s.exec(ctx, `DELETE FROM sign_in_tries WHERE site = $1 AND name = $2`, s.Name, name)
}

// AddInvitation stores the mark of a one-time link in place of earlier ones for the same
// person; an empty person is the first administrator to be.
func (s Site) AddInvitation(ctx context.Context, link []byte, person string, made, ends time.Time) error {
	if err := s.EndInvitations(ctx, person); err != nil {
		return err
	}
	return s.exec(ctx, `INSERT INTO invitations (site, link, person, made_at, ends_at) VALUES ($1, $2, $3, $4, $5)`,
		s.Name, link, person, now(made), now(ends))
}

// Invitation returns for whom a link is that is still good, locked until the transaction
// ends, or ErrNotFound.
func (s Site) Invitation(ctx context.Context, link []byte, at time.Time) (person string, err error) {
	err = s.q.QueryRow(ctx, `SELECT person FROM invitations WHERE site = $1 AND link = $2 AND ends_at > $3 FOR UPDATE`, s.Name, link, now(at)).Scan(&person)
	return person, translate(err)
}

// EndInvitations makes a person's links worthless.
func (s Site) EndInvitations(ctx context.Context, person string) error {
	return s.exec(ctx, `DELETE FROM invitations WHERE site = $1 AND person = $2`, s.Name, person)
}
