package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A UnitState is a unit with the first and the last word on it; a word is "waiting"
// while takes of the attempt are missing.
type UnitState struct {
	Serial     string
	Product    string
	Lot        string
	Place      *int64
	Attempt    uuid.UUID // the last one
	Number     int       // of the last attempt
	First      string
	Last       string
	Stands     string    // the last verdict after overrides
	Sentence   string    // of the last verdict
	FirstAt    time.Time // when the first attempt was measured
	MeasuredAt time.Time // when the last one was
	FirstSeen  time.Time // when its first take was stored
}

// standing is the last verdict of the unit u after overrides. Who set another verdict aside
// did not answer for the rig: a hold stands until an override is about the hold.
const standing = `coalesce(CASE WHEN l.verdict <> 'hold' OR EXISTS (
		SELECT FROM overrides o WHERE o.site = u.site AND o.serial = u.serial AND o.number = l.number AND o.in_force AND o.was = 'hold') THEN (
		SELECT o.verdict FROM overrides o WHERE o.site = u.site AND o.serial = u.serial AND o.number = l.number AND o.in_force
		ORDER BY o.version DESC LIMIT 1) END, l.verdict, 'waiting')`

const unitStateColumns = `
	u.serial, u.product, u.lot, u.place, l.attempt, l.number, coalesce(a.verdict, 'waiting') AS first,
	coalesce(l.verdict, 'waiting') AS last, ` + standing + ` AS stands, coalesce(l.judgement->>'sentence', '') AS sentence,
	a.measured_at AS first_at, l.measured_at, u.first_seen`

// lastAttempt joins the last attempt of the unit u as l.
const lastAttempt = `
	JOIN LATERAL (
		SELECT attempt, number, verdict, judgement, measured_at FROM attempts
		WHERE site = u.site AND serial = u.serial ORDER BY number DESC LIMIT 1
	) l ON true`

// single is true for an attempt x, or unit x, of a single driver.
func single(x string) string {
	return ` EXISTS (SELECT FROM units d JOIN products p ON p.site = d.site AND p.product = d.product
		WHERE d.site = ` + x + `.site AND d.serial = ` + x + `.serial AND p.definition ->> 'stage' = 'driver')`
}

// NewestUnit returns when the newest attempt of a finished unit was measured,
// ErrNotFound without any.
func (s Site) NewestUnit(ctx context.Context) (at time.Time, err error) {
	err = s.q.QueryRow(ctx, `SELECT measured_at FROM attempts a WHERE site = $1 AND NOT`+single("a")+` ORDER BY measured_at DESC LIMIT 1`, s.Name).Scan(&at)
	return at, translate(err)
}

// UnitsBetween returns the finished units whose first attempt was measured from a moment
// on and before another, newest first, at most limit.
func (s Site) UnitsBetween(ctx context.Context, from, before time.Time, limit int) ([]UnitState, error) {
	return all[UnitState](ctx, s.q, `
		SELECT `+unitStateColumns+` FROM (
			SELECT * FROM attempts b WHERE site = $1 AND number = 1 AND measured_at >= $2 AND measured_at < $3 AND NOT`+single("b")+`
			ORDER BY measured_at DESC, serial DESC LIMIT $4
		) a JOIN LATERAL (SELECT * FROM units WHERE site = a.site AND serial = a.serial LIMIT 1) u ON true `+lastAttempt+`
		ORDER BY a.measured_at DESC, u.serial DESC`, s.Name, now(from), now(before), limit)
}

// A DayCount counts the units of one day by the verdict of their first attempt.
type DayCount struct {
	Day     time.Time // midnight of it, as if it were UTC
	Verdict string
	Units   int
}

// DaysBetween counts finished units by the day of their first attempt in a time zone.
func (s Site) DaysBetween(ctx context.Context, from, before time.Time, zone string) ([]DayCount, error) {
	return all[DayCount](ctx, s.q, `
		SELECT date_trunc('day', measured_at AT TIME ZONE $4) AS day, coalesce(verdict, 'waiting') AS verdict, count(*) AS units
		FROM attempts b WHERE site = $1 AND number = 1 AND measured_at >= $2 AND measured_at < $3 AND NOT`+single("b")+`
		GROUP BY 1, 2 ORDER BY 1, 2`, s.Name, now(from), now(before), zone)
}

// DriversBetween counts single drivers measured from a moment on and before another, by
// the verdict of their first attempt.
func (s Site) DriversBetween(ctx context.Context, from, before time.Time) ([]WordCount, error) {
	return all[WordCount](ctx, s.q, `
		SELECT coalesce(verdict, 'waiting') AS word, count(*) AS units
		FROM attempts b WHERE site = $1 AND number = 1 AND measured_at >= $2 AND measured_at < $3 AND`+single("b")+`
		GROUP BY 1 ORDER BY 1`, s.Name, now(from), now(before))
}

// notPassed are last attempts of finished units that did not pass, or are not complete. The partial index
// holds few rows, and each asks for its unit's last attempt: a NOT EXISTS would be
// planned as a pass over all attempts.
var notPassed = `
	FROM attempts l WHERE l.site = $1 AND l.verdict IS DISTINCT FROM 'pass' AND l.number = (
		SELECT max(number) FROM attempts b WHERE b.site = l.site AND b.serial = l.serial) AND NOT` + single("l")

// UnitsNotPassed returns the finished units whose last attempt did not pass, or is not
// complete, newest first, at most limit.
func (s Site) UnitsNotPassed(ctx context.Context, limit int) ([]UnitState, error) {
	return all[UnitState](ctx, s.q, `
		SELECT `+unitStateColumns+` FROM (
			SELECT l.* `+notPassed+` ORDER BY l.measured_at DESC, l.serial DESC LIMIT $2
		) l JOIN units u ON u.site = l.site AND u.serial = l.serial
		JOIN attempts a ON a.site = l.site AND a.serial = l.serial AND a.number = 1
		ORDER BY l.measured_at DESC, u.serial DESC`, s.Name, limit)
}

// A WordCount is a number of units by a verdict word.
type WordCount struct {
	Word  string
	Units int
}

// CountNotPassed counts the finished units whose last attempt did not pass by its verdict, of the
// newest up to most of them.
func (s Site) CountNotPassed(ctx context.Context, most int) ([]WordCount, error) {
	return all[WordCount](ctx, s.q, `
		SELECT coalesce(verdict, 'waiting') AS word, count(*) AS units FROM (
			SELECT l.verdict `+notPassed+` ORDER BY l.measured_at DESC, l.serial DESC LIMIT $2
		) newest GROUP BY 1 ORDER BY 1`, s.Name, most)
}

// A SignalCount sums up one rule on one stream over the units from a place on.
type SignalCount struct {
	Stream  string
	Rule    string
	Units   int
	First   string // serials
	Last    string
	Largest float32 // sigmas from the centre, with its sign
}

// CountSignals sums up the signals of a limit set from a place on, most units first.
func (s Site) CountSignals(ctx context.Context, product string, limitSet int, from int64) ([]SignalCount, error) {
	return all[SignalCount](ctx, s.q, `
		SELECT stream, rule, count(*) AS units, (array_agg(serial ORDER BY place))[1] AS first,
			(array_agg(serial ORDER BY place DESC))[1] AS last, (array_agg(z ORDER BY abs(z) DESC))[1] AS largest
		FROM signals WHERE site = $1 AND product = $2 AND limit_set = $3 AND place >= $4 AND withdrawn IS NULL
		GROUP BY stream, rule ORDER BY units DESC, max(abs(z)) DESC, stream, rule`, s.Name, product, limitSet, from)
}

// A Watched is one of the last units as the charts saw it.
type Watched struct {
	Place   int64
	Serial  string
	Verdict string
	Signals int
}

// LastWatched returns the last units of a product in the order of production, with
// the number of signals that a limit set gave each.
func (s Site) LastWatched(ctx context.Context, product string, limitSet, limit int) ([]Watched, error) {
	return all[Watched](ctx, s.q, `
		SELECT * FROM (
			SELECT u.place, u.serial, coalesce(a.verdict, 'waiting') AS verdict,
				(SELECT count(*) FROM signals g WHERE g.site = u.site AND g.product = u.product AND g.limit_set = $3 AND g.place = u.place AND g.withdrawn IS NULL) AS signals
			FROM units u JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1
			WHERE u.site = $1 AND u.product = $2 AND u.place IS NOT NULL ORDER BY u.place DESC LIMIT $4
		) last ORDER BY place`, s.Name, product, limitSet, limit)
}

// CountQuarantine counts what is in quarantine: all, and what came since a moment.
func (s Site) CountQuarantine(ctx context.Context, since time.Time) (total, fresh int, err error) {
	err = s.q.QueryRow(ctx, `SELECT count(*), count(*) FILTER (WHERE received_at >= $2) FROM quarantine WHERE site = $1`,
		s.Name, now(since)).Scan(&total, &fresh)
	return total, fresh, translate(err)
}

// QuarantinePage returns what is in quarantine without the content, newest first,
// from an offset on.
func (s Site) QuarantinePage(ctx context.Context, offset, limit int) ([]QuarantineRow, error) {
	return all[QuarantineRow](ctx, s.q, `
		SELECT item, fingerprint, lot, source, line, field, reason, remedy, NULL::bytea AS content, received_at
		FROM quarantine WHERE site = $1 ORDER BY received_at DESC, item DESC OFFSET $2 LIMIT $3`, s.Name, offset, limit)
}

// UnitsAround returns the units of a product before and after a place, nearest first,
// at most limit on each side.
func (s Site) UnitsAround(ctx context.Context, product string, place int64, limit int) (before, after []UnitState, err error) {
	const from = `SELECT ` + unitStateColumns + ` FROM units u
		JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1 ` + lastAttempt + `
		WHERE u.site = $1 AND u.product = $2 AND u.place `
	if before, err = all[UnitState](ctx, s.q, from+`< $3 ORDER BY u.place DESC LIMIT $4`, s.Name, product, place, limit); err != nil {
		return nil, nil, err
	}
	after, err = all[UnitState](ctx, s.q, from+`> $3 ORDER BY u.place LIMIT $4`, s.Name, product, place, limit)
	return before, after, err
}

// FindUnits returns units whose serial begins with a text, or contains it, those that
// begin first, at most limit.
func (s Site) FindUnits(ctx context.Context, text string, limit int) ([]UnitState, error) {
	return all[UnitState](ctx, s.q, `
		SELECT `+unitStateColumns+` FROM (
			SELECT *, position(lower($2) IN lower(serial)) > 1 AS inside FROM units
			WHERE site = $1 AND position(lower($2) IN lower(serial)) > 0
			ORDER BY inside, place DESC NULLS FIRST, serial LIMIT $3
		) u JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1 `+lastAttempt+`
		ORDER BY u.inside, u.place DESC NULLS FIRST, u.serial`, s.Name, text, limit)
}

// UnitsBefore returns the newest finished units first seen before a moment, newest
// first, at most limit. Those of one moment are told apart by their serial.
func (s Site) UnitsBefore(ctx context.Context, seen time.Time, serial string, limit int) ([]UnitState, error) {
	return all[UnitState](ctx, s.q, `
		SELECT `+unitStateColumns+` FROM (
			SELECT * FROM units n WHERE site = $1 AND (first_seen, serial) < ($2, $3) AND NOT`+single("n")+` ORDER BY first_seen DESC, serial DESC LIMIT $4
		) u JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1 `+lastAttempt+`
		ORDER BY u.first_seen DESC, u.serial DESC`, s.Name, now(seen), serial, limit)
}

// LotsBefore returns the newest lots opened before a moment with their counts, newest
// first, at most limit. Those of one moment are told apart by their code.
func (s Site) LotsBefore(ctx context.Context, opened time.Time, lot string, limit int) ([]LotRow, error) {
	return all[LotRow](ctx, s.q, `
		SELECT l.lot, l.product, l.opened_at, count(u.serial) AS units,
			count(*) FILTER (WHERE a.verdict = 'pass') AS first_pass, count(a.verdict) AS judged
		FROM (
			SELECT * FROM lots l WHERE site = $1 AND (opened_at, lot) < ($2, $3)`+noDrivers+` ORDER BY opened_at DESC, lot DESC LIMIT $4
		) l
		LEFT JOIN units u ON u.site = l.site AND u.lot = l.lot
		LEFT JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1
		GROUP BY l.lot, l.product, l.opened_at ORDER BY l.opened_at DESC, l.lot DESC`, s.Name, now(opened), lot, limit)
}

// LotNames lists the newest lots of a product, or of all for the empty one, newest
// first, at most limit.
func (s Site) LotNames(ctx context.Context, product string, limit int) ([]string, error) {
	rows, err := s.q.Query(ctx, `
		SELECT lot FROM lots l WHERE site = $1 AND (product = $2 OR $2 = ''`+noDrivers+`) ORDER BY opened_at DESC, lot DESC LIMIT $3`, s.Name, product, limit)
	if err != nil {
		return nil, translate(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return out, translate(err)
}

// VersionsInForce returns the newest versions of a product's envelope and limit set, 0
// where there is none.
func (s Site) VersionsInForce(ctx context.Context, product string) (env, set int, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT (SELECT coalesce(max(version), 0) FROM envelopes WHERE site = $1 AND product = $2),
			(SELECT coalesce(max(version), 0) FROM limit_sets WHERE site = $1 AND product = $2)`, s.Name, product).Scan(&env, &set)
	return env, set, translate(err)
}
