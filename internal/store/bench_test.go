package store_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/google/uuid"
)

// BenchmarkVerify walks 100 000 entries that speak for 300 000 rows, and prints the time
// beside that of reading the same tables once with count(*).
//
//	go test -run '^$' -bench Verify -benchtime 3x ./internal/store
func BenchmarkVerify(b *testing.B) {
	url := storetest.URL(b)
	db, err := store.Open(b.Context(), url)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	ctx := b.Context()
	const units, per = 20_000, 200
	err = db.InSite(ctx, "a", func(s store.Site) error {
		_, err := s.AddSite(ctx, "A", "UTC", moment)
		return errors.Join(err, s.AddProduct(ctx, store.ProductRow{Product: "p", Definition: []byte(`{}`), CreatedAt: moment}),
			second(s.AddLot(ctx, "L1", "p", moment)), second(s.Write(ctx, store.Entry{At: moment, Action: "begin"})))
	})
	if err != nil {
		b.Fatal(err)
	}
	bands := make([]float32, 31)
	began := time.Now()
	for i := 0; i < units; i += per {
		err := db.InSite(ctx, "a", func(s store.Site) error {
			for n := i; n < i+per; n++ {
				serial := fmt.Sprintf("U%06d", n)
				a := store.AttemptRow{Attempt: uuid.Must(uuid.NewV7()), Serial: serial, Number: 1, MeasuredAt: moment, ReceivedAt: moment}
				bands[0] = float32(n)
				take := store.TakeRow{Take: uuid.Must(uuid.NewV7()), Attempt: a.Attempt, Channel: "left", Seating: 1, ContentHash: []byte(serial), Bands: bands, Notes: []string{}}
				if err := errors.Join(s.AddUnit(ctx, store.UnitRow{Serial: serial, Product: "p", Lot: "L1", FirstSeen: moment}),
					s.AddAttempt(ctx, a), s.AddTakes(ctx, []store.TakeRow{take}, nil),
					second(s.Write(ctx, store.Entry{At: moment, Actor: "station", Action: "take in", Subject: serial, Detail: []byte(`{"takes": 1}`)}))); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	b.Logf("written in %v", time.Since(began))
	conn := newForger(b, url).conn
	if _, err := conn.Exec(ctx, "ANALYZE"); err != nil {
		b.Fatal(err)
	}
	var plain time.Duration
	b.ResetTimer()
	for b.Loop() {
		v, err := db.Verify(ctx, "a", nil, func(store.VerifyStep) {})
		if err != nil || len(v.Faults) > 0 || v.Entries != units+1 {
			b.Fatalf("%+v (%v)", v, err)
		}
		b.StopTimer()
		t := time.Now()
		for _, table := range []string{"journal", "journal_rows", "units", "attempts", "takes"} {
			if _, err := conn.Exec(ctx, "SELECT count(*), sum(length(t::text)) FROM "+table+" t"); err != nil {
				b.Fatal(err)
			}
		}
		plain = time.Since(t)
		b.StartTimer()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/plain.Seconds(), "times-reading-as-text")
}
