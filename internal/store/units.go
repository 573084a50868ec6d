package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
)

// A UnitRow is one unit; Place is its place in the order of production, nil until
// its first attempt is judged.
type UnitRow struct {
	Serial    string
	Product   string
	Lot       string
	Place     *int64
	FirstSeen time.Time
}

// Unit returns one unit.
func (s Site) Unit(ctx context.Context, serial string) (UnitRow, error) {
	return one[UnitRow](ctx, s.q, `
		SELECT serial, product, lot, place, first_seen FROM units WHERE site = $1 AND serial = $2`, s.Name, serial)
}

// AddUnit stores a new unit.
func (s Site) AddUnit(ctx context.Context, u UnitRow) error {
	s.touch("units", u.Serial)
	return s.exec(ctx, `INSERT INTO units (site, serial, product, lot, first_seen) VALUES ($1, $2, $3, $4, $5)`,
		s.Name, u.Serial, u.Product, u.Lot, now(u.FirstSeen))
}

// SetPlace gives a unit its place in the order of production, once.
func (s Site) SetPlace(ctx context.Context, serial string, place int64) error {
	s.touch("units", serial)
	return s.exec(ctx, `UPDATE units SET place = $3 WHERE site = $1 AND serial = $2 AND place IS NULL`, s.Name, serial, place)
}

// UnitsOfLot returns a lot's units in order of production, those without a place
// last in order of arrival.
func (s Site) UnitsOfLot(ctx context.Context, lot string) ([]UnitRow, error) {
	return all[UnitRow](ctx, s.q, `
		SELECT serial, product, lot, place, first_seen FROM units
		WHERE site = $1 AND lot = $2 ORDER BY place NULLS LAST, first_seen, serial`, s.Name, lot)
}

// CountUnits returns how many units of a product have a serial from first to last, of
// their length.
func (s Site) CountUnits(ctx context.Context, product, first, last string) (n int, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT count(*) FROM units WHERE site = $1 AND product = $2 AND length(serial) = length($3)
			AND serial COLLATE "C" BETWEEN $3::text AND $4::text`, s.Name, product, first, last).Scan(&n)
	return n, translate(err)
}

// A LotRow is one lot with its counts.
type LotRow struct {
	Lot       string
	Product   string
	OpenedAt  time.Time
	Units     int
	FirstPass int // units whose first attempt on a trusted rig passed
	Judged    int // units with such an attempt
}

const lotColumns = `
	SELECT l.lot, l.product, l.opened_at, count(u.serial) AS units,
		count(*) FILTER (WHERE a.verdict = 'pass') AS first_pass,
		count(a.verdict) AS judged
	FROM lots l
	LEFT JOIN units u ON u.site = l.site AND u.lot = l.lot
	LEFT JOIN LATERAL (
		SELECT verdict FROM attempts t WHERE t.site = u.site AND t.serial = u.serial AND t.verdict IS DISTINCT FROM 'hold'
		ORDER BY number LIMIT 1
	) a ON true
	WHERE l.site = $1`

// noDrivers leaves batches of single drivers out of lots l.
const noDrivers = `
	AND NOT EXISTS (SELECT FROM products p WHERE p.site = l.site AND p.product = l.product AND p.definition ->> 'stage' = 'driver')`

// Lots lists the site's lots of finished units, oldest first; batches of drivers are
// none.
func (s Site) Lots(ctx context.Context) ([]LotRow, error) {
	return all[LotRow](ctx, s.q, lotColumns+noDrivers+` GROUP BY l.site, l.lot ORDER BY l.opened_at, l.lot`, s.Name)
}

// Lot returns one lot.
func (s Site) Lot(ctx context.Context, lot string) (LotRow, error) {
	return one[LotRow](ctx, s.q, lotColumns+` AND l.lot = $2 GROUP BY l.site, l.lot`, s.Name, lot)
}

// AddLot stores a lot unless it is there; ErrExists when it belongs to another
// product.
func (s Site) AddLot(ctx context.Context, lot, product string, at time.Time) (added bool, err error) {
	tag, err := s.q.Exec(ctx, `INSERT INTO lots (site, lot, product, opened_at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
		s.Name, lot, product, now(at))
	if tag.RowsAffected() == 1 {
		s.touch("lots", lot)
	}
	if err != nil || tag.RowsAffected() == 1 {
		return err == nil, translate(err)
	}
	var owner string
	if err := s.q.QueryRow(ctx, `SELECT product FROM lots WHERE site = $1 AND lot = $2`, s.Name, lot).Scan(&owner); err != nil {
		return false, translate(err)
	}
	if owner != product {
		return false, ErrExists
	}
	return false, nil
}

// An AttemptRow is one visit of a unit to the rig.
type AttemptRow struct {
	Attempt    uuid.UUID
	Serial     string
	Number     int
	Station    string
	Operator   string
	Reason     string
	MeasuredAt time.Time
	ReceivedAt time.Time
	Verdict    *string // nil while takes are missing
	Judgement  json.RawMessage
	Envelope   *int
	LimitSet   *int
}

const attemptColumns = `attempt, serial, number, station, operator, reason, measured_at, received_at, verdict, judgement,
	envelope, limit_set`

// AddAttempt stores a new attempt.
func (s Site) AddAttempt(ctx context.Context, a AttemptRow) error {
	s.touch("attempts", a.Attempt.String())
	return s.exec(ctx, `
		INSERT INTO attempts (site, attempt, serial, number, station, operator, reason, measured_at, received_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		s.Name, a.Attempt, a.Serial, a.Number, a.Station, a.Operator, a.Reason, now(a.MeasuredAt), now(a.ReceivedAt))
}

// Judge stores an attempt's verdict, once: an attempt that has one keeps it, and
// ErrExists is returned.
func (s Site) Judge(ctx context.Context, a AttemptRow) error {
	tag, err := s.q.Exec(ctx, `
		UPDATE attempts SET verdict = $3, judgement = $4, envelope = $5, limit_set = $6
		WHERE site = $1 AND attempt = $2 AND verdict IS NULL`,
		s.Name, a.Attempt, a.Verdict, a.Judgement, a.Envelope, a.LimitSet)
	if err == nil && tag.RowsAffected() == 0 {
		return ErrExists
	}
	s.touch("attempts", a.Attempt.String())
	return translate(err)
}

// Attempts returns a unit's attempts in order.
func (s Site) Attempts(ctx context.Context, serial string) ([]AttemptRow, error) {
	return all[AttemptRow](ctx, s.q, `
		SELECT `+attemptColumns+` FROM attempts WHERE site = $1 AND serial = $2 ORDER BY number`, s.Name, serial)
}

// AttemptsOfLot returns all attempts of a lot's units, by serial and number.
func (s Site) AttemptsOfLot(ctx context.Context, lot string) ([]AttemptRow, error) {
	return all[AttemptRow](ctx, s.q, `
		SELECT a.attempt, a.serial, a.number, a.station, a.operator, a.reason, a.measured_at, a.received_at, a.verdict,
			a.judgement, a.envelope, a.limit_set
		FROM attempts a JOIN units u ON u.site = a.site AND u.serial = a.serial
		WHERE a.site = $1 AND u.lot = $2 ORDER BY a.serial, a.number`, s.Name, lot)
}
