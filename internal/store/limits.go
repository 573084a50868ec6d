package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"
)

// A LimitSetRow holds the frozen parameters of a product's charts.
type LimitSetRow struct {
	Product   string
	Version   int
	FromPlace int64
	Baseline  []string
	LeftOut   json.RawMessage
	Every     int
	Budget    json.RawMessage
	Rules     json.RawMessage
	Streams   []string
	Center    []float64
	Sigma     []float64
	Freedom   float64
	Reason    string
	Author    string
	CreatedAt time.Time
}

const limitSetColumns = `product, version, from_place, baseline, left_out, every, budget, rules, streams, center, sigma,
	freedom, reason, author, created_at`

// AddLimitSet stores the next version of a product's limit set and returns its
// number. The product must be locked.
func (s Site) AddLimitSet(ctx context.Context, l LimitSetRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO limit_sets (site, version, product, from_place, baseline, left_out, every, rules, streams, center,
			sigma, freedom, reason, author, created_at, budget)
		SELECT $1, 1 + coalesce(max(version), 0), $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15
		FROM limit_sets WHERE site = $1 AND product = $2
		RETURNING version`,
		s.Name, l.Product, l.FromPlace, l.Baseline, l.LeftOut, l.Every, l.Rules, l.Streams, l.Center,
		l.Sigma, l.Freedom, l.Reason, l.Author, now(l.CreatedAt), l.Budget).Scan(&version)
	if err == nil {
		s.touch("limit_sets", fmt.Sprintf("%s/%d", l.Product, version))
	}
	return version, translate(err)
}

// LimitSet returns one version of a product's limit set, or the newest for
// version 0.
func (s Site) LimitSet(ctx context.Context, product string, version int) (LimitSetRow, error) {
	return one[LimitSetRow](ctx, s.q, `
		SELECT `+limitSetColumns+` FROM limit_sets
		WHERE site = $1 AND product = $2 AND ($3 = 0 OR version = $3)
		ORDER BY version DESC LIMIT 1`, s.Name, product, version)
}

// LimitSetAt returns the limit set that was in force for the unit at a place: the
// newest one whose first unit is not behind it.
func (s Site) LimitSetAt(ctx context.Context, product string, place int64) (LimitSetRow, error) {
	return s.LimitSetUpTo(ctx, product, place, math.MaxInt32)
}

// LimitSetUpTo is LimitSetAt as if versions after the one given did not exist.
func (s Site) LimitSetUpTo(ctx context.Context, product string, place int64, upTo int) (LimitSetRow, error) {
	return one[LimitSetRow](ctx, s.q, `
		SELECT `+limitSetColumns+` FROM limit_sets
		WHERE site = $1 AND product = $2 AND from_place <= $3 AND version <= $4
		ORDER BY version DESC LIMIT 1`, s.Name, product, place, upTo)
}

// LimitSets lists the versions of a product's limit set, oldest first.
func (s Site) LimitSets(ctx context.Context, product string) ([]LimitSetRow, error) {
	return all[LimitSetRow](ctx, s.q, `
		SELECT `+limitSetColumns+` FROM limit_sets WHERE site = $1 AND product = $2 ORDER BY version`, s.Name, product)
}

// A TogetherRow is the chart of all streams together that belongs to a limit set.
type TogetherRow struct {
	Product    string
	Version    int
	Lambda     float64
	FiresAbove float64
	FirstShare float64
	Shrinkage  float64
	Streams    []string
	Whiten     []byte
}

// AddTogether stores the chart of a limit set that was just added.
func (s Site) AddTogether(ctx context.Context, r TogetherRow) error {
	s.touch("together_charts", fmt.Sprintf("%s/%d", r.Product, r.Version))
	return s.exec(ctx, `
		INSERT INTO together_charts (site, product, version, lambda, fires_above, first_share, shrinkage, streams, whiten)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		s.Name, r.Product, r.Version, r.Lambda, r.FiresAbove, r.FirstShare, r.Shrinkage, r.Streams, r.Whiten)
}

// Together returns the chart of all streams together of a limit set.
func (s Site) Together(ctx context.Context, product string, version int) (TogetherRow, error) {
	return one[TogetherRow](ctx, s.q, `
		SELECT product, version, lambda, fires_above, first_share, shrinkage, streams, whiten FROM together_charts
		WHERE site = $1 AND product = $2 AND version = $3`, s.Name, product, version)
}

// A SignalRow is one rule that fired on one stream at one unit.
type SignalRow struct {
	Product  string
	LimitSet int
	Place    int64
	Stream   string
	Rule     string
	Serial   string
	Value    float32
	Z        float32
}

func signalKey(product string, limitSet int, place int64) string {
	return fmt.Sprintf("%s/%d/%d", product, limitSet, place)
}

// AddSignals stores signals, all in one statement. One that was withdrawn takes the
// new values.
func (s Site) AddSignals(ctx context.Context, rows []SignalRow) error {
	if len(rows) == 0 {
		return nil
	}
	n := len(rows)
	places, streams, rules, serials := make([]int64, n), make([]string, n), make([]string, n), make([]string, n)
	for _, r := range rows {
		s.touch("signals", signalKey(r.Product, r.LimitSet, r.Place))
	}
	values, zs := make([]float32, n), make([]float32, n)
	for i, r := range rows {
		places[i], streams[i], rules[i], serials[i], values[i], zs[i] = r.Place, r.Stream, r.Rule, r.Serial, r.Value, r.Z
	}
	return s.exec(ctx, `
		INSERT INTO signals (site, product, limit_set, place, stream, rule, serial, value, z)
		SELECT $1, $2, $3, * FROM unnest($4::bigint[], $5::text[], $6::text[], $7::text[], $8::real[], $9::real[])
		ON CONFLICT (site, product, limit_set, place, stream, rule) DO UPDATE
			SET value = excluded.value, z = excluded.z, withdrawn = NULL WHERE signals.withdrawn IS NOT NULL`,
		s.Name, rows[0].Product, rows[0].LimitSet, places, streams, rules, serials, values, zs)
}

// SignalsOfLot returns the signals of a lot's units in order of production.
func (s Site) SignalsOfLot(ctx context.Context, lot string) ([]SignalRow, error) {
	return all[SignalRow](ctx, s.q, `
		SELECT g.product, g.limit_set, g.place, g.stream, g.rule, g.serial, g.value, g.z
		FROM signals g JOIN units u ON u.site = g.site AND u.serial = g.serial
		WHERE g.site = $1 AND u.lot = $2 AND g.withdrawn IS NULL ORDER BY g.place, g.stream, g.rule`, s.Name, lot)
}

// SignalsOfStream returns the signals of one stream between two places, both
// included.
func (s Site) SignalsOfStream(ctx context.Context, product, stream string, from, to int64) ([]SignalRow, error) {
	return all[SignalRow](ctx, s.q, `
		SELECT product, limit_set, place, stream, rule, serial, value, z FROM signals
		WHERE site = $1 AND product = $2 AND stream = $3 AND place BETWEEN $4 AND $5 AND withdrawn IS NULL ORDER BY place, rule`,
		s.Name, product, stream, from, to)
}

// SignalsOfUnit returns the signals at one unit.
func (s Site) SignalsOfUnit(ctx context.Context, serial string) ([]SignalRow, error) {
	return all[SignalRow](ctx, s.q, `
		SELECT product, limit_set, place, stream, rule, serial, value, z FROM signals
		WHERE site = $1 AND serial = $2 AND withdrawn IS NULL ORDER BY limit_set, stream, rule`, s.Name, serial)
}
