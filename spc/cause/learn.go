package cause

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"alike/spc/compare"
	"alike/spc/dist"
	"alike/spc/sample"
)

// A Built is one unit that was built faulty on purpose.
type Built struct {
	Name   string
	Levels []float64 // dB per band, unanchored; NaN where not measured
}

// A Learnt is what units built faulty on purpose say about their fault.
type Learnt struct {
	Shape     []float64 // dB per band: mean of the faulty units minus mean of the good ones
	Error     []float64 // standard error of that, dB
	Freedom   []float64 // degrees of freedom of the error
	Low, High []float64 // interval of the mean, band by band, at the confidence asked for
	P         []float64 // two-sided, of no change in the band, after Holm over the bands
	// Scatter is the standard deviation of one good unit, dB per band; Good and Bands are
	// how many good units and how many bands were used.
	Scatter     []float64
	Good, Bands int
	Clear       int // bands that changed beyond chance at the confidence asked for
	// Steady says that the faulty units scatter no more than good ones, so that both tell
	// the scatter; else each mean has its own.
	Steady  bool
	SteadyP float64
	Units   []Agreement
	Odd     int // unit that is not like the others, -1 for none
	// Noise is the share of the shape's weighted sum of squares that chance explains, 0 to
	// 1; a signature is settled when it is at most a tenth and a band is clear.
	Noise   float64
	Settled bool
	// More is how many more faulty units would settle it, 0 when it is settled, and -1
	// when no number of faulty units would: the fault is too small for these good units.
	More     int
	Warnings []string // whole sentences
}

// An Agreement is how one faulty unit goes with the others of its kind.
type Agreement struct {
	Name   string
	Size   float64 // times the mean of the others, fitted with an amount that is not negative
	Shared float64 // share of its change that the others' mean explains so, 0 to 1
	// Apart is what is left per independent band in units of its variance, near 1 for a
	// unit like the others. P is the chance among units that are alike of as much left, or
	// of as little of the fault, times twice their number.
	Apart, P float64
}

// mostNoise is the share of chance in a signature up to which it counts as known: what
// chance leaves of it is then no more than what makes two signatures confusable.
const mostNoise = 1 - alike

// oddChance is the chance at which a unit of a healthy set of faulty units is named odd.
const oddChance = 0.01

// littleShared is the share of a unit's change that the others' mean explains below which a
// person is asked to look, though chance may have done it (common practice, no source).
const littleShared = 0.25

// ErrFew says that there are too few units to learn a signature from.
var ErrFew = errors.New("two faulty units and two good ones are the least that tell a change from scatter")

// Learn returns the signature of a fault from units that have it and units that have not,
// all by the same bands. Confidence, between 0 and 1, is that of intervals and of the clear
// bands.
//
// The interval in each band is Student's of two samples with a common variance while the
// faulty units scatter no more than the good ones, else Welch's; p-values are made good for
// the number of bands by Holm. Whether faulty units scatter more is asked once for all
// bands: the mean ratio of variances is held against F, with as many independent bands as
// the good units' correlations leave (Satterthwaite's moments; Box, Ann. Math. Stat. 25
// (1954) 290-302, from memory). The same count of bands serves the agreement of the units,
// each of which is held against the mean of the others with a size of its own, so that a
// larger fault of the same kind is no odd one; a model error as in Weigh is allowed for.
// One that has less than half of what the others have, as sure as the projections of the
// good units on their mean say it by Student's t, does not have the fault.
func Learn(faulty []Built, good [][]float64, confidence float64) (Learnt, error) {
	if len(faulty) < 2 || len(good) < 2 {
		return Learnt{}, ErrFew
	}
	if !(confidence > 0 && confidence < 1) {
		return Learnt{}, fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	rows := make([][]float64, len(faulty))
	for i, u := range faulty {
		rows[i] = u.Levels
	}
	l := learning{faulty: faulty, rows: rows, good: good, confidence: confidence}
	l.out = Learnt{Good: len(good), Odd: -1, Steady: true, SteadyP: 1}
	if l.columns(); len(l.at) == 0 {
		return Learnt{}, errors.New("no band is measured on all of the units, or none varies between good ones")
	}
	l.independent()
	l.steady()
	l.intervals()
	l.agree()
	l.settle()
	l.warn()
	return l.out, nil
}

// A learning is one call of Learn on its way.
type learning struct {
	faulty     []Built
	rows, good [][]float64
	confidence float64
	out        Learnt

	at               []int     // bands used
	bad, sound       []float64 // mean by band
	badVar, soundVar []float64 // variance of one unit by band
	bands            float64   // independent ones
}

// columns reads mean and variance of each band that all units have.
func (l *learning) columns() {
	bands := len(l.good[0])
	nan := func() []float64 {
		out := make([]float64, bands)
		for i := range out {
			out[i] = math.NaN()
		}
		return out
	}
	l.bad, l.sound, l.badVar, l.soundVar, l.out.Scatter = nan(), nan(), nan(), nan(), nan()
	l.out.Shape, l.out.Error, l.out.Freedom, l.out.Low, l.out.High, l.out.P = nan(), nan(), nan(), nan(), nan(), nan()
	for b := range bands {
		x, y := columnOf(l.rows, b), columnOf(l.good, b)
		if !finite(x) || !finite(y) || !(sample.SD(y) > 0) {
			continue
		}
		l.at = append(l.at, b)
		l.bad[b], l.sound[b] = sample.Mean(x), sample.Mean(y)
		l.badVar[b], l.soundVar[b] = sample.SD(x)*sample.SD(x), sample.SD(y)*sample.SD(y)
		l.out.Shape[b], l.out.Scatter[b] = l.bad[b]-l.sound[b], sample.SD(y)
	}
	l.out.Bands = len(l.at)
}

func columnOf(rows [][]float64, b int) []float64 {
	out := make([]float64, len(rows))
	for i, r := range rows {
		if len(r) != len(rows[0]) {
			panic("cause: units differ in bands")
		}
		out[i] = r[b]
	}
	return out
}

func finite(xs []float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// independent counts the bands that vary by themselves: a mean of squares over all bands
// has the spread of one over so many. Squared correlations of n units are too large by
// about (1-r²)/(n-2), which is taken off.
func (l *learning) independent() {
	n, sum := float64(len(l.good)), 0.0
	z := make([][]float64, len(l.at))
	for k, b := range l.at {
		for _, x := range columnOf(l.good, b) {
			z[k] = append(z[k], (x-l.sound[b])/math.Sqrt(l.soundVar[b]*(n-1)))
		}
	}
	for i := range z {
		for j := range z {
			r := 0.0
			for k := range z[i] {
				r += z[i][k] * z[j][k]
			}
			if i == j {
				sum++
			} else if n > 2 {
				sum += math.Max(0, r*r-(1-r*r)/(n-2))
			}
		}
	}
	l.bands = float64(len(l.at)) * float64(len(l.at)) / sum
}

// steady asks whether the faulty units scatter more than good ones.
func (l *learning) steady() {
	ratio := 0.0
	for _, b := range l.at {
		ratio += l.badVar[b] / l.soundVar[b] / float64(len(l.at))
	}
	f := dist.F{D1: l.bands * float64(len(l.rows)-1), D2: l.bands * float64(len(l.good)-1)}
	l.out.SteadyP = f.Survival(ratio)
	l.out.Steady = l.out.SteadyP >= 1-l.confidence
}

// intervals fills error, interval and p-value of each band.
func (l *learning) intervals() {
	n, m := float64(len(l.rows)), float64(len(l.good))
	var ps []float64
	for _, b := range l.at {
		x, y := l.badVar[b]/n, l.soundVar[b]/m
		freedom := (x + y) * (x + y) / (x*x/(n-1) + y*y/(m-1))
		if l.out.Steady {
			v := ((n-1)*l.badVar[b] + (m-1)*l.soundVar[b]) / (n + m - 2)
			x, y, freedom = v/n, v/m, n+m-2
		}
		e := math.Sqrt(x + y)
		t := dist.StudentT{Nu: freedom}
		half := t.QuantileUpper((1-l.confidence)/2) * e
		d := l.out.Shape[b]
		l.out.Error[b], l.out.Freedom[b], l.out.Low[b], l.out.High[b] = e, freedom, d-half, d+half
		ps = append(ps, math.Min(1, 2*t.Survival(math.Abs(d)/e)))
	}
	for k, p := range compare.Holm(ps) {
		if l.out.P[l.at[k]] = p; p <= 1-l.confidence {
			l.out.Clear++
		}
	}
}

// agree holds each faulty unit against the mean of the others.
func (l *learning) agree() {
	n := float64(len(l.rows))
	f := dist.F{D1: l.bands, D2: l.bands * float64(len(l.good)-1)}
	least := 1.0
	for i, u := range l.faulty {
		a := Agreement{Name: u.Name}
		own, others := make([]float64, len(l.at)), make([]float64, len(l.at))
		dd, dm, mm := 0.0, 0.0, 0.0
		for k, b := range l.at {
			own[k] = u.Levels[b] - l.sound[b]
			others[k] = (n*l.bad[b]-u.Levels[b])/(n-1) - l.sound[b]
			w := 1 / l.soundVar[b]
			dd, dm, mm = dd+w*own[k]*own[k], dm+w*own[k]*others[k], mm+w*others[k]*others[k]
		}
		little := 1.0 // chance of as little of the fault
		if spread := l.projected(others, mm); spread > 0 {
			little = dist.StudentT{Nu: float64(len(l.good) - 1)}.Survival((leastOfIt - dm/mm) / (spread * math.Sqrt(1+1/(n-1))))
		}
		if dm > 0 {
			a.Size, a.Shared = dm/mm, math.Min(1, dm/mm*(dm/dd))
		}
		for k, b := range l.at {
			rest := own[k] - a.Size*others[k]
			v := l.soundVar[b]*(1+a.Size*a.Size/(n-1)) + shapeError*shapeError*own[k]*own[k] + floorError*floorError
			a.Apart += rest * rest / v / float64(len(l.at))
		}
		a.P = math.Min(1, 2*n*math.Min(little, f.Survival(a.Apart)))
		if a.P < oddChance && a.P < least && len(l.rows) > 2 {
			l.out.Odd, least = i, a.P
		}
		l.out.Units = append(l.out.Units, a)
	}
}

// leastOfIt is the share of the others' fault below which a unit does not have it.
const leastOfIt = 0.5

// projected returns how much the sizes of good units scatter when they are fitted with a
// curve, of the weighted sum of squares mm; 0 for a curve of zeros.
func (l *learning) projected(curve []float64, mm float64) float64 {
	if mm == 0 {
		return 0
	}
	sizes := make([]float64, len(l.good))
	for i, g := range l.good {
		for k, b := range l.at {
			sizes[i] += (g[b] - l.sound[b]) * curve[k] / l.soundVar[b] / mm
		}
	}
	return sample.SD(sizes)
}

// settle weighs what chance has in the shape, and how many units would make it little:
// with v the variance of one faulty unit and s that of a good one, both over the scatter
// of the band, chance has the sum of v/n + s/m, and the rest of the squares is the fault's.
func (l *learning) settle() {
	n, m := float64(len(l.rows)), float64(len(l.good))
	whole, chance, v, s := 0.0, 0.0, 0.0, 0.0
	for _, b := range l.at {
		w := 1 / l.soundVar[b]
		whole += l.out.Shape[b] * l.out.Shape[b] * w
		bad, sound := l.badVar[b], l.soundVar[b]
		if l.out.Steady {
			bad = ((n-1)*l.badVar[b] + (m-1)*l.soundVar[b]) / (n + m - 2)
			sound = bad
		}
		v, s = v+bad*w, s+sound*w
		chance += l.out.Error[b] * l.out.Error[b] * w
	}
	l.out.Noise = 1
	if whole > 0 {
		l.out.Noise = math.Min(1, chance/whole)
	}
	if l.out.Settled = l.out.Noise <= mostNoise && l.out.Clear > 0; l.out.Settled {
		return
	}
	l.out.More = -1
	if left := (whole-chance)*mostNoise/(1-mostNoise) - s/m; left > 0 {
		l.out.More = max(1, int(math.Ceil(v/left-n)))
	}
}

func more(units int) string {
	if units == 1 {
		return "1 more unit"
	}
	return fmt.Sprintf("%d more units", units)
}

// least is the faulty unit of which the others' mean explains least.
func (l *learning) least() Agreement {
	return slices.MinFunc(l.out.Units, func(a, b Agreement) int { return cmp.Compare(a.Shared, b.Shared) })
}

func (l *learning) warn() {
	say := func(format string, args ...any) {
		l.out.Warnings = append(l.out.Warnings, fmt.Sprintf(format, args...))
	}
	if l.out.Clear == 0 {
		say("No band changed beyond the scatter of good units: there is nothing to know the fault by yet.")
	}
	switch {
	case l.out.Settled:
	case l.out.More < 0:
		say("Chance has %.0f %% of the curve, and no number of units of this fault would settle it against %d good ones: the fault is too small, or more good units are needed.", 100*l.out.Noise, len(l.good))
	case l.out.Clear == 0:
		say("About %s of this fault would settle it (chance at most %.0f %%).", more(l.out.More), 100*mostNoise)
	default:
		say("Chance has %.0f %% of the curve. The fault can be known by it as it is; about %s would settle its shape (chance at most %.0f %%).", 100*l.out.Noise, more(l.out.More), 100*mostNoise)
	}
	if !l.out.Steady {
		say("The faulty units scatter more than good ones (p = %.2g): they are not all alike, or the size of the fault differs. The interval allows for it.", l.out.SteadyP)
	}
	switch {
	case l.out.Odd >= 0:
		u := l.out.Units[l.out.Odd]
		say("%s is not like the others: their mean explains %.0f %% of its change (p = %.2g). Look at it again, or leave it out with a reason.", u.Name, 100*u.Shared, u.P)
	case len(l.faulty) == 2 && math.Min(l.out.Units[0].P, l.out.Units[1].P) < oddChance:
		say("%s are not alike, and with two nobody knows which is the odd one: build a third.", strings.Join([]string{l.faulty[0].Name, l.faulty[1].Name}, " and "))
	case len(l.faulty) > 2 && l.out.Clear > 0 && l.least().Shared < littleShared:
		u := l.least()
		say("%s has little in common with the others: their mean explains %.0f %% of its change. Chance can do that (p = %.2g); look whether it has this fault.", u.Name, 100*u.Shared, u.P)
	case len(l.faulty) == 2:
		say("With two faulty units nobody could tell which of them is the odd one: three are better.")
	}
}
