package store

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
)

// A LearnRow is a charted reading with what decides whether it is learnt.
type LearnRow struct {
	Place      int64
	Number     int
	Serial     string
	Lot        string
	Attempt    uuid.UUID
	MeasuredAt time.Time
	Verdict    string // of the charted attempt
	Streams    []float32
}

// Same reports whether two rows are of one attempt with one verdict.
func (r LearnRow) Same(o LearnRow) bool {
	return r.Place == o.Place && r.Attempt == o.Attempt && r.Verdict == o.Verdict && r.Serial == o.Serial && r.Lot == o.Lot && r.MeasuredAt.Equal(o.MeasuredAt)
}

const learnColumns = `SELECT r.place, r.number, r.serial, u.lot, a.attempt, a.measured_at, coalesce(a.verdict, '') AS verdict,
	CASE WHEN r.place >= $5 THEN array_send(r.streams) END AS streams
	FROM readings r
	JOIN units u ON u.site = r.site AND u.serial = r.serial
	JOIN attempts a ON a.site = r.site AND a.serial = r.serial AND a.number = r.number
	WHERE r.site = $1 AND r.product = $2 AND r.charted AND r.place < $3 `

// LearnRows returns the charted readings of the first units before a place, at most
// limit, in order of production; Streams only from a place on.
func (s Site) LearnRows(ctx context.Context, product string, before int64, limit int, from int64) ([]LearnRow, error) {
	return s.learnRows(ctx, learnColumns+`ORDER BY r.place LIMIT $4`, product, before, limit, from)
}

// LastLearnRows returns those of the last units before a place.
func (s Site) LastLearnRows(ctx context.Context, product string, before int64, limit int) ([]LearnRow, error) {
	rows, err := s.learnRows(ctx, learnColumns+`ORDER BY r.place DESC LIMIT $4`, product, before, limit, 0)
	slices.Reverse(rows)
	return rows, err
}

func (s Site) learnRows(ctx context.Context, sql, product string, before int64, limit int, from int64) ([]LearnRow, error) {
	type row struct {
		Place      int64
		Number     int
		Serial     string
		Lot        string
		Attempt    uuid.UUID
		MeasuredAt time.Time
		Verdict    string
		Streams    []byte
	}
	rows, err := all[row](ctx, s.q, sql, s.Name, product, before, limit, from)
	if err != nil {
		return nil, err
	}
	out := make([]LearnRow, len(rows))
	for i, r := range rows {
		out[i] = LearnRow{Place: r.Place, Number: r.Number, Serial: r.Serial, Lot: r.Lot, Attempt: r.Attempt, MeasuredAt: r.MeasuredAt, Verdict: r.Verdict}
		if r.Streams != nil {
			if out[i].Streams, err = reals(r.Streams); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// SignalsFrom returns the signals of a limit set from a place on, in order of production.
func (s Site) SignalsFrom(ctx context.Context, product string, limitSet int, from int64) ([]SignalRow, error) {
	return all[SignalRow](ctx, s.q, `
		SELECT product, limit_set, place, stream, rule, serial, value, z FROM signals
		WHERE site = $1 AND product = $2 AND limit_set = $3 AND place >= $4 AND withdrawn IS NULL ORDER BY place, stream, rule`,
		s.Name, product, limitSet, from)
}

// LinksFrom returns which signals of a limit set, standing or withdrawn, belong to a finding,
// from a place on. LimitSet and Finding are not filled in.
func (s Site) LinksFrom(ctx context.Context, product string, limitSet int, from int64) ([]SignalLink, error) {
	return all[SignalLink](ctx, s.q, `
		SELECT 0 AS limit_set, place, stream, rule, 0::bigint AS finding FROM finding_signals
		WHERE site = $1 AND product = $2 AND limit_set = $3 AND place >= $4`, s.Name, product, limitSet, from)
}

// WithdrawSignals withdraws signals of one limit set that its charts, read again, no
// longer give.
func (s Site) WithdrawSignals(ctx context.Context, rows []SignalRow) error {
	if len(rows) == 0 {
		return nil
	}
	n := len(rows)
	places, streams, rules := make([]int64, n), make([]string, n), make([]string, n)
	for i, r := range rows {
		places[i], streams[i], rules[i] = r.Place, r.Stream, r.Rule
		s.touch("signals", signalKey(r.Product, r.LimitSet, r.Place))
	}
	return s.exec(ctx, `
		UPDATE signals g SET withdrawn = 0 FROM unnest($4::bigint[], $5::text[], $6::text[]) AS w (place, stream, rule)
		WHERE g.site = $1 AND g.product = $2 AND g.limit_set = $3 AND g.place = w.place AND g.stream = w.stream AND g.rule = w.rule
			AND g.withdrawn IS NULL`, s.Name, rows[0].Product, rows[0].LimitSet, places, streams, rules)
}
