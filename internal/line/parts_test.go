package line_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"alike/internal/line"
)

func TestPartsLedger(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	ctx := t.Context()
	dir := t.TempDir()
	read := func(text string) ([]line.Batch, error) { return line.ReadBatches("batches.csv", []byte(text)) }
	batches, err := read("kind;batch;supplier;received;pieces;density [kg/m³];air-flow resistance [Pa·s/m]\nfoam;F1;Lathmoor;2026-08-20;300;28,5;410\nfoam;F2;Lathmoor;;;29;\n")
	if err != nil || len(batches) != 2 || len(batches[0].Certificate) != 2 || batches[0].Certificate[1] != (line.BatchValue{Name: "air-flow resistance", Value: 410, Unit: "Pa·s/m"}) || len(batches[1].Certificate) != 1 {
		t.Fatalf("%+v, %v", batches, err)
	}
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{New: 2}) {
		t.Fatalf("%+v, %v", a, err)
	}
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{Known: 2}) {
		t.Fatalf("%+v, %v", a, err)
	}
	batches[0].Certificate[0].Value = 30
	_, err = l.AddBatches(ctx, tester, "p1", batches)
	refusal(t, err, "entered already with other contents")
	batches[0].Reason = "typing error"
	if a, err := l.AddBatches(ctx, tester, "p1", batches); err != nil || a != (line.Added{Corrected: 1, Known: 1}) {
		t.Fatalf("%+v, %v", a, err)
	}
	history, err := db.Site("main").BatchHistory(ctx, "foam", "F1")
	if err != nil || len(history) != 2 || history[1].Reason != "typing error" {
		t.Errorf("%+v, %v", history, err)
	}
	for _, tt := range []struct{ text, part string }{
		{"kind;batch;colour\nfoam;F1;red\n", "batches.csv:1: colour: is neither a known column"},
		{"kind;batch;density [kg/m³]\nfoam;F1;soft\n", `batches.csv:2: density [kg/m³]: "soft" is not a number`},
		{"kind;batch;pieces\nfoam;F1;-2\n", "batches.csv:2: pieces"},
		{"kind;batch;received\nfoam;F1;May\n", "batches.csv:2: received"},
		{"kind;batch\nfoam;\n", "batches.csv:2: batch: is empty"},
		{"kind;batch\nfoam;F1\nfoam;F1\n", "batches.csv:3: batch: foam batch F1 is on line 2 too"},
	} {
		if _, err := read(tt.text); err == nil || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%v, want %q", err, tt.part)
		}
	}
	_, err = l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "felt", Code: "X"}})
	refusal(t, err, `no component of the kind "felt"`)
	_, err = l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "foam", Code: "X", Certificate: []line.BatchValue{{Name: "density", Value: 1, Unit: "lb/ft³"}}}})
	refusal(t, err, "in kg/m³, not in lb/ft³")

	// By lot: units 1 to 3 of one lot in a row are one range, and with a stranger
	// between them an entry each.
	for _, u := range []string{"U1", "U2", "U3"} {
		intake(t, l, visit(u, flat, flat))
	}
	name := filepath.Join(dir, "parts.csv")
	if err := os.WriteFile(name, []byte("kind,batch,lot,unit,first,last\nfoam,F1,L1,,,\nfoam,F2,,U9,,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	data, _ := os.ReadFile(name)
	parts, err := line.ReadParts(name, data)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := l.AddParts(ctx, tester, "p1", parts); err != nil || n != 2 {
		t.Fatalf("%d, %v", n, err)
	}
	held, err := db.Site("main").Parts(ctx, "p1")
	if err != nil || len(held) != 2 || held[0].FirstSerial != "U1" || held[0].LastSerial != "U3" || held[0].Supplier != "Lathmoor" || held[0].ReceivedOn == nil {
		t.Fatalf("%+v, %v", held, err)
	}
	stranger := visit("U2x", flat, flat)
	for i := range stranger {
		stranger[i].Serial, stranger[i].Lot = "U0", "L2"
	}
	intake(t, l, stranger)
	stranger = visit("U5", flat, flat)
	for i := range stranger {
		stranger[i].Lot = "L2"
	}
	intake(t, l, stranger)
	if n, err := l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "foam", Batch: "F2", Lot: "L2"}}); err != nil || n != 2 {
		t.Fatalf("%d, %v", n, err)
	}

	// A correction keeps the entry it replaces.
	next, err := l.CorrectPart(ctx, tester, held[1].Use, &line.PartUse{Kind: "foam", Batch: "F2", First: "U8", Last: "U8"}, "wrong unit scanned")
	if err != nil {
		t.Fatal(err)
	}
	old, err := db.Site("main").Part(ctx, held[1].Use)
	if err != nil || old.WithdrawnAt == nil || *old.WithdrawnWhy != "wrong unit scanned" || *old.ReplacedBy != next || *old.WithdrawnBy != "tester" {
		t.Errorf("%+v, %v", old, err)
	}
	_, err = l.CorrectPart(ctx, tester, held[1].Use, nil, "again")
	refusal(t, err, "was withdrawn before")
	_, err = l.CorrectPart(ctx, tester, next, nil, "")
	refusal(t, err, "needs a reason")
	if _, err = l.CorrectPart(ctx, tester, next, nil, "never built"); err != nil {
		t.Error(err)
	}
	for _, tt := range []struct {
		p    line.PartUse
		part string
	}{
		{line.PartUse{Kind: "foam", Batch: "F1", Supplier: "Other", First: "U1", Last: "U1"}, `is from "Lathmoor", not "Other"`},
		{line.PartUse{Kind: "foam", Batch: "F1", Lot: "L9"}, "lot L9 has no units"},
		{line.PartUse{Kind: "felt", Batch: "F1", First: "U1", Last: "U1"}, `kind "felt"`},
		{line.PartUse{Kind: "foam", Batch: "F1", Channel: "top", First: "U1", Last: "U1"}, `no channel "top"`},
		{line.PartUse{Kind: "driver", Piece: "D1", Channel: "left", First: "U1", Last: "U1"}, "was never measured"},
		{line.PartUse{Kind: "driver", Piece: "D1", First: "U1", Last: "U1"}, "on which side"},
		{line.PartUse{Kind: "driver", Piece: "U2", Channel: "left", First: "U1", Last: "U1"}, "U2 is a unit of product p1"},
		{line.PartUse{Kind: "driver", Piece: "D1", Channel: "left", First: "U1", Last: "U2"}, "several units"},
		{line.PartUse{Kind: "foam", First: "U1", Last: "U1"}, "batch"},
		{line.PartUse{Kind: "foam", Batch: "F1", First: "U2", Last: "U1"}, "does not follow"},
	} {
		_, err := l.AddParts(ctx, tester, "p1", []line.PartUse{tt.p})
		refusal(t, err, tt.part)
	}
}

func TestScanParts(t *testing.T) {
	t.Parallel()
	l, db := driverLine(t)
	ctx := t.Context()
	if _, err := l.AddBatches(ctx, tester, "p1", []line.Batch{{Kind: "foam", Code: "F1", Supplier: "Lathmoor"}, {Kind: "driver", Code: "F1"}, {Kind: "driver", Code: "NV1"}}); err != nil {
		t.Fatal(err)
	}
	fillDrivers(t, l, "NV1", 4, 0, 120)
	scan := func(text string) (int, error) { return l.ScanParts(ctx, tester, "p1", "scan.txt", []byte(text)) }
	for _, tt := range []struct{ text, part string }{
		{"F1\nU1\n", "scan.txt:1: batch: \"F1\" is a batch of driver and of foam"},
		{"U1\n", `scan.txt:1: batch: "U1" is no batch in the ledger`},
		{"foam:F1\nU1\nNV1-001\n", "scan.txt:3: unit: ends with driver NV1-001"},
		{"foam:F1\n", "scan.txt:1: unit: names no unit"},
		{"NV1-001\nNV1-002\nNV1-003\nU1\n", "scan.txt:3: piece: 2 drivers wait"},
		{"NV1-001\nNV1-001\nU1\n", "scan.txt:3: piece: driver NV1-001 is in unit U1 already"},
	} {
		if n, err := scan(tt.text); err == nil || n != 0 || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%q: %d, %v, want %q", tt.text, n, err, tt.part)
		}
	}
	const good = "# bench 2\nfoam:F1\nNV1-001\nNV1-002\nU1\nNV1-004\nNV1-003\nU2\n"
	if n, err := scan(good); err != nil || n != 6 {
		t.Fatalf("%d, %v", n, err)
	}
	if n, err := scan(good); err != nil || n != 0 {
		t.Errorf("again: %d, %v", n, err)
	}
	parts, err := db.Site("main").PartsOfUnit(ctx, "p1", "U2")
	if err != nil || len(parts) != 3 {
		t.Fatalf("%+v, %v", parts, err)
	}
	for _, p := range parts {
		if p.Kind == "driver" && p.Piece != map[string]string{"left": "NV1-004", "right": "NV1-003"}[p.Channel] {
			t.Errorf("%+v", p)
		}
	}
	_, err = scan("NV1-001\nU3\n")
	if err == nil || !strings.Contains(err.Error(), "driver NV1-001 is in unit U1 already, left") {
		t.Errorf("%v", err)
	}
	_, err = l.AddParts(ctx, tester, "p1", []line.PartUse{{Kind: "driver", Piece: "X9", Batch: "NV1", Channel: "left", First: "U1", Last: "U1"}})
	refusal(t, err, "unit U1 holds driver NV1-001 on its left already")
}
