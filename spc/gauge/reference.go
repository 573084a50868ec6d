package gauge

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/dist"
)

// A Reference is what a reference unit reads on a healthy gauge, place by place: a
// place is one band of one channel. Values are levels in dB.
type Reference struct {
	Visits, Seatings int
	Mean             []float64 // of all seatings; NaN where a place was not measured
	SD               []float64 // of one seating within a visit, pooled over visits and the places of a group
	Freedom          float64   // degrees of freedom of SD
	Warnings         []string
}

// ReferenceOf sums up visits of a reference unit: visits[v][s][p] is the level of
// visit v, seating s, place p. Places of one group share their repeatability: the
// left and the right 63 Hz band are seated by the same hand on the same pads. SD
// comes from the spread within visits only, so that a gauge that differs from day to
// day does not hide behind its own unrest. It needs two seatings in some visit.
func ReferenceOf(visits [][][]float64, groups []int) (Reference, error) {
	if len(visits) == 0 || len(visits[0]) == 0 {
		return Reference{}, errors.New("a baseline needs at least one visit of the reference unit")
	}
	places := len(groups)
	r := Reference{Visits: len(visits), Mean: make([]float64, places), SD: make([]float64, places)}
	within, freedom := map[int]float64{}, map[int]float64{}
	for p := range places {
		sum, n := 0.0, 0.0
		for _, v := range visits {
			mean := meanOf(v, p)
			for _, seat := range v {
				sum, n = sum+seat[p], n+1
				if d := seat[p] - mean; !math.IsNaN(d) {
					within[groups[p]] += d * d
				}
			}
			if !math.IsNaN(mean) {
				freedom[groups[p]] += float64(len(v) - 1)
			}
		}
		r.Mean[p] = sum / n
		r.Seatings = int(n)
	}
	for p, g := range groups {
		r.SD[p] = math.Sqrt(within[g] / freedom[g]) // NaN without freedom
		r.Freedom = math.Max(r.Freedom, freedom[g])
	}
	if r.Freedom == 0 {
		return Reference{}, errors.New("every visit of the reference unit has one seating: repeatability is not known; measure it with two seatings or more")
	}
	if r.Visits < 3 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The baseline rests on %d visits of the reference unit; five on different days are common practice.", r.Visits))
	}
	return r, nil
}

func meanOf(seatings [][]float64, p int) float64 {
	sum := 0.0
	for _, s := range seatings {
		sum += s[p]
	}
	return sum / float64(len(seatings))
}

// A Drift is how far a check of a reference unit lies from its baseline.
type Drift struct {
	Change []float64 // mean of the check minus baseline, dB; NaN where it was not measured
	// Limit is the largest change that passes: the tolerance, or what seating alone
	// explains where that is more. NaN where no tolerance is given.
	Limit  []float64
	Noise  []float64 // what seating alone explains
	Worst  int       // place with the largest change in limits, -1 when none was checked
	Passed bool      // every place with a tolerance was measured and lies inside
}

// Drift holds a check against the baseline: seatings[s][p]. A place passes when its
// mean has moved by no more than its tolerance, NaN for a place without one. Where
// the repeatability is too coarse to see the tolerance, the limit widens to what
// seating explains, so that seating alone fails a healthy gauge in at most the given
// share of all checks (Bonferroni over the places):
//
//	noise = t(1 - risk/(2·places), freedom) · sd · √(1/m + 1/n)
//
// for a check of m seatings and a baseline of n (two-sample t of a new mean, e.g. NIST/SEMATECH
// e-Handbook 1.3.5.3, with the baseline's pooled spread).
func (r Reference) Drift(seatings [][]float64, tolerance []float64, risk float64) (Drift, error) {
	if !(risk > 0 && risk < 1) {
		return Drift{}, fmt.Errorf("risk %v is not between 0 and 1", risk)
	}
	if len(seatings) == 0 {
		return Drift{}, errors.New("the check has no seatings")
	}
	if len(tolerance) != len(r.Mean) {
		panic("gauge: tolerances do not go with the baseline's places")
	}
	places := 0.0
	for _, t := range tolerance {
		if !math.IsNaN(t) {
			places++
		}
	}
	d := Drift{Worst: -1, Passed: places > 0}
	if places == 0 {
		places = 1
	}
	m, n := float64(len(seatings)), float64(r.Seatings)
	k := dist.StudentT{Nu: r.Freedom}.QuantileUpper(risk/(2*places)) * math.Sqrt(1/m+1/n)
	worst := -1.0
	for p, tol := range tolerance {
		change, noise := meanOf(seatings, p)-r.Mean[p], k*r.SD[p]
		limit := tol
		if noise > tol {
			limit = noise
		}
		d.Change, d.Noise, d.Limit = append(d.Change, change), append(d.Noise, noise), append(d.Limit, limit)
		switch ratio := math.Abs(change) / limit; {
		case math.IsNaN(tol):
		case math.IsNaN(change):
			d.Passed = false
			if worst < 0 {
				d.Worst = p
			}
		case ratio > worst:
			worst, d.Worst = ratio, p
			d.Passed = d.Passed && math.Abs(change) <= limit
		default:
			d.Passed = d.Passed && math.Abs(change) <= limit
		}
	}
	return d, nil
}

// Turn tells a changed ear of the gauge from a changed side of the unit. The
// arguments are changes against the baseline, per band: of the unit as it belongs,
// left and right ear, and of the unit turned round (left on right), again by ear.
// With e and u the true changes of ears and of the unit's sides,
//
//	left = e(L)+u(L), right = e(R)+u(R), turnedLeft = e(L)+u(R), turnedRight = e(R)+u(L),
//
// so that the differences e(L)-e(R) and u(L)-u(R) follow; what both ears or both
// sides share does not show by turning (reversal technique, e.g. Evans, Hocken and
// Estler, CIRP Annals 45 (1996) 617-634, from memory).
func Turn(left, right, turnedLeft, turnedRight []float64) (ears, sides []float64) {
	for i := range left {
		ears = append(ears, (left[i]+turnedLeft[i]-right[i]-turnedRight[i])/2)
		sides = append(sides, (left[i]+turnedRight[i]-right[i]-turnedLeft[i])/2)
	}
	return ears, sides
}
