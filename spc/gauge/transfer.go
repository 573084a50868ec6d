package gauge

import (
	"fmt"
	"math"

	"alike/spc/dist"
	"alike/spc/sample"
)

// A Transfer is the curve that turns what one rig reads into what another would:
// the mean difference per place over units measured on both, in dB.
type Transfer struct {
	Units      int
	Confidence float64
	Mean       []float64 // second rig minus first; NaN where fewer than two units have both
	N          []int     // units behind each place
	U          []float64 // standard uncertainty of Mean
	// Low and High hold the whole curve at once with the confidence asked for
	// (Bonferroni over the places).
	Low, High []float64
	SD        []float64 // from unit to unit of the difference
	// UnitU is the standard uncertainty of one unit's corrected reading: the curve's
	// own and the spread from unit to unit.
	UnitU    []float64
	Differs  []bool // Low and High lie on one side of zero
	Warnings []string
}

// TransferOf compares two rigs: first[u][p] and second[u][p] are the levels of unit
// u at place p, means over its seatings. The differences of one place are taken as
// independent and normal from unit to unit; the interval of the mean is Student's t of
// the pairs (NIST/SEMATECH e-Handbook 7.3.1.3).
func TransferOf(first, second [][]float64, confidence float64) (Transfer, error) {
	if confidence == 0 {
		confidence = 0.95
	}
	if !(confidence > 0 && confidence < 1) {
		return Transfer{}, fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	if len(first) != len(second) {
		panic("gauge: units of two rigs do not pair up")
	}
	if len(first) < 2 {
		return Transfer{}, fmt.Errorf("a transfer curve needs at least 2 units measured on both rigs, has %d", len(first))
	}
	t := Transfer{Units: len(first), Confidence: confidence}
	places := float64(len(first[0]))
	for p := range first[0] {
		var ds []float64
		for u := range first {
			if d := second[u][p] - first[u][p]; !math.IsNaN(d) {
				ds = append(ds, d)
			}
		}
		t.place(ds, (1-confidence)/(2*places))
	}
	if t.Units < 5 {
		t.Warnings = append(t.Warnings, fmt.Sprintf("Only %d units were measured on both rigs: the curve is poorly known; ten are common practice.", t.Units))
	}
	return t, nil
}

// place adds one place; alpha is the error of each side of its interval.
func (t *Transfer) place(ds []float64, alpha float64) {
	nan := math.NaN()
	mean, sd, u, half, unit := nan, nan, nan, nan, nan
	if n := float64(len(ds)); n >= 2 {
		mean, sd = sample.Mean(ds), sample.SD(ds)
		u = sd / math.Sqrt(n)
		half = u * dist.StudentT{Nu: n - 1}.QuantileUpper(alpha)
		unit = sd * math.Sqrt(1+1/n)
	}
	t.N = append(t.N, len(ds))
	t.Mean, t.SD, t.U, t.UnitU = append(t.Mean, mean), append(t.SD, sd), append(t.U, u), append(t.UnitU, unit)
	t.Low, t.High = append(t.Low, mean-half), append(t.High, mean+half)
	t.Differs = append(t.Differs, mean-half > 0 || mean+half < 0)
}
