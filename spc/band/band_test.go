package band_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"alike/spc/band"
)

// near reports whether got agrees with want to a relative tolerance.
func near(got, want, tol float64) bool { return math.Abs(got-want) <= tol*math.Abs(want) }

// TestStandardTable compares every row of testdata/iec61260.csv: exact mid-band
// and edge frequencies to six digits, computed from the formulas of IEC 61260-1:2014
// independently of this package, and nominal labels of ISO 266.
func TestStandardTable(t *testing.T) {
	f, err := os.Open("testdata/iec61260.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 45 {
		t.Fatalf("table has %d rows, expected more", len(rows))
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, row := range rows[1:] {
		b := band.Band{Fraction: int(num(row[0])), Index: int(num(row[1]))}
		for _, v := range []struct {
			what      string
			got, want float64
		}{{"mid", b.Mid(), num(row[3])}, {"lower", b.Lower(), num(row[4])}, {"upper", b.Upper(), num(row[5])}} {
			if !near(v.got, v.want, 5.1e-6) {
				t.Errorf("1/%d band %d: %s = %.6g, want %.6g", b.Fraction, b.Index, v.what, v.got, v.want)
			}
		}
		if row[2] != "" && b.Nominal() != num(row[2]) {
			t.Errorf("1/%d band %d: nominal %v, want %s", b.Fraction, b.Index, b.Nominal(), row[2])
		}
	}
}

func TestEdgesMeet(t *testing.T) {
	for _, fr := range band.Fractions {
		for x := -200; x < 200; x++ {
			a, b := band.Band{Fraction: fr, Index: x}, band.Band{Fraction: fr, Index: x + 1}
			if a.Upper() != b.Lower() {
				t.Fatalf("1/%d: upper edge of %d is not lower edge of %d", fr, x, x+1)
			}
			if !near(a.Mid(), math.Sqrt(a.Lower()*a.Upper()), 1e-12) {
				t.Fatalf("1/%d band %d: mid is not the geometric mean of its edges", fr, x)
			}
		}
	}
}

// Counts of bands with both edges inside 20 Hz to 20 kHz: computed from the
// standard's formulas outside this package.
func TestWholeBandsInAudioRange(t *testing.T) {
	want := map[int]int{1: 9, 3: 29, 6: 59, 12: 119, 24: 239}
	for fr, n := range want {
		bands, err := band.Between(fr, 10, 40000)
		if err != nil {
			t.Fatal(err)
		}
		got := 0
		for _, b := range bands {
			if b.Lower() >= 20 && b.Upper() <= 20000 {
				got++
			}
		}
		if got != n {
			t.Errorf("1/%d octave: %d whole bands, want %d", fr, got, n)
		}
	}
}

func TestBetween(t *testing.T) {
	tests := []struct {
		fraction  int
		low, high float64
		n         int
		first     string
		last      string
	}{
		{3, 20, 20000, 31, "20", "20k"},
		{1, 31.5, 16000, 10, "31.5", "16k"},
		{3, 1000, 1250, 2, "1k", "1.25k"},
		{3, 1000, math.Nextafter(1250, 0), 1, "1k", "1k"}, // both ends belong
		{3, math.Nextafter(1000, 1e9), 1250, 1, "1.25k", "1.25k"},
		{6, 900, 1200, 3, "940", "1.19k"},
		{3, 0.1, 0.2, 4, "0.1", "0.2"},
		{3, 1000, 1000, 1, "1k", "1k"},
	}
	for _, tt := range tests {
		bands, err := band.Between(tt.fraction, tt.low, tt.high)
		if err != nil {
			t.Errorf("%+v: %v", tt, err)
			continue
		}
		if len(bands) != tt.n || bands[0].Label() != tt.first || bands[len(bands)-1].Label() != tt.last {
			t.Errorf("%+v: got %d bands from %s to %s", tt, len(bands), bands[0].Label(), bands[len(bands)-1].Label())
		}
	}
	for _, bad := range []struct {
		fraction  int
		low, high float64
	}{{5, 20, 20000}, {3, 0, 100}, {3, 200, 100}, {3, 1010, 1020}, {3, math.NaN(), 5}, {3, 1, math.Inf(1)}, {24, 1e-300, 1e300}} {
		if b, err := band.Between(bad.fraction, bad.low, bad.high); err == nil {
			t.Errorf("%+v: no error, %d bands", bad, len(b))
		}
	}
}

func TestLabels(t *testing.T) {
	// ISO 266 labels go by index, never by rounding the exact frequency; finer
	// fractions by IEC 61260-1 Annex E (from memory).
	for _, tt := range []struct {
		b    band.Band
		want string
	}{
		{band.Band{Fraction: 3, Index: -15}, "31.5"},
		{band.Band{Fraction: 3, Index: 1}, "1.25k"},
		{band.Band{Fraction: 3, Index: 5}, "3.15k"},
		{band.Band{Fraction: 3, Index: -17}, "20"},
		{band.Band{Fraction: 3, Index: -30}, "1"},
		{band.Band{Fraction: 1, Index: -5}, "31.5"},
		{band.Band{Fraction: 1, Index: 4}, "16k"},
		{band.Band{Fraction: 6, Index: -1}, "940"}, // 944.06: first digit 9
		{band.Band{Fraction: 6, Index: 0}, "1.06k"},
		{band.Band{Fraction: 12, Index: -12}, "520"}, // 515.8: first digit 5
		{band.Band{Fraction: 24, Index: 48}, "4.04k"},
	} {
		if got := tt.b.Label(); got != tt.want {
			t.Errorf("%+v is labelled %s, want %s", tt.b, got, tt.want)
		}
	}
}
