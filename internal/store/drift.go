package store

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"slices"
)

// A JudgedReading is the reading of a unit's first attempt with what a map of many
// units says about it.
type JudgedReading struct {
	Place   int64
	Serial  string
	Lot     string
	Verdict string
	Streams []float32
}

// JudgedReadings returns the first attempts' readings of the last units up to a
// place, at most limit, in order of production.
func (s Site) JudgedReadings(ctx context.Context, product string, upTo int64, limit int) ([]JudgedReading, error) {
	type row struct {
		Place                int64
		Serial, Lot, Verdict string
		Streams              []byte
	}
	// The driver reads an array number by number; two million of them are read faster
	// from the form in which PostgreSQL sends an array.
	rows, err := all[row](ctx, s.q, `
		SELECT r.place, r.serial, u.lot, a.verdict, array_send(r.streams) AS streams
		FROM readings r
		JOIN units u ON u.site = r.site AND u.serial = r.serial
		JOIN attempts a ON a.site = r.site AND a.serial = r.serial AND a.number = r.number
		WHERE r.site = $1 AND r.product = $2 AND r.charted AND r.place <= $3
		ORDER BY r.place DESC LIMIT $4`, s.Name, product, upTo, limit)
	if err != nil {
		return nil, err
	}
	slices.Reverse(rows)
	out := make([]JudgedReading, len(rows))
	for i, r := range rows {
		streams, err := reals(r.Streams)
		if err != nil {
			return nil, err
		}
		out[i] = JudgedReading{r.Place, r.Serial, r.Lot, r.Verdict, streams}
	}
	return out, nil
}

// reals reads an array of real numbers as PostgreSQL sends it: number of dimensions,
// a flag for nulls, the type, then per dimension size and lower bound, then every
// element after its length; all in big-endian order.
func reals(b []byte) ([]float32, error) {
	const head, element = 20, 8
	if len(b) == 12 { // no dimension: an empty array
		return nil, nil
	}
	if len(b) < head || binary.BigEndian.Uint32(b) != 1 || len(b) != head+element*int(binary.BigEndian.Uint32(b[12:])) {
		return nil, errors.New("database: an array of readings has another form than expected")
	}
	out := make([]float32, (len(b)-head)/element)
	for i := range out {
		out[i] = math.Float32frombits(binary.BigEndian.Uint32(b[head+element*i+4:]))
	}
	return out, nil
}

// A FiredCell is the rules that fired on one stream at one unit under one limit set.
type FiredCell struct {
	LimitSet int
	Place    int64
	Stream   string
	Rules    []string
}

// FiredCells returns the signals between two places, both included, one row per
// unit, stream and limit set.
func (s Site) FiredCells(ctx context.Context, product string, from, to int64) ([]FiredCell, error) {
	return all[FiredCell](ctx, s.q, `
		SELECT limit_set, place, stream, array_agg(rule) AS rules FROM signals
		WHERE site = $1 AND product = $2 AND place BETWEEN $3 AND $4 AND withdrawn IS NULL
		GROUP BY limit_set, place, stream`, s.Name, product, from, to)
}

// DriftParts lists a product's parts ledger as far as it is in force, oldest entry
// first.
func (s Site) DriftParts(ctx context.Context, product string) ([]PartUse, error) {
	return all[PartUse](ctx, s.q, `
		SELECT `+partColumns+` FROM part_uses
		WHERE site = $1 AND product = $2 AND withdrawn_at IS NULL ORDER BY entered_at, use`, s.Name, product)
}

// FirstReadings returns the charted readings of the first units before a place, at most limit, in order of production.
func (s Site) FirstReadings(ctx context.Context, product string, before int64, limit int) ([]ReadingRow, error) {
	return all[ReadingRow](ctx, s.q, `
		SELECT place, number, serial, streams, charted FROM readings
		WHERE site = $1 AND product = $2 AND charted AND place < $3
		ORDER BY place LIMIT $4`, s.Name, product, before, limit)
}
