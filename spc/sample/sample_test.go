package sample_test

import (
	"bufio"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"alike/spc/sample"
)

// NIST StRD univariate sets NumAcc1 to NumAcc4 and Mavro with their certified values
// (www.itl.nist.gov/div898/strd, values from memory, recomputed in exact
// arithmetic). Digits is the number of correct significant digits asked for;
// the sets are built so that naive formulas give 0 to 3.
func TestStRD(t *testing.T) {
	numAcc := func(b float64) []float64 {
		xs := []float64{b + 0.2}
		for range 500 {
			xs = append(xs, b+0.1, b+0.3)
		}
		return xs
	}
	tests := []struct {
		name           string
		xs             []float64
		mean, sd, lag1 float64
		digits         float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 15},
		{"NumAcc2", numAcc(1), 1.2, 0.1, -0.999, 13},
		// The data themselves are rounded to double here: b+0.1 keeps 9 decimals
		// at 1e6, so the sd cannot agree beyond about 9 digits.
		{"NumAcc3", numAcc(1e6), 1000000.2, 0.1, -0.999, 8.5},
		{"NumAcc4", numAcc(1e7), 10000000.2, 0.1, -0.999, 7.5},
		// Five decimals around 2: the spread begins at the fourth digit.
		{"Mavro", numbers(t, "testdata/mavro.csv"), 2.001856, 0.000429123454003053, 0.937989183438248, 12},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, v := range []struct {
				what      string
				got, want float64
			}{
				{"mean", sample.Mean(tt.xs), tt.mean},
				{"sd", sample.SD(tt.xs), tt.sd},
				{"lag-1", sample.Lag1(tt.xs), tt.lag1},
			} {
				if e := math.Abs(v.got-v.want) / math.Abs(v.want); e > math.Pow(10, -tt.digits) {
					t.Errorf("%s = %.17g, want %.17g (relative error %.1e)", v.what, v.got, v.want, e)
				}
			}
		})
	}
}

// numbers reads a column of numbers, leaving out lines that are none.
func numbers(t *testing.T, file string) (xs []float64) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if x, err := strconv.ParseFloat(lines.Text(), 64); err == nil {
			xs = append(xs, x)
		}
	}
	return xs
}

func TestCheck(t *testing.T) {
	tests := []struct {
		name  string
		xs    []float64
		least int
		index int // of the fault; -2 for none
	}{
		{"good", []float64{1, 2, 3}, 3, -2},
		{"few", []float64{1, 2}, 3, -1},
		{"empty", nil, 1, -1},
		{"nan", []float64{1, math.NaN()}, 1, 1},
		{"infinite", []float64{math.Inf(-1)}, 1, 0},
		{"largest", []float64{sample.Largest}, 1, -2},
		{"beyond largest", []float64{math.Nextafter(sample.Largest, math.Inf(1))}, 1, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := sample.Check(tt.xs, tt.least)
			if tt.index == -2 {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var e *sample.Error
			if !errors.As(err, &e) || e.Index != tt.index {
				t.Fatalf("got %v, want an error at %d", err, tt.index)
			}
		})
	}
}
