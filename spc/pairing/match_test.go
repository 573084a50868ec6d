package pairing

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func load(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func square(t testing.TB, name string) Table {
	rows := load(t, name)
	table := Table{IDs: rows[0][1:]}
	for i, r := range rows[1:] {
		if r[0] != table.IDs[i] {
			t.Fatalf("row %q at the place of %q", r[0], table.IDs[i])
		}
		var m []float64
		for _, s := range r[1:] {
			m = append(m, number(t, s))
		}
		table.Mismatch = append(table.Mismatch, m)
	}
	return table
}

func letters(r Result) string {
	var s []string
	for _, p := range r.Pairs {
		s = append(s, p.A+p.B)
	}
	return strings.Join(s, " ")
}

// Optima found by brute force over all matchings and again by a general matching
// routine, each unique; taking the closest two first gives 10, 61, 176 and, in the
// last, only four pairs.
func TestSmallTables(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		file      string
		tolerance float64
		pairs     string
		total     float64
	}{
		{"match-1.csv", inf, "AB CD", 6},
		{"match-2.csv", inf, "AC BE DF", 24},
		{"match-3.csv", inf, "AF BC DH EG", 163},
		{"match-5.csv", 40, "AF BH CE DG IJ", 85},
	} {
		r, err := Match(square(t, tt.file), Options{Tolerance: tt.tolerance})
		if err != nil {
			t.Fatal(err)
		}
		if letters(r) != tt.pairs || r.Total != tt.total || len(r.Unpaired) != 0 {
			t.Errorf("%s: %s, total %v, unpaired %v, want %s, %v", tt.file, letters(r), r.Total, r.Unpaired, tt.pairs, tt.total)
		}
	}
}
