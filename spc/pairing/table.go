package pairing

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// MostDrivers is how many drivers one table may hold.
const MostDrivers = 4000

// A Table says how badly every two drivers go together, in dB or any unit where 0
// is perfect. Mismatch[i][j] is that of IDs[i] and IDs[j], symmetric; the diagonal
// is not read.
type Table struct {
	IDs      []string
	Mismatch [][]float64
}

// A Unit is what is known of one driver or cup.
type Unit struct {
	ID string
	// Levels in dB, one per band, the same bands for all. Not anchored they contain
	// the sensitivity; anchored they are the shape alone.
	Levels      []float64
	Sensitivity float64 // dB, read only when the measure gives it a weight
	// Polarity is +1 or -1, and 0 when it was not checked.
	Polarity int
}

// Opposite is what two drivers of opposite polarity have in mismatch beside the
// rest, in dB: more than any tolerance in use, but finite, so that a pair that is
// fixed all the same has a number. A polarity that was not checked adds nothing.
const Opposite = 100.0

// A Measure says what counts in a mismatch. The zero value weighs all bands alike
// and the sensitivity not at all.
type Measure struct {
	Weights     []float64 // of the bands, ≥ 0; nil for 1 each
	Sensitivity float64   // weight of the sensitivity beside the bands, ≥ 0
}

// Mismatches returns the root mean square difference of every two units in dB:
//
//	√( (Σ w_b·(a_b-b_b)² + w_s·(s_a-s_b)²) / (Σ w_b + w_s) )
//
// and Opposite more when both polarities are known and differ.
// An error names the unit and the band that cannot be used.
func Mismatches(units []Unit, by Measure) (Table, error) {
	w, total, err := by.weights(units)
	if err != nil {
		return Table{}, err
	}
	t := Table{IDs: make([]string, len(units)), Mismatch: make([][]float64, len(units))}
	for i, u := range units {
		t.IDs[i] = u.ID
		t.Mismatch[i] = make([]float64, len(units))
		for j, v := range units[:i] {
			m := mismatch(u, v, w, by.Sensitivity, total)
			t.Mismatch[i][j], t.Mismatch[j][i] = m, m
		}
	}
	return t, t.check()
}

// mismatch is that of two units whose weights add up to total.
func mismatch(u, v Unit, w []float64, sensitivity, total float64) float64 {
	sum := 0.0
	for b := range w {
		d := u.Levels[b] - v.Levels[b]
		sum += w[b] * d * d
	}
	if sensitivity > 0 {
		d := u.Sensitivity - v.Sensitivity
		sum += sensitivity * d * d
	}
	m := math.Sqrt(sum / total)
	if u.Polarity*v.Polarity < 0 {
		m += Opposite
	}
	return m
}

// weights checks units and measure.
func (by Measure) weights(units []Unit) (w []float64, total float64, err error) {
	if len(units) == 0 {
		return nil, 0, errors.New("there are no units to pair")
	}
	if len(units) > MostDrivers {
		return nil, 0, fmt.Errorf("%d units are too many for one table: split them into groups of at most %d", len(units), MostDrivers)
	}
	bands := len(units[0].Levels)
	if w = by.Weights; w == nil {
		w = make([]float64, bands)
		for i := range w {
			w[i] = 1
		}
	}
	if len(w) != bands {
		return nil, 0, fmt.Errorf("%d weights for %d bands: give one weight per band", len(w), bands)
	}
	for i, v := range append([]float64{by.Sensitivity}, w...) {
		if !(v >= 0 && v <= 1e6) {
			return nil, 0, fmt.Errorf("weight %v of %s: give a number from 0 to 1e6", v, weightName(i))
		}
		total += v
	}
	if total == 0 {
		return nil, 0, errors.New("all weights are zero: nothing is compared")
	}
	for _, u := range units {
		if len(u.Levels) != bands {
			return nil, 0, fmt.Errorf("unit %q has %d bands, unit %q has %d: measure all over the same bands", u.ID, len(u.Levels), units[0].ID, bands)
		}
		for b, v := range u.Levels {
			if !(math.Abs(v) <= 1e6) {
				return nil, 0, fmt.Errorf("unit %q has the level %v in band %d: leave the band out for all, or the unit", u.ID, v, b+1)
			}
		}
		if u.Polarity < -1 || u.Polarity > 1 {
			return nil, 0, fmt.Errorf("unit %q has the polarity %d: give 1, -1, or 0 for not checked", u.ID, u.Polarity)
		}
		if by.Sensitivity > 0 && !(math.Abs(u.Sensitivity) <= 1e6) {
			return nil, 0, fmt.Errorf("unit %q has the sensitivity %v: measure it or leave the unit out", u.ID, u.Sensitivity)
		}
	}
	return w, total, nil
}

func weightName(i int) string {
	if i == 0 {
		return "the sensitivity"
	}
	return fmt.Sprintf("band %d", i)
}

// check names the row and column that is at fault.
func (t Table) check() error {
	if len(t.IDs) > MostDrivers {
		return fmt.Errorf("%d drivers are too many for one table: split them into groups of at most %d", len(t.IDs), MostDrivers)
	}
	if _, err := positions(t.IDs); err != nil {
		return err
	}
	if len(t.Mismatch) != len(t.IDs) {
		return fmt.Errorf("the table has %d rows for %d ids: give one row per id", len(t.Mismatch), len(t.IDs))
	}
	for i, row := range t.Mismatch {
		if len(row) != len(t.IDs) {
			return fmt.Errorf("row %q has %d mismatches for %d ids: give one per id", t.IDs[i], len(row), len(t.IDs))
		}
		for j, v := range row {
			if i == j {
				continue
			}
			if err := checkMismatch(v); err != nil {
				return fmt.Errorf("mismatch of %q and %q: %w", t.IDs[i], t.IDs[j], err)
			}
			if v != t.Mismatch[j][i] {
				return fmt.Errorf("mismatch of %q and %q is %v one way and %v the other: make the table symmetric", t.IDs[i], t.IDs[j], v, t.Mismatch[j][i])
			}
		}
	}
	return nil
}

func checkMismatch(v float64) error {
	if !(v >= 0 && v <= sample.Largest) {
		return fmt.Errorf("%v is not a number from 0 up: correct it or leave the id out", v)
	}
	return nil
}

// positions maps every id to its place and refuses one that is empty or twice.
func positions(ids []string) (map[string]int, error) {
	at := make(map[string]int, len(ids))
	for i, id := range ids {
		if id == "" {
			return nil, fmt.Errorf("id %d is empty: name every driver", i+1)
		}
		if j, ok := at[id]; ok {
			return nil, fmt.Errorf("id %q stands at %d and at %d: leave one out", id, j+1, i+1)
		}
		at[id] = i
	}
	return at, nil
}
