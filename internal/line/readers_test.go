package line_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"

	"pgregory.net/rapid"
)

// Whatever a file of parts, batches or numbers holds, the reader gives rows or says
// file, place, reason and remedy; never both, and it does not panic.
func TestReadersOfTables(t *testing.T) {
	t.Parallel()
	p := driverProduct()
	setup, err := p.SetUp()
	if err != nil {
		t.Fatal(err)
	}
	words := []string{"kind", "batch", "supplier", "received", "pieces", "first", "last", "unit", "lot", "piece", "channel", "serial", "resonance", "Resonance [Hz]",
		"density [kg/m³]", "measured_at", "reason", "note", "", "foam", "driver", "left", "both", "U1", "U2", "U10", "120,5", "-3", "1e400", "NaN", "2026-09-01", "yesterday", `"`, `a"b`, "\x00", "[", "()", "ä"}
	read := 0
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom([]string{",", ";", "\t"}).Draw(t, "separator")
		head := rapid.SampledFrom([]string{"", "kind;batch;first;last", "kind;batch;pieces;density [kg/m³]", "serial;resonance", "serial;batch;measured_at;resonance [hz]"}).Draw(t, "head")
		some := words
		least, most := 1, 6
		if head != "" { // rows that may well be good
			some, sep = []string{"foam", "U1", "U2", "120,5", "7", "", "2026-09-01 08:00", "x"}, ";"
			least = strings.Count(head, ";") + 1
			most = least
		}
		var rows []string
		for range rapid.IntRange(0, 4).Draw(t, "rows") {
			rows = append(rows, strings.Join(rapid.SliceOfN(rapid.SampledFrom(some), least, most).Draw(t, "cells"), sep))
		}
		if head != "" {
			rows = append([]string{head}, rows...)
		}
		data := []byte(strings.Join(rows, rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end")))
		check := func(n int, err error) {
			var r *curve.Refusal
			switch {
			case err == nil && n == 0:
				t.Fatalf("nothing came of %q", data)
			case err == nil:
				read++
			case n > 0:
				t.Fatalf("rows beside an error of %q", data)
			case !errors.As(err, &r) || r.File != "f.csv" || r.Reason == "" || r.Remedy == "":
				t.Fatalf("%#v of %q", err, data)
			}
		}
		parts, err := line.ReadParts("f.csv", data)
		check(len(parts), err)
		batches, err := line.ReadBatches("f.csv", data)
		check(len(batches), err)
		sets, refused := setup.ReadValues("f.csv", data, time.UTC)
		if len(sets)+len(refused) == 0 {
			t.Fatalf("nothing came of %q", data)
		}
		for _, r := range refused {
			check(0, r)
		}
		for _, s := range sets {
			read++
			if s.Serial == "" || len(s.Values) == 0 {
				t.Fatalf("%+v of %q", s, data)
			}
		}
	})
	if read == 0 {
		t.Error("nothing was ever read")
	}
}
