package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A RigEvent is something that changes the trust in a rig.
type RigEvent struct {
	At     time.Time
	Kind   string // pass, fail, work
	Serial string // reference unit of a check
	Text   string // sentence of a check, or what was done
}

// RigEvents returns checks and work on a rig in order of time, from the last check
// before a moment that passed on.
func (s Site) RigEvents(ctx context.Context, product, rig string, at time.Time) ([]RigEvent, error) {
	return all[RigEvent](ctx, s.q, `
		WITH start AS (
			SELECT coalesce(max(measured_at), '-infinity') AS at FROM rig_visits
			WHERE site = $1 AND product = $2 AND rig = $3 AND passed AND measured_at <= $4
		)
		SELECT measured_at AS at, CASE WHEN passed THEN 'pass' ELSE 'fail' END AS kind, serial,
			coalesce(judgement->>'sentence', '') AS text
		FROM rig_visits, start
		WHERE site = $1 AND product = $2 AND rig = $3 AND passed IS NOT NULL AND measured_at >= start.at
		UNION ALL
		SELECT e.at, 'work', '', trim(e.subject || ' ' || e.note) FROM rig_entries e, start
		WHERE site = $1 AND rig = $3 AND changed AND e.at >= start.at
		ORDER BY 1, 2`, s.Name, product, rig, now(at))
}

// An EntryRow is something done to a rig or read around it.
type EntryRow struct {
	Entry       uuid.UUID
	Rig         string
	Kind        string // calibration, work, ambient
	At          time.Time
	Subject     string
	Changed     bool
	Level       *float64
	Certificate string
	Due         *time.Time
	Temperature *float64
	Humidity    *float64
	Noise       *float64
	Note        string
	Author      string
	EnteredAt   time.Time
}

// AddEntry stores one.
func (s Site) AddEntry(ctx context.Context, e EntryRow) error {
	s.touch("rig_entries", e.Entry.String())
	return s.exec(ctx, `
		INSERT INTO rig_entries (site, entry, rig, kind, at, subject, changed, level, certificate, due, temperature, humidity,
			noise, note, author, entered_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)`,
		s.Name, e.Entry, e.Rig, e.Kind, now(e.At), e.Subject, e.Changed, e.Level, e.Certificate, e.Due, e.Temperature, e.Humidity,
		e.Noise, e.Note, e.Author, now(e.EnteredAt))
}

// Entries returns a rig's last entries of a kind, oldest first; an empty kind or rig
// stands for all.
func (s Site) Entries(ctx context.Context, rig, kind string, limit int) ([]EntryRow, error) {
	return all[EntryRow](ctx, s.q, `
		SELECT * FROM (SELECT entry, rig, kind, at, subject, changed, level, certificate, due, temperature, humidity, noise,
				note, author, entered_at FROM rig_entries
			WHERE site = $1 AND ($2 = '' OR rig = $2) AND ($3 = '' OR kind = $3) ORDER BY at DESC, entered_at DESC LIMIT $4) e
		ORDER BY at, entered_at`, s.Name, rig, kind, limit)
}

// EntriesOf returns the last entries of one rig, oldest first; an empty rig is the one
// whose takes name no station.
func (s Site) EntriesOf(ctx context.Context, rig string, limit int) ([]EntryRow, error) {
	return all[EntryRow](ctx, s.q, `
		SELECT * FROM (SELECT entry, rig, kind, at, subject, changed, level, certificate, due, temperature, humidity, noise,
				note, author, entered_at FROM rig_entries
			WHERE site = $1 AND rig = $2 ORDER BY at DESC, entered_at DESC LIMIT $3) e
		ORDER BY at, entered_at`, s.Name, rig, limit)
}

// Rigs lists the rigs that measured a product: in production, by reference units, or
// with an entry of their own.
func (s Site) Rigs(ctx context.Context, product string) ([]string, error) {
	type row struct{ Rig string }
	rows, err := all[row](ctx, s.q, `
		SELECT DISTINCT rig FROM (
			SELECT a.station AS rig FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
			WHERE a.site = $1 AND u.product = $2
			UNION SELECT rig FROM rig_visits WHERE site = $1 AND product = $2
			UNION SELECT rig FROM rig_entries WHERE site = $1
		) r ORDER BY rig`, s.Name, product)
	var out []string
	for _, r := range rows {
		out = append(out, r.Rig)
	}
	return out, err
}

// A RigAttempt is an attempt with what the trust in its rig decides about.
type RigAttempt struct {
	AttemptRow
	Place int64
	Last  bool // the unit has no later attempt
}

// AttemptsOnRig returns the judged attempts of a product that a rig measured from a
// moment on under some policy and for which nobody answers, in the order in which they
// were measured. With only, only those on hold.
func (s Site) AttemptsOnRig(ctx context.Context, product, rig string, after time.Time, only bool) ([]RigAttempt, error) {
	return all[RigAttempt](ctx, s.q, `
		SELECT a.attempt, a.serial, a.number, a.station, a.operator, a.reason, a.measured_at, a.received_at, a.verdict,
			a.judgement, a.envelope, a.limit_set, u.place,
			NOT EXISTS (SELECT FROM attempts b WHERE b.site = a.site AND b.serial = a.serial AND b.number > a.number) AS last
		FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE a.site = $1 AND u.product = $2 AND a.station = $3 AND a.measured_at >= $4 AND a.verdict IS NOT NULL
			AND a.rig_policy IS NOT NULL AND NOT a.released AND (NOT $5 OR a.verdict = 'hold')
		ORDER BY a.measured_at, u.place, a.number`, s.Name, product, rig, now(after), only)
}

// OnHold returns all attempts of a product that are on hold and are their unit's
// last, in the order in which they were measured.
func (s Site) OnHold(ctx context.Context, product string) ([]RigAttempt, error) {
	return all[RigAttempt](ctx, s.q, `
		SELECT a.attempt, a.serial, a.number, a.station, a.operator, a.reason, a.measured_at, a.received_at, a.verdict,
			a.judgement, a.envelope, a.limit_set, u.place, true AS last
		FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE a.site = $1 AND u.product = $2 AND a.verdict = 'hold'
			AND NOT EXISTS (SELECT FROM attempts b WHERE b.site = a.site AND b.serial = a.serial AND b.number > a.number)
		ORDER BY a.measured_at, u.place`, s.Name, product)
}

// A VerdictChange is one change of a verdict to hold or from it.
type VerdictChange struct {
	Attempt   uuid.UUID
	Change    int
	At        time.Time
	Actor     string
	FromWord  string
	Judgement json.RawMessage // what it was before
	ToWord    string
	Reason    string
}

// ChangeVerdict replaces a verdict by the attempt's new one and keeps the old one in
// its history.
func (s Site) ChangeVerdict(ctx context.Context, a AttemptRow, released bool, actor, reason string, at time.Time) error {
	var change int
	if err := s.q.QueryRow(ctx, `
		INSERT INTO verdict_changes (site, attempt, change, at, actor, from_word, judgement, to_word, reason)
		SELECT $1, $2, 1 + (SELECT count(*) FROM verdict_changes WHERE site = $1 AND attempt = $2), $3, $4, verdict, judgement, $5, $6
		FROM attempts WHERE site = $1 AND attempt = $2
		RETURNING change`, s.Name, a.Attempt, now(at), actor, a.Verdict, reason).Scan(&change); err != nil {
		return translate(err)
	}
	s.touch("verdict_changes", fmt.Sprintf("%s/%d", a.Attempt, change))
	s.touch("attempts", a.Attempt.String())
	return s.exec(ctx, `
		UPDATE attempts SET verdict = $3, judgement = $4, envelope = $5, limit_set = $6, released = released OR $7
		WHERE site = $1 AND attempt = $2`, s.Name, a.Attempt, a.Verdict, a.Judgement, a.Envelope, a.LimitSet, released)
}

// VerdictChanges returns the changes of a unit's verdicts, oldest first.
func (s Site) VerdictChanges(ctx context.Context, serial string) ([]VerdictChange, error) {
	return all[VerdictChange](ctx, s.q, `
		SELECT c.attempt, c.change, c.at, c.actor, c.from_word, c.judgement, c.to_word, c.reason
		FROM verdict_changes c JOIN attempts a ON a.site = c.site AND a.attempt = c.attempt
		WHERE c.site = $1 AND a.serial = $2 ORDER BY c.at, a.number, c.change`, s.Name, serial)
}

// UnderPolicy notes under which version of the rig policy an attempt was judged.
func (s Site) UnderPolicy(ctx context.Context, attempt uuid.UUID, version int) error {
	s.touch("attempts", attempt.String())
	return s.exec(ctx, `UPDATE attempts SET rig_policy = $3 WHERE site = $1 AND attempt = $2`, s.Name, attempt, version)
}

// ReadingsOfUnit returns the readings of all attempts of a unit by number.
func (s Site) ReadingsOfUnit(ctx context.Context, product string, serial string) ([]ReadingRow, error) {
	return all[ReadingRow](ctx, s.q, `
		SELECT place, number, serial, streams, charted FROM readings
		WHERE site = $1 AND product = $2 AND serial = $3 AND place = (SELECT place FROM units WHERE site = $1 AND serial = $3)
		ORDER BY number`, s.Name, product, serial)
}

// Chart says whether the charts read an attempt's reading. Signals of one that they
// no longer read are withdrawn; of one that they read again they are restored, and
// restored reports whether there were any.
func (s Site) Chart(ctx context.Context, product string, place int64, number int, charted bool) (restored bool, err error) {
	tag, err := s.q.Exec(ctx, `UPDATE readings SET charted = $5 WHERE site = $1 AND product = $2 AND place = $3 AND number = $4`,
		s.Name, product, place, number, charted)
	if err != nil {
		return false, translate(err)
	}
	if tag.RowsAffected() == 1 {
		s.touch("readings", readingKey(product, number, place))
	}
	sql := `UPDATE signals SET withdrawn = $4 WHERE site = $1 AND product = $2 AND place = $3 AND withdrawn IS NULL`
	if charted {
		sql = `UPDATE signals SET withdrawn = NULL WHERE site = $1 AND product = $2 AND place = $3 AND withdrawn = $4`
	}
	rows, err := s.q.Query(ctx, sql+` RETURNING limit_set`, s.Name, product, place, number)
	if err != nil {
		return false, translate(err)
	}
	sets, err := pgx.CollectRows(rows, pgx.RowTo[int])
	for _, v := range sets {
		s.touch("signals", signalKey(product, v, place))
	}
	return err == nil && len(sets) > 0, translate(err)
}
