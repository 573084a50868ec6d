//go:build study

package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/spc/band"
)

// The study's histories: a baseline, good units, and in two of three a fault of the
// product or of the rig from some unit on.
const (
	baseUnits  = 40
	totalUnits = 160
	dayUnits   = 8
)

// Sorts of history, in turn: a third has no fault, a ninth a rig that moves, and a third
// is checked every morning with a reference unit.
const (
	sorts     = 9
	rigSort   = 7
	checkedIn = 3 // histories number 6, 7 and 8 of nine
)

// A plant is what really happens in one history.
type plant struct {
	key     string // signature; empty for no fault
	channel int    // -1 for both
	size    string
	change  func(sim.Params) sim.Params // nil for no fault of the product
	at      int                         // unit from 0
	factor  string                      // of the ledger, that changed with it; empty when none did
	leak    bool                        // one of 1 dB below 100 Hz
	grows   bool
	grown   func(share float64) func(sim.Params) sim.Params
	checked bool  // a reference unit is measured every morning
	rig     *sick // nil for a rig that stays as it is
}

// A sick is how the rig itself moves from a plant's unit on.
type sick struct {
	kind  string
	ear   int     // -1 for both
	loss  float64 // dB of the microphone at full size
	gap   float64 // mm of the coupler's leak at full size
	units float64 // until full size; 0 at once
}

var sides = []string{"left", "right"}

// draw plants a history.
func draw(rng *rand.Rand, n int) plant {
	p := plant{at: baseUnits + 15 + rng.IntN(45), channel: rng.IntN(2), checked: n%sorts >= sorts-checkedIn}
	switch {
	case n%sorts == rigSort:
		p.rig = drawSick(rng)
		p.key, p.size = "rig", p.rig.kind
		return p
	case n%3 == 2:
		p.at = totalUnits
		return p
	}
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	leak := func(make func(gap float64) func(sim.Params) sim.Params, db float64) float64 {
		low, high := 0.05e-3, 3e-3
		for range 40 {
			if mid := (low + high) / 2; bassLoss(make(mid)) < -db {
				high = mid
			} else {
				low = mid
			}
		}
		return high
	}
	pad := func(gap float64) func(sim.Params) sim.Params {
		return func(q sim.Params) sim.Params { return q.PadLeak(sim.Slit{Width: 20e-3, Gap: gap, Depth: 15e-3}) }
	}
	glue := func(gap float64) func(sim.Params) sim.Params {
		return func(q sim.Params) sim.Params { return q.GlueGap(sim.Slit{Width: 15e-3, Gap: gap, Depth: 3e-3}) }
	}
	db := between(0.6, 3)
	kind := rng.IntN(8)
	if n%3 == 0 { // half of the faults are the leak that the aim speaks of
		db, kind, p.leak = 1, rng.IntN(2), true
	}
	side := sides[p.channel]
	switch kind {
	case 0:
		gap := leak(pad, db)
		p.key, p.factor, p.size, p.channel = "pad-leak", "pad", fmt.Sprintf("%.1f dB below 100 Hz", db), -1
		p.grown = func(s float64) func(sim.Params) sim.Params { return pad(gap * s) }
	case 1:
		gap := leak(glue, db)
		p.key, p.factor, p.size = "glue-gap", "glue "+side, fmt.Sprintf("%.1f dB below 100 Hz", db)
		p.grown = func(s float64) func(sim.Params) sim.Params { return glue(gap * s) }
	case 2:
		f := between(1.3, 2.2)
		p.key, p.factor, p.size, p.channel = "foam-dense", "foam", fmt.Sprintf("%.2f times", f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { q.Rf *= 1 + (f-1)*s; q.Mf *= 1 + (f-1)/4*s; return q }
		}
	case 3:
		p.key, p.factor, p.size = "plate-missing", "plate", "whole"
		p.grown = func(float64) func(sim.Params) sim.Params { return sim.Params.PlateMissing }
	case 4:
		f := between(0.15, 0.5)
		p.key, p.factor, p.size, p.channel = "mesh-blocked", "mesh", fmt.Sprintf("%.0f %%", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.MeshBlocked(f * s) }
		}
	case 5:
		p.key, p.factor, p.size = "mesh-missing", "mesh", "whole"
		p.grown = func(float64) func(sim.Params) sim.Params { return sim.Params.MeshMissing }
	case 6:
		f := between(0.04, 0.15)
		p.key, p.factor, p.size, p.channel = "sensitivity-low", "driver", fmt.Sprintf("%.0f %% less Bl", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.ScaleBl(1 - f*s) }
		}
	case 7:
		f := between(0.05, 0.2)
		p.key, p.factor, p.size, p.channel = "cone-heavy", "driver", fmt.Sprintf("%.0f %% heavier", 100*f), -1
		p.grown = func(s float64) func(sim.Params) sim.Params {
			return func(q sim.Params) sim.Params { return q.ScaleMms(1 + f*s) }
		}
	}
	p.change = p.grown(1)
	p.grows = !p.leak && rng.IntN(3) == 0 && p.size != "whole"
	if rng.IntN(4) == 0 { // nothing in the ledger changed with it
		p.factor = ""
	}
	return p
}

// drawSick draws how a rig moves: its microphone or its coupler, one ear or both, at once
// or over one to three weeks.
func drawSick(rng *rand.Rand) *sick {
	s := &sick{ear: rng.IntN(3) - 1}
	if rng.IntN(2) == 0 {
		s.loss = 0.6 + 1.4*rng.Float64()
		s.kind = fmt.Sprintf("microphone %.1f dB", s.loss)
	} else {
		s.gap = 0.5 + 0.5*rng.Float64()
		s.kind = fmt.Sprintf("coupler leak %.1f mm", s.gap)
	}
	if rng.IntN(2) == 0 {
		s.units = 40 + 80*rng.Float64()
		s.kind += fmt.Sprintf(" over %.0f units", s.units)
	}
	return s
}

// on returns how far the rig has moved for an ear, so many units after it began.
func (s *sick) on(ear int, units float64) (loss, gap float64) {
	if s == nil || units < 0 || s.ear >= 0 && s.ear != ear {
		return 0, 0
	}
	share := 1.0
	if s.units > 0 {
		share = math.Min(1, units/s.units)
	}
	return s.loss * share, s.gap * share
}

// measured is a unit's take of one seating on a rig that has moved.
func measured(u *sim.Unit, channel, attempt, seating int, loss, gap float64) band.Curve {
	var changes []sim.Change
	if gap > 0 {
		changes = append(changes, func(ch int, q sim.Params) sim.Params {
			return q.PadLeak(sim.Slit{Width: 20e-3, Gap: gap * 1e-3, Depth: 10e-3})
		})
	}
	c := u.Curve(channel, attempt, seating, changes...)
	for i := range c.DB {
		c.DB[i] = math.Round(1000*(c.DB[i]-loss)) / 1000
	}
	return c
}

// bassLoss returns what a change does to a cup as drawn, mean over the bands up to 100 Hz, in
// dB.
func bassLoss(change func(sim.Params) sim.Params) float64 {
	still := sim.TB40()
	still.Spread = sim.Spread{}
	key := sim.Key{}
	levels := func(u *sim.Unit) (sum float64) {
		n := 0.0
		for i, l := range band.Levels(u.Curve(1, 1, 1), still.Bands()) {
			if still.Bands()[i].Nominal() <= 100 {
				sum, n = sum+l.DB, n+1
			}
		}
		return sum / n
	}
	return levels(still.Draw(key, func(_ int, q sim.Params) sim.Params { return change(q) })) - levels(still.Draw(key))
}

// ledger draws batches of every kind, changing at places of their own, and with the fault.
func (p plant) ledger(rng *rand.Rand) []line.PartUse {
	var out []line.PartUse
	for _, k := range []string{"driver", "foam", "pad", "mesh", "plate", "shell", "glue left", "glue right"} {
		kind, channel, _ := strings.Cut(k, " ")
		var edges []int
		for at := 10 + rng.IntN(60); at < totalUnits; at += 25 + rng.IntN(60) {
			edges = append(edges, at)
		}
		if k == p.factor {
			edges = slices.DeleteFunc(edges, func(e int) bool { return e > p.at-12 && e < p.at+40 })
			edges = append(edges, p.at)
			slices.Sort(edges)
		}
		from := 0
		for i, e := range append(edges, totalUnits) {
			out = append(out, line.PartUse{Kind: kind, Channel: channel, Batch: fmt.Sprintf("%s-%d", strings.ToUpper(kind[:2]), i+1),
				Supplier: "x", First: unitSerial(from), Last: unitSerial(e - 1)})
			from = e
		}
	}
	return out
}

func unitSerial(n int) string { return fmt.Sprintf("S%04d", n+1) }

var studyStart = time.Date(2026, 9, 7, 8, 0, 0, 0, time.UTC)

// momentOf returns when unit i comes to the rig.
func momentOf(i int) time.Time {
	day, slot := i/dayUnits, i%dayUnits
	return studyStart.AddDate(0, 0, day/5*7+day%5).Add(time.Duration(slot) * 50 * time.Minute)
}

// takesOf measures unit i of a history.
func takesOf(product *sim.Product, p plant, seed uint64, i int) []curve.Take {
	var changes []sim.Change
	if i >= p.at && p.change != nil {
		change := p.change
		if p.grows {
			change = p.grown(math.Min(1, 0.4+0.6*float64(i-p.at)/30))
		}
		changes = append(changes, func(ch int, q sim.Params) sim.Params {
			if p.channel >= 0 && ch != p.channel {
				return q
			}
			return change(q)
		})
	}
	u := product.Draw(sim.Key{Seed: seed, Unit: i}, changes...)
	lot := "BASE"
	if i >= baseUnits {
		lot = fmt.Sprintf("W%d", (i-baseUnits)/40+1)
	}
	var out []curve.Take
	for seat := 1; seat <= sim.Seatings; seat++ {
		for ch, name := range sides {
			loss, gap := p.rig.on(ch, float64(i-p.at))
			t := curve.Take{Curve: measured(u, ch, 1, seat, loss, gap)}
			t.Identity = curve.Identity{Lot: lot, Serial: unitSerial(i), Channel: name, Seating: seat, Station: "rig-1", Operator: sim.Operators[i/dayUnits%3], MeasuredAt: momentOf(i)}
			out = append(out, t)
		}
	}
	return out
}

const referenceSerial = "REF-1"

// visitOf measures the reference unit for the n-th time, as the rig is so many units
// after it began to move.
func visitOf(product *sim.Product, p plant, seed uint64, n int, at time.Time, units float64) []curve.Take {
	u := product.Draw(sim.Key{Seed: seed, Lot: -1, Unit: 1})
	var out []curve.Take
	for seat := 1; seat <= sim.Seatings; seat++ {
		for ch, name := range sides {
			loss, gap := p.rig.on(ch, units)
			t := curve.Take{Curve: measured(u, ch, n, seat, loss, gap)}
			t.Identity = curve.Identity{Serial: referenceSerial, Channel: name, Seating: seat, Station: "rig-1", Operator: "Jorun",
				MeasuredAt: at.Add(time.Duration(2*seat+ch) * 10 * time.Second)}
			out = append(out, t)
		}
	}
	return out
}
