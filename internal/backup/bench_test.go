package backup_test

import (
	"crypto/sha256"
	"io"
	"math"
	"testing"
	"time"

	"alike/internal/backup"
	"alike/internal/line"
	"alike/internal/store"
	"alike/spc/band"
)

// BenchmarkWrite backs up 2000 takes of 480 points, and prints how much of the time the
// bare COPY of the same tables takes, and of hashing their rows: what no backup of this
// form can do without.
func BenchmarkWrite(b *testing.B) {
	db := bulk(b, 1000)
	var copying, hashing, whole time.Duration
	for b.Loop() {
		var text counter
		started := time.Now()
		err := db.Dump(b.Context(), func(d *store.Dump) error {
			tables, err := d.Tables(b.Context())
			for _, t := range tables {
				if err := d.Copy(b.Context(), t, &text); err != nil {
					return err
				}
			}
			return err
		})
		if err != nil {
			b.Fatal(err)
		}
		copying += time.Since(started)
		started = time.Now()
		h := sha256.New()
		_, _ = io.CopyN(h, zeros{}, int64(text))
		hashing += time.Since(started)
		started = time.Now()
		if _, _, err := backup.Write(b.Context(), db, io.Discard, "", made, quiet); err != nil {
			b.Fatal(err)
		}
		whole += time.Since(started)
		b.SetBytes(int64(text))
	}
	b.ReportMetric(copying.Seconds()/whole.Seconds(), "of-it-COPY")
	b.ReportMetric(hashing.Seconds()/whole.Seconds(), "of-it-hash")
	b.ReportMetric(2000*float64(b.N)/whole.Seconds(), "takes/s")
}

type counter int64

func (c *counter) Write(p []byte) (int, error) {
	*c += counter(len(p))
	return len(p), nil
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return len(p), nil }

// bulk is a database with units of two takes of 480 points.
func bulk(b *testing.B, units int) *store.DB {
	b.Helper()
	db, l, _ := filled(b, 0)
	for i := range units {
		takeInGrid(b, l, i, 480)
	}
	return db
}

func takeInGrid(b *testing.B, l *line.Line, unit, points int) {
	b.Helper()
	grid := make([]float64, points)
	for i := range grid {
		grid[i] = 20 * math.Pow(1000, float64(i)/float64(points-1))
	}
	takeInCurve(b, l, unit, func(noise func() float64) band.Curve {
		c := band.Curve{Hz: grid}
		for range grid {
			c.DB = append(c.DB, 90+noise()/10)
		}
		return c
	})
}
