package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A Route says what the takes of a serial are: production, unless one of its fields
// says otherwise.
type Route struct {
	Reference bool            // the serial is a reference unit's
	Study     string          // the lot is a study's
	Version   int             // of the rig policy in force; 0 for none
	Policy    json.RawMessage // null without one
}

// Route asks what the takes of a serial with a lot are for a product.
func (s Site) Route(ctx context.Context, product, serial, lot string) (Route, error) {
	return one[Route](ctx, s.q, `
		SELECT EXISTS (SELECT FROM reference_units WHERE site = $1 AND serial = $3) AS reference,
			coalesce((SELECT study FROM studies WHERE site = $1 AND study = $4), '') AS study,
			coalesce(p.version, 0) AS version, p.definition AS policy
		FROM (VALUES (1)) v LEFT JOIN LATERAL (
			SELECT version, definition FROM rig_policies WHERE site = $1 AND product = $2 ORDER BY version DESC LIMIT 1
		) p ON true`, s.Name, product, serial, lot)
}

// A PolicyRow is one version of how a site checks its rigs for a product.
type PolicyRow struct {
	Product    string
	Version    int
	Definition json.RawMessage
	Reason     string
	Author     string
	CreatedAt  time.Time
}

// AddPolicy stores the next version and returns its number. The product must be
// locked.
func (s Site) AddPolicy(ctx context.Context, p PolicyRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO rig_policies (site, product, version, definition, reason, author, created_at)
		SELECT $1, $2, 1 + coalesce(max(version), 0), $3, $4, $5, $6 FROM rig_policies WHERE site = $1 AND product = $2
		RETURNING version`, s.Name, p.Product, p.Definition, p.Reason, p.Author, now(p.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("rig_policies", fmt.Sprintf("%s/%d", p.Product, version))
	}
	return version, translate(err)
}

// Policies lists the versions of a product's rig policy, oldest first.
func (s Site) Policies(ctx context.Context, product string) ([]PolicyRow, error) {
	return all[PolicyRow](ctx, s.q, `
		SELECT product, version, definition, reason, author, created_at FROM rig_policies
		WHERE site = $1 AND product = $2 ORDER BY version`, s.Name, product)
}

// A ReferenceRow is a reference unit with what it is used for now.
type ReferenceRow struct {
	Serial  string
	Product string
	Note    string
	Author  string
	AddedAt time.Time
	State   string // in use, spare, retired
	Reason  string // of the state
	Since   time.Time
}

const referenceColumns = `
	SELECT u.serial, u.product, u.note, u.author, u.added_at, t.state, t.reason, t.at AS since
	FROM reference_units u JOIN LATERAL (
		SELECT state, reason, at FROM reference_states t
		WHERE t.site = u.site AND t.serial = u.serial ORDER BY entry DESC LIMIT 1
	) t ON true
	WHERE u.site = $1`

// AddReference stores a reference unit; ErrExists when it is one already.
func (s Site) AddReference(ctx context.Context, r ReferenceRow) error {
	s.touch("reference_units", r.Serial)
	if err := s.exec(ctx, `INSERT INTO reference_units (site, serial, product, note, author, added_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		s.Name, r.Serial, r.Product, r.Note, r.Author, now(r.AddedAt)); err != nil {
		return err
	}
	return s.SetReference(ctx, r.Serial, r.State, r.Reason, r.Author, r.AddedAt)
}

// SetReference says what a reference unit is used for from now on.
func (s Site) SetReference(ctx context.Context, serial, state, reason, author string, at time.Time) error {
	var entry int
	err := s.q.QueryRow(ctx, `
		INSERT INTO reference_states (site, serial, entry, state, reason, author, at)
		SELECT $1, $2, 1 + coalesce(max(entry), 0), $3, $4, $5, $6 FROM reference_states WHERE site = $1 AND serial = $2
		RETURNING entry`, s.Name, serial, state, reason, author, now(at)).Scan(&entry)
	if err == nil {
		s.touch("reference_states", fmt.Sprintf("%d/%s", entry, serial))
	}
	return translate(err)
}

// Reference returns one reference unit.
func (s Site) Reference(ctx context.Context, serial string) (ReferenceRow, error) {
	return one[ReferenceRow](ctx, s.q, referenceColumns+` AND u.serial = $2`, s.Name, serial)
}

// References lists a product's reference units by serial.
func (s Site) References(ctx context.Context, product string) ([]ReferenceRow, error) {
	return all[ReferenceRow](ctx, s.q, referenceColumns+` AND u.product = $2 ORDER BY u.serial`, s.Name, product)
}

// A VisitRow is a visit to a rig that is not production.
type VisitRow struct {
	Visit      uuid.UUID
	Product    string
	Rig        string
	Serial     string
	Study      *string // nil for a reference unit
	Number     int
	Turned     bool
	Operator   string
	MeasuredAt time.Time
	ReceivedAt time.Time
	Complete   bool
	Baseline   *int
	Policy     *int
	Passed     *bool // nil when it was not checked
	Judgement  json.RawMessage
}

const visitColumns = `visit, product, rig, serial, study, number, turned, operator, measured_at, received_at, complete,
	baseline, policy, passed, judgement`

// AddVisit stores a new visit; a Number of 0 becomes the unit's next one.
func (s Site) AddVisit(ctx context.Context, v *VisitRow) error {
	s.touch("rig_visits", v.Visit.String())
	err := s.q.QueryRow(ctx, `
		INSERT INTO rig_visits (site, visit, product, rig, serial, study, number, turned, operator, measured_at, received_at)
		SELECT $1, $2, $3, $4, $5, $6, CASE WHEN $7::int > 0 THEN $7::int ELSE
			1 + (SELECT coalesce(max(number), 0) FROM rig_visits WHERE site = $1 AND serial = $5 AND study IS NULL) END, $8, $9, $10, $11
		RETURNING number`,
		s.Name, v.Visit, v.Product, v.Rig, v.Serial, v.Study, v.Number, v.Turned, v.Operator, now(v.MeasuredAt), now(v.ReceivedAt)).Scan(&v.Number)
	return translate(err)
}

// CompleteVisit stores that all takes are there, and the judgement if there is one.
func (s Site) CompleteVisit(ctx context.Context, v VisitRow) error {
	s.touch("rig_visits", v.Visit.String())
	return s.exec(ctx, `
		UPDATE rig_visits SET complete = true, baseline = $3, policy = $4, passed = $5, judgement = $6
		WHERE site = $1 AND visit = $2`, s.Name, v.Visit, v.Baseline, v.Policy, v.Passed, v.Judgement)
}

// Visits returns the last visits of a reference unit on a rig, oldest first, at most
// limit; an empty rig is the one whose takes name no station.
func (s Site) Visits(ctx context.Context, serial, rig string, limit int) ([]VisitRow, error) {
	return all[VisitRow](ctx, s.q, `
		SELECT * FROM (SELECT `+visitColumns+` FROM rig_visits
			WHERE site = $1 AND serial = $2 AND study IS NULL AND rig = $3
			ORDER BY measured_at DESC, number DESC LIMIT $4) v ORDER BY measured_at, number`, s.Name, serial, rig, limit)
}

// OpenVisit returns the latest visit of a reference unit on a rig that still lacks
// takes.
func (s Site) OpenVisit(ctx context.Context, serial, rig string, turned bool) (VisitRow, error) {
	return one[VisitRow](ctx, s.q, `
		SELECT `+visitColumns+` FROM rig_visits
		WHERE site = $1 AND serial = $2 AND rig = $3 AND turned = $4 AND study IS NULL AND NOT complete
		ORDER BY measured_at DESC LIMIT 1`, s.Name, serial, rig, turned)
}

// StudyVisits returns the runs of a study that have begun, in order of time.
func (s Site) StudyVisits(ctx context.Context, study string) ([]VisitRow, error) {
	return all[VisitRow](ctx, s.q, `
		SELECT `+visitColumns+` FROM rig_visits WHERE site = $1 AND study = $2 ORDER BY measured_at, received_at, visit`, s.Name, study)
}

// A RigTakeRow is one curve of such a visit.
type RigTakeRow struct {
	TakeRow // Attempt is the visit
	Curve   CurveRow
}

// AddRigTakes stores takes with their curves in one round trip.
func (s Site) AddRigTakes(ctx context.Context, takes []RigTakeRow) error {
	b := &pgx.Batch{}
	for _, t := range takes {
		s.queueGrid(b, t.Curve)
		s.touch("rig_takes", t.Take.String())
		b.Queue(`INSERT INTO rig_takes (site, take, visit, channel, seating, measured_at, received_at, content_hash, bands, grid,
				levels, phases, source, notes) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			s.Name, t.Take, t.Attempt, t.Channel, t.Seating, now(t.MeasuredAt), now(t.ReceivedAt), t.ContentHash, t.Bands,
			t.Curve.Grid, t.Curve.Levels, t.Curve.Phases, t.Source, t.Notes)
	}
	return translate(s.q.SendBatch(ctx, b).Close())
}

// RigTakes returns the takes of visits, by visit, channel and seating; Attempt is
// the visit.
func (s Site) RigTakes(ctx context.Context, visits []uuid.UUID) ([]TakeRow, error) {
	return all[TakeRow](ctx, s.q, `
		SELECT take, visit AS attempt, channel, seating, measured_at, received_at, content_hash, bands, source, notes
		FROM rig_takes WHERE site = $1 AND visit = ANY($2) ORDER BY visit, channel, seating`, s.Name, visits)
}

// A BaselineRow is what a reference unit reads on a healthy rig.
type BaselineRow struct {
	Serial    string
	Rig       string
	Version   int
	Visits    []uuid.UUID
	Seatings  int
	Mean      []float64
	SD        []float64
	Freedom   float64
	Turned    []float64
	Reason    string
	Author    string
	CreatedAt time.Time
}

const baselineColumns = `serial, rig, version, visits, seatings, mean, sd, freedom, turned, reason, author, created_at`

// AddBaseline stores the next version and returns its number.
func (s Site) AddBaseline(ctx context.Context, b BaselineRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO rig_baselines (site, version, serial, rig, visits, seatings, mean, sd, freedom, turned, reason, author, created_at)
		SELECT $1, 1 + coalesce(max(version), 0), $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12
		FROM rig_baselines WHERE site = $1 AND serial = $2 AND rig = $3
		RETURNING version`,
		s.Name, b.Serial, b.Rig, b.Visits, b.Seatings, b.Mean, b.SD, b.Freedom, b.Turned, b.Reason, b.Author, now(b.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("rig_baselines", fmt.Sprintf("%d/%d/%s/%s", version, utf8.RuneCountInString(b.Rig), b.Rig, b.Serial))
	}
	return version, translate(err)
}

// Baseline returns the newest baseline of a reference unit on a rig.
func (s Site) Baseline(ctx context.Context, serial, rig string) (BaselineRow, error) {
	return one[BaselineRow](ctx, s.q, `
		SELECT `+baselineColumns+` FROM rig_baselines WHERE site = $1 AND serial = $2 AND rig = $3
		ORDER BY version DESC LIMIT 1`, s.Name, serial, rig)
}

// Baselines lists all baselines of a reference unit, by rig and version.
func (s Site) Baselines(ctx context.Context, serial string) ([]BaselineRow, error) {
	return all[BaselineRow](ctx, s.q, `
		SELECT `+baselineColumns+` FROM rig_baselines WHERE site = $1 AND serial = $2 ORDER BY rig, version`, s.Name, serial)
}

// A CheckRow is one judged check of a rig by a reference unit.
type CheckRow struct {
	Rig        string
	MeasuredAt time.Time
	Passed     bool
}

// Checks returns the judged checks of the rigs of a product from a moment on and before
// another, as far as they were received by a third, in order of time.
func (s Site) Checks(ctx context.Context, product string, from, before, known time.Time) ([]CheckRow, error) {
	return all[CheckRow](ctx, s.q, `
		SELECT rig, measured_at, passed FROM rig_visits
		WHERE site = $1 AND product = $2 AND study IS NULL AND passed IS NOT NULL AND measured_at >= $3 AND measured_at < $4
			AND received_at <= $5
		ORDER BY measured_at, rig`, s.Name, product, now(from), now(before), now(known))
}
