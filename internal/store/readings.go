package store

import (
	"context"
	"fmt"
	"slices"
)

// A ReadingRow is what the charts read of one judged attempt: all streams of the
// product, NaN where one is missing.
type ReadingRow struct {
	Place   int64
	Number  int
	Serial  string
	Streams []float32
	Charted bool // the charts read it: the unit's first attempt on a trusted rig
}

func readingKey(product string, number int, place int64) string {
	return fmt.Sprintf("%s/%d/%d", product, number, place)
}

// AddReading stores one.
func (s Site) AddReading(ctx context.Context, product string, r ReadingRow) error {
	s.touch("readings", readingKey(product, r.Number, r.Place))
	return s.exec(ctx, `
		INSERT INTO readings (site, product, place, number, serial, streams, charted) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		s.Name, product, r.Place, r.Number, r.Serial, r.Streams, r.Charted)
}

// LastReadings returns the charted readings of the last units before a
// place, not before from, at most limit, in order of production.
func (s Site) LastReadings(ctx context.Context, product string, from, before int64, limit int) ([]ReadingRow, error) {
	rows, err := all[ReadingRow](ctx, s.q, `
		SELECT place, number, serial, streams, charted FROM readings
		WHERE site = $1 AND product = $2 AND charted AND place >= $3 AND place < $4
		ORDER BY place DESC LIMIT $5`, s.Name, product, from, before, limit)
	slices.Reverse(rows)
	return rows, err
}

// ReadingsOf returns the charted readings of the given units in order of
// production.
func (s Site) ReadingsOf(ctx context.Context, product string, serials []string) ([]ReadingRow, error) {
	return all[ReadingRow](ctx, s.q, `
		SELECT place, number, serial, streams, charted FROM readings
		WHERE site = $1 AND product = $2 AND charted AND serial = ANY($3) ORDER BY place`, s.Name, product, serials)
}

// ReadingsOfLot returns the readings of all judged attempts of a lot that are not on
// hold, in order of production, then by attempt.
func (s Site) ReadingsOfLot(ctx context.Context, lot string) ([]ReadingRow, error) {
	return all[ReadingRow](ctx, s.q, `
		SELECT r.place, r.number, r.serial, r.streams, r.charted
		FROM units u JOIN attempts a ON a.site = u.site AND a.serial = u.serial AND a.verdict <> 'hold'
		JOIN readings r ON r.site = u.site AND r.product = u.product AND r.number = a.number AND r.place = u.place
		WHERE u.site = $1 AND u.lot = $2 ORDER BY r.place, r.number`, s.Name, lot)
}

// A StreamPoint is one stream's value at one unit's charted attempt.
type StreamPoint struct {
	Place  int64
	Serial string
	Lot    string
	Value  float32
}

// Stream returns the last limit points, up to a place, of the stream at a position
// of the readings, in order of production.
func (s Site) Stream(ctx context.Context, product string, position int, upTo int64, limit int) ([]StreamPoint, error) {
	rows, err := all[StreamPoint](ctx, s.q, `
		SELECT r.place, r.serial, u.lot, r.streams[$3] AS value
		FROM readings r JOIN units u ON u.site = r.site AND u.serial = r.serial
		WHERE r.site = $1 AND r.product = $2 AND r.charted AND r.place <= $4
		ORDER BY r.place DESC LIMIT $5`, s.Name, product, position+1, upTo, limit)
	slices.Reverse(rows)
	return rows, err
}
