package chart_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"alike/spc/chart"
)

// table reads a CSV file of testdata into rows of numbers, without its head.
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		nums := make([]float64, len(row))
		for i, s := range row {
			if nums[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, nums)
	}
	return out
}

// column returns one column of a table.
func column(rows [][]float64, i int) []float64 {
	out := make([]float64, len(rows))
	for k, row := range rows {
		out[k] = row[i]
	}
	return out
}

// Sources: testdata/README.md. Values are the exact ones rounded to the digits
// shown, so half a unit of the last is the tolerance.
func TestConstants(t *testing.T) {
	rows := table(t, "constants.csv")
	if len(rows) != 24 {
		t.Fatalf("%d rows, want 24", len(rows))
	}
	for _, row := range rows {
		c, err := chart.ConstantsFor(int(row[0]))
		if err != nil {
			t.Fatal(err)
		}
		got := []float64{c.D2, c.D3, c.C4, c.A2, c.A3, c.B3, c.B4, c.LowerD, c.UpperD, c.E2}
		for i, g := range got {
			tol := 0.00051
			if i == 1 || i == 2 { // d3 and c4 have four decimals
				tol = 0.000051
			}
			if math.Abs(g-row[i+1]) > tol {
				t.Errorf("n=%v column %d: %.6f, want %v", row[0], i+1, g, row[i+1])
			}
		}
	}
}

// Six decimals, computed with numpy and scipy 1.10.
func TestConstantsSixDecimals(t *testing.T) {
	for _, w := range []struct {
		n          int
		d2, d3, c4 float64
	}{{2, 1.128379, 0.852502, 0.797885}, {5, 2.325929, 0.864082, 0.939986}, {10, 3.077505, 0.797051, 0.972659}, {25, 3.930629, 0.708441, 0.989640}} {
		c, err := chart.ConstantsFor(w.n)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range [][2]float64{{c.D2, w.d2}, {c.D3, w.d3}, {c.C4, w.c4}} {
			if math.Abs(v[0]-v[1]) > 1e-6 {
				t.Errorf("n=%d constant %d: %.8f, want %.6f", w.n, i, v[0], v[1])
			}
		}
	}
}

// The range of many values grows like that of the extremes: E W for n = 1000 is
// 6.4829 (Tippett 1925, printed 6.48287, from memory).
func TestConstantsOfLargeSubgroups(t *testing.T) {
	c, err := chart.ConstantsFor(chart.MaxSubgroup)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(c.D2-6.48287) > 1e-4 {
		t.Errorf("d2(1000) = %.6f, want 6.48287", c.D2)
	}
	for _, n := range []int{-1, 0, 1, chart.MaxSubgroup + 1} {
		if _, err := chart.ConstantsFor(n); err == nil {
			t.Errorf("n=%d accepted", n)
		}
	}
}
