package storetest

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A Filling says what Fill puts into a database.
type Filling struct {
	Site, Product string // both are there already
	Units         int
	PerLot        int
	Channels      []string
	Bands         int // per take
	Streams       int
	Start         time.Time // the first unit; one comes every four minutes
	// Stream gives a stream's value at a unit, from 0.
	Stream func(unit, stream int, rng *rand.Rand) float32
	// Judgement gives a unit's verdict word and what is stored of it.
	Judgement func(unit int, rng *rand.Rand) (word string, judgement json.RawMessage)
}

// FilledSerial returns the serial of a filled unit, from 0.
func FilledSerial(unit int) string { return fmt.Sprintf("B%07d", unit+1) }

// Fill stores judged units with their takes, readings and journal straight into the
// tables, for measurements with more units than the line would judge in good time. Takes have
// no curves, only bands. The site must hold no units.
func Fill(t testing.TB, url string, f Filling) {
	t.Helper()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error { return f.fill(ctx, tx) }); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{"units", "attempts", "takes", "readings", "journal", "lots", "signals"} {
		if _, err := conn.Exec(ctx, "VACUUM ANALYZE "+table); err != nil {
			t.Fatal(err)
		}
	}
}

func (f Filling) at(unit int) time.Time {
	return f.Start.Add(time.Duration(unit) * 4 * time.Minute).UTC().Truncate(time.Microsecond)
}

func (f Filling) lot(unit int) string { return fmt.Sprintf("F%04d", unit/f.PerLot+1) }

func (f Filling) fill(ctx context.Context, tx pgx.Tx) error {
	rng := rand.New(rand.NewPCG(7, 1))
	copyIn := func(table string, columns []string, rows int, row func(int) []any) error {
		_, err := tx.CopyFrom(ctx, pgx.Identifier{table}, columns, pgx.CopyFromSlice(rows, func(i int) ([]any, error) { return row(i), nil }))
		return err
	}
	attempts := make([]uuid.UUID, f.Units)
	for i := range attempts {
		attempts[i] = uuid.Must(uuid.NewV7())
	}
	lots := (f.Units + f.PerLot - 1) / f.PerLot
	if err := copyIn("lots", []string{"site", "lot", "product", "opened_at"}, lots, func(i int) []any {
		return []any{f.Site, f.lot(i * f.PerLot), f.Product, f.at(i * f.PerLot)}
	}); err != nil {
		return err
	}
	if err := copyIn("units", []string{"site", "serial", "product", "lot", "place", "first_seen"}, f.Units, func(i int) []any {
		return []any{f.Site, FilledSerial(i), f.Product, f.lot(i), int64(i + 1), f.at(i)}
	}); err != nil {
		return err
	}
	if err := copyIn("attempts", []string{"site", "attempt", "serial", "number", "station", "operator", "reason", "measured_at", "received_at", "verdict", "judgement", "envelope"}, f.Units, func(i int) []any {
		word, judgement := f.Judgement(i, rng)
		return []any{f.Site, attempts[i], FilledSerial(i), 1, "rig-1", "Savka", "", f.at(i), f.at(i), word, judgement, 1}
	}); err != nil {
		return err
	}
	takes := f.Units * len(f.Channels)
	if err := copyIn("takes", []string{"site", "take", "attempt", "channel", "seating", "measured_at", "received_at", "content_hash", "bands", "source", "notes"}, takes, func(i int) []any {
		unit, bands := i/len(f.Channels), make([]float32, f.Bands)
		for k := range bands {
			bands[k] = 100 + float32(rng.NormFloat64())
		}
		hash := sha256.Sum256(binary.LittleEndian.AppendUint64(nil, uint64(i)))
		return []any{f.Site, uuid.Must(uuid.NewV7()), attempts[unit], f.Channels[i%len(f.Channels)], 1, f.at(unit), f.at(unit), hash[:], bands, "filled.txt", []string{}}
	}); err != nil {
		return err
	}
	if err := copyIn("readings", []string{"site", "product", "place", "number", "serial", "streams", "charted"}, f.Units, func(i int) []any {
		streams := make([]float32, f.Streams)
		for k := range streams {
			streams[k] = f.Stream(i, k, rng)
		}
		return []any{f.Site, f.Product, int64(i + 1), 1, FilledSerial(i), streams, true}
	}); err != nil {
		return err
	}
	return f.journal(ctx, tx, copyIn)
}

func (f Filling) journal(ctx context.Context, tx pgx.Tx, copyIn func(string, []string, int, func(int) []any) error) error {
	var next int64
	if err := tx.QueryRow(ctx, `SELECT next_entry FROM sites WHERE site = $1`, f.Site).Scan(&next); err != nil {
		return err
	}
	if err := copyIn("journal", []string{"site", "entry", "at", "actor", "origin", "action", "subject", "reason", "detail"}, f.Units, func(i int) []any {
		return []any{f.Site, next + int64(i), f.at(i), "station", "fill", "take in", FilledSerial(i), "", json.RawMessage(`{}`)}
	}); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE sites SET next_entry = $2 WHERE site = $1`, f.Site, next+int64(f.Units)); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `UPDATE products SET next_place = $3 WHERE site = $1 AND product = $2`, f.Site, f.Product, int64(f.Units+1))
	return err
}
