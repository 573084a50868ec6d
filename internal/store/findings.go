package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// A FindingRow is one thing that the charts found.
type FindingRow struct {
	Finding     int64
	Product     string
	FirstPlace  int64
	LastPlace   int64
	Kind        string // unit or line
	State       string // open, acted or closed
	Analysis    json.RawMessage
	AnalysedTo  int64
	Cause       string
	Action      string
	ActedPlace  *int64
	ClosedPlace *int64
	OpenedAt    time.Time
}

const findingColumns = `finding, product, first_place, last_place, kind, state, analysis, analysed_to, cause, action,
	acted_place, closed_place, opened_at`

// AddFinding stores a new finding and returns its number.
func (s Site) AddFinding(ctx context.Context, f FindingRow) (number int64, err error) {
	err = s.q.QueryRow(ctx, `
		WITH number AS (
			UPDATE sites SET next_finding = next_finding + 1 WHERE site = $1 RETURNING next_finding - 1 AS finding
		)
		INSERT INTO findings (site, `+findingColumns+`)
		SELECT $1, finding, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13 FROM number
		RETURNING finding`,
		s.Name, f.Product, f.FirstPlace, f.LastPlace, f.Kind, f.State, f.Analysis, f.AnalysedTo, f.Cause, f.Action,
		f.ActedPlace, f.ClosedPlace, now(f.OpenedAt)).Scan(&number)
	if err == nil {
		s.touch("findings", strconv.FormatInt(number, 10))
	}
	return number, translate(err)
}

// SetFinding writes what may change of a finding: all but its number, product, first
// place and time of opening.
func (s Site) SetFinding(ctx context.Context, f FindingRow) error {
	s.touch("findings", strconv.FormatInt(f.Finding, 10))
	return s.exec(ctx, `
		UPDATE findings SET last_place = $3, kind = $4, state = $5, analysis = $6, analysed_to = $7, cause = $8, action = $9,
			acted_place = $10, closed_place = $11
		WHERE site = $1 AND finding = $2`,
		s.Name, f.Finding, f.LastPlace, f.Kind, f.State, f.Analysis, f.AnalysedTo, f.Cause, f.Action, f.ActedPlace, f.ClosedPlace)
}

// Finding returns one finding.
func (s Site) Finding(ctx context.Context, number int64) (FindingRow, error) {
	return one[FindingRow](ctx, s.q, `SELECT `+findingColumns+` FROM findings WHERE site = $1 AND finding = $2`, s.Name, number)
}

// LockFinding is Finding for a transaction that will change it.
func (s Site) LockFinding(ctx context.Context, number int64) (FindingRow, error) {
	return one[FindingRow](ctx, s.q, `SELECT `+findingColumns+` FROM findings WHERE site = $1 AND finding = $2 FOR UPDATE`, s.Name, number)
}

// Findings lists findings, newest first, at most limit: those of a product, or all for
// an empty one, and those in a state, or in any for an empty one.
func (s Site) Findings(ctx context.Context, product, state string, limit int) ([]FindingRow, error) {
	return all[FindingRow](ctx, s.q, `
		SELECT `+findingColumns+` FROM findings
		WHERE site = $1 AND ($2 = '' OR product = $2) AND ($3 = '' OR state = $3)
		ORDER BY finding DESC LIMIT $4`, s.Name, product, state, limit)
}

// FindingsSince returns a product's findings whose latest signal, or end, is not before
// a place, oldest first.
func (s Site) FindingsSince(ctx context.Context, product string, place int64) ([]FindingRow, error) {
	return all[FindingRow](ctx, s.q, `
		SELECT `+findingColumns+` FROM findings
		WHERE site = $1 AND product = $2 AND (last_place >= $3 OR closed_place >= $3) ORDER BY finding`, s.Name, product, place)
}

// FindingsOfLot returns the findings with a signal at one of a lot's units, oldest
// first.
func (s Site) FindingsOfLot(ctx context.Context, lot string) ([]FindingRow, error) {
	return all[FindingRow](ctx, s.q, `
		SELECT `+findingColumns+` FROM findings f
		WHERE f.site = $1 AND EXISTS (
			SELECT 1 FROM finding_signals g JOIN units u ON u.site = g.site AND u.product = g.product AND u.place = g.place
			WHERE g.site = f.site AND g.finding = f.finding AND u.lot = $2)
		ORDER BY f.finding`, s.Name, lot)
}

// A FindingEvent is one thing that happened to a finding.
type FindingEvent struct {
	Finding int64
	Event   int
	At      time.Time
	Actor   string
	Origin  string
	Kind    string
	Place   int64
	Text    string
}

// AddFindingEvent appends one; the finding's row must be locked or new.
func (s Site) AddFindingEvent(ctx context.Context, e FindingEvent) error {
	err := s.q.QueryRow(ctx, `
		INSERT INTO finding_events (site, finding, event, at, actor, origin, kind, place, text)
		SELECT $1, $2, 1 + coalesce(max(event), 0), $3, $4, $5, $6, $7, $8 FROM finding_events WHERE site = $1 AND finding = $2
		RETURNING event`,
		s.Name, e.Finding, now(e.At), e.Actor, e.Origin, e.Kind, e.Place, e.Text).Scan(&e.Event)
	if err == nil {
		s.touch("finding_events", fmt.Sprintf("%d/%d", e.Finding, e.Event))
	}
	return translate(err)
}

// FindingEvents returns what happened to a finding, oldest first.
func (s Site) FindingEvents(ctx context.Context, number int64) ([]FindingEvent, error) {
	return all[FindingEvent](ctx, s.q, `
		SELECT finding, event, at, actor, origin, kind, place, text FROM finding_events
		WHERE site = $1 AND finding = $2 ORDER BY event`, s.Name, number)
}

// LinkSignals says that signals belong to a finding. A signal that belongs to one
// already stays there.
func (s Site) LinkSignals(ctx context.Context, number int64, rows []SignalRow) error {
	if len(rows) == 0 {
		return nil
	}
	n := len(rows)
	places, streams, rules := make([]int64, n), make([]string, n), make([]string, n)
	for i, r := range rows {
		places[i], streams[i], rules[i] = r.Place, r.Stream, r.Rule
		s.touch("finding_signals", signalKey(rows[0].Product, rows[0].LimitSet, r.Place))
	}
	return s.exec(ctx, `
		INSERT INTO finding_signals (site, product, limit_set, finding, place, stream, rule)
		SELECT $1, $2, $3, $4, * FROM unnest($5::bigint[], $6::text[], $7::text[]) ON CONFLICT DO NOTHING`,
		s.Name, rows[0].Product, rows[0].LimitSet, number, places, streams, rules)
}

// SignalsOfFinding returns a finding's signals in order of production. Each is looked up
// by its key: before the tables have statistics a plain join is planned so that it takes
// a second for a thousand signals.
func (s Site) SignalsOfFinding(ctx context.Context, number int64) ([]SignalRow, error) {
	return all[SignalRow](ctx, s.q, `
		SELECT s.product, s.limit_set, s.place, s.stream, s.rule, s.serial, s.value, s.z
		FROM finding_signals g CROSS JOIN LATERAL (
			SELECT * FROM signals s WHERE s.site = $1 AND s.product = g.product AND s.limit_set = g.limit_set
				AND s.place = g.place AND s.stream = g.stream AND s.rule = g.rule AND s.withdrawn IS NULL LIMIT 1) s
		WHERE g.site = $1 AND g.finding = $2 ORDER BY s.place, s.stream, s.rule, s.limit_set`, s.Name, number)
}

// A SignalLink says which finding a signal of a lot belongs to.
type SignalLink struct {
	LimitSet int
	Place    int64
	Stream   string
	Rule     string
	Finding  int64
}

// LinksOfLot returns to which findings a lot's signals belong.
func (s Site) LinksOfLot(ctx context.Context, lot string) ([]SignalLink, error) {
	return all[SignalLink](ctx, s.q, `
		SELECT g.limit_set, g.place, g.stream, g.rule, g.finding
		FROM units u JOIN finding_signals g ON g.site = u.site AND g.product = u.product AND g.place = u.place
		WHERE u.site = $1 AND u.lot = $2`, s.Name, lot)
}

// A FirstAttempt is what is known of a unit's first attempt beside its curves, and how
// the unit stands now.
type FirstAttempt struct {
	Place      int64
	Serial     string
	Lot        string
	Station    string
	Operator   string
	MeasuredAt time.Time
	Judgement  json.RawMessage
	Last       string // verdict of the last judged attempt
}

// FirstAttempts returns the units between two places, both included, in order of
// production.
func (s Site) FirstAttempts(ctx context.Context, product string, from, to int64) ([]FirstAttempt, error) {
	return all[FirstAttempt](ctx, s.q, `
		SELECT u.place, u.serial, u.lot, a.station, a.operator, a.measured_at, a.judgement,
			(SELECT b.verdict FROM attempts b WHERE b.site = u.site AND b.serial = u.serial AND b.verdict IS NOT NULL
				ORDER BY b.number DESC LIMIT 1) AS last
		FROM units u JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.number = 1
		WHERE u.site = $1 AND u.product = $2 AND u.place BETWEEN $3 AND $4 AND a.verdict IS NOT NULL ORDER BY u.place`,
		s.Name, product, from, to)
}

// PartsOfProduct returns the ledger entries of a product that are in force.
func (s Site) PartsOfProduct(ctx context.Context, product string) ([]PartUse, error) {
	return all[PartUse](ctx, s.q, `
		SELECT `+partColumns+` FROM part_uses WHERE site = $1 AND product = $2 AND withdrawn_at IS NULL
		ORDER BY kind, channel, first_serial, entered_at`, s.Name, product)
}

// FindingsAt returns the findings with a signal, standing or withdrawn, at one of the
// places, oldest first.
func (s Site) FindingsAt(ctx context.Context, product string, places []int64) ([]FindingRow, error) {
	return all[FindingRow](ctx, s.q, `
		SELECT `+findingColumns+` FROM findings f
		WHERE f.site = $1 AND f.product = $2 AND EXISTS (
			SELECT FROM finding_signals g WHERE g.site = f.site AND g.product = f.product AND g.finding = f.finding AND g.place = ANY($3))
		ORDER BY f.finding`, s.Name, product, places)
}

// FindingSpan returns the serials of the first and the latest unit of a finding, and how
// many signals of it stand: a run may go on after the latest unit that shows the change.
func (s Site) FindingSpan(ctx context.Context, number int64) (first, last string, signals int, err error) {
	err = s.q.QueryRow(ctx, `
		SELECT
			coalesce((SELECT u.serial FROM units u WHERE u.site = f.site AND u.product = f.product AND u.place = f.first_place), ''),
			coalesce((SELECT u.serial FROM units u WHERE u.site = f.site AND u.product = f.product AND u.place = f.last_place), ''),
			(SELECT count(*) FROM finding_signals g WHERE g.site = f.site AND g.finding = f.finding AND EXISTS (
				SELECT FROM signals s WHERE s.site = g.site AND s.product = g.product AND s.limit_set = g.limit_set
					AND s.place = g.place AND s.stream = g.stream AND s.rule = g.rule AND s.withdrawn IS NULL))
		FROM findings f WHERE f.site = $1 AND f.finding = $2`, s.Name, number).Scan(&first, &last, &signals)
	return first, last, signals, translate(err)
}
