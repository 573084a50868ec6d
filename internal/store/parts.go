package store

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// A PartUse says which component batch went into the units from FirstSerial to
// LastSerial.
type PartUse struct {
	Use         uuid.UUID
	Product     string
	Kind        string
	Channel     string // empty for the whole unit
	Batch       string
	Supplier    string
	ReceivedOn  *time.Time
	FirstSerial string
	LastSerial  string
	Note        string
	EnteredAt   time.Time
	Piece       string // serial of the single piece, such as a driver's; empty for none
	EnteredBy   string
	// Of an entry that is no longer in force:
	WithdrawnAt  *time.Time
	WithdrawnBy  *string
	WithdrawnWhy *string
	ReplacedBy   *uuid.UUID
}

const (
	partEntered = `use, product, kind, channel, batch, supplier, received_on, first_serial, last_serial, note, entered_at, piece, entered_by`
	partColumns = partEntered + `, withdrawn_at, withdrawn_by, withdrawn_why, replaced_by`
)

// AddPartUse stores an entry of the parts ledger unless the same one is in force
// already, and reports whether it was new. ErrExists when the piece, or the place in
// the unit, is taken.
func (s Site) AddPartUse(ctx context.Context, p PartUse) (bool, error) {
	tag, err := s.q.Exec(ctx, `
		INSERT INTO part_uses (site, `+partEntered+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
		ON CONFLICT (site, product, kind, channel, batch, first_serial, last_serial) WHERE withdrawn_at IS NULL DO NOTHING`,
		s.Name, p.Use, p.Product, p.Kind, p.Channel, p.Batch, p.Supplier, p.ReceivedOn, p.FirstSerial, p.LastSerial, p.Note,
		now(p.EnteredAt), p.Piece, p.EnteredBy)
	if tag.RowsAffected() == 1 {
		s.touch("part_uses", p.Use.String())
	}
	return tag.RowsAffected() == 1, translate(err)
}

// Part returns one entry of the ledger, in force or withdrawn.
func (s Site) Part(ctx context.Context, use uuid.UUID) (PartUse, error) {
	return one[PartUse](ctx, s.q, `SELECT `+partColumns+` FROM part_uses WHERE site = $1 AND use = $2`, s.Name, use)
}

// Parts lists a product's ledger in order of entry, what was withdrawn too.
func (s Site) Parts(ctx context.Context, product string) ([]PartUse, error) {
	return all[PartUse](ctx, s.q, `
		SELECT `+partColumns+` FROM part_uses WHERE site = $1 AND product = $2 ORDER BY entered_at, use`, s.Name, product)
}

// WithdrawPart ends an entry; ErrNotFound when it is not in force.
func (s Site) WithdrawPart(ctx context.Context, use uuid.UUID, at time.Time, by, why string, replacedBy *uuid.UUID) error {
	tag, err := s.q.Exec(ctx, `
		UPDATE part_uses SET withdrawn_at = $3, withdrawn_by = $4, withdrawn_why = $5, replaced_by = $6
		WHERE site = $1 AND use = $2 AND withdrawn_at IS NULL`, s.Name, use, now(at), by, why, replacedBy)
	if err == nil && tag.RowsAffected() == 0 {
		return ErrNotFound
	}
	s.touch("part_uses", use.String())
	return translate(err)
}

// Pieces returns the entries in force that name one of the pieces of a kind.
func (s Site) Pieces(ctx context.Context, kind string, pieces []string) ([]PartUse, error) {
	return all[PartUse](ctx, s.q, `
		SELECT `+partColumns+` FROM part_uses
		WHERE site = $1 AND kind = $2 AND piece = ANY($3) AND withdrawn_at IS NULL ORDER BY piece`, s.Name, kind, pieces)
}

// PartsOfUnit returns the ledger entries that hold for one serial.
func (s Site) PartsOfUnit(ctx context.Context, product, serial string) ([]PartUse, error) {
	return all[PartUse](ctx, s.q, `
		SELECT `+partColumns+` FROM part_uses
		WHERE site = $1 AND product = $2 AND withdrawn_at IS NULL
			AND length(first_serial) = length($3) AND $3::text COLLATE "C" BETWEEN first_serial AND last_serial
		ORDER BY kind, channel, first_serial`, s.Name, product, serial)
}

// A LotPart is one ledger entry as far as it concerns a lot.
type LotPart struct {
	Kind        string
	Channel     string
	Batch       string
	Supplier    string
	FirstSerial string // of the lot's units
	LastSerial  string
	Units       int
}

// PartsOfLot returns which batches went into a lot's units.
func (s Site) PartsOfLot(ctx context.Context, lot string) ([]LotPart, error) {
	return all[LotPart](ctx, s.q, `
		SELECT p.kind, p.channel, p.batch, p.supplier, min(u.serial COLLATE "C") AS first_serial,
			max(u.serial COLLATE "C") AS last_serial, count(*) AS units
		FROM units u JOIN part_uses p ON p.site = u.site AND p.product = u.product AND p.withdrawn_at IS NULL
			AND length(p.first_serial) = length(u.serial)
			AND u.serial COLLATE "C" BETWEEN p.first_serial AND p.last_serial
		WHERE u.site = $1 AND u.lot = $2
		GROUP BY p.kind, p.channel, p.batch, p.supplier
		ORDER BY p.kind, p.channel, 5, p.batch`, s.Name, lot)
}

// UnitsWithoutPart returns, for each part that the ledger names for any unit of the lot's
// product by a time, the units of the lot for which it names none. An entry for the
// whole unit speaks for its sides, and one for a side for the whole.
func (s Site) UnitsWithoutPart(ctx context.Context, lot string, by time.Time) ([]LotPart, error) {
	return all[LotPart](ctx, s.q, `
		SELECT k.kind, k.channel, '' AS batch, '' AS supplier, min(u.serial COLLATE "C") AS first_serial,
			max(u.serial COLLATE "C") AS last_serial, count(*) AS units
		FROM units u
		JOIN (SELECT DISTINCT product, kind, channel FROM part_uses WHERE site = $1 AND withdrawn_at IS NULL AND entered_at <= $3) k ON k.product = u.product
		WHERE u.site = $1 AND u.lot = $2 AND NOT EXISTS (
			SELECT FROM part_uses p WHERE p.site = u.site AND p.product = u.product AND p.kind = k.kind AND (p.channel = k.channel OR p.channel = '' OR k.channel = '')
				AND p.withdrawn_at IS NULL AND length(p.first_serial) = length(u.serial)
				AND u.serial COLLATE "C" BETWEEN p.first_serial AND p.last_serial)
		GROUP BY k.kind, k.channel ORDER BY k.kind, k.channel`, s.Name, lot, now(by))
}

// A QuarantineRow is something that was refused.
type QuarantineRow struct {
	Item        uuid.UUID
	Fingerprint []byte
	Lot         string
	Source      string
	Line        int
	Field       string
	Reason      string
	Remedy      string
	Content     []byte
	ReceivedAt  time.Time
}

// Quarantine stores a refusal unless the same one of the same content is there,
// and reports whether it was new.
func (s Site) Quarantine(ctx context.Context, r QuarantineRow) (bool, error) {
	tag, err := s.q.Exec(ctx, `
		INSERT INTO quarantine (site, item, fingerprint, lot, source, line, field, reason, remedy, content, received_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT DO NOTHING`,
		s.Name, r.Item, r.Fingerprint, r.Lot, r.Source, r.Line, r.Field, r.Reason, r.Remedy, r.Content, now(r.ReceivedAt))
	if tag.RowsAffected() == 1 {
		s.touch("quarantine", r.Item.String())
	}
	return tag.RowsAffected() == 1, translate(err)
}

// Refused lists what is in quarantine for a lot, without the content, oldest
// first. What names no lot belongs to the empty one.
func (s Site) Refused(ctx context.Context, lot string) ([]QuarantineRow, error) {
	return all[QuarantineRow](ctx, s.q, `
		SELECT item, fingerprint, lot, source, line, field, reason, remedy, NULL::bytea AS content, received_at
		FROM quarantine WHERE site = $1 AND lot = $2 ORDER BY received_at, item`, s.Name, lot)
}
