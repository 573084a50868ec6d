package line

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/change"
	"alike/spc/envelope"
	"alike/spc/sample"
)

// An Analysis is what the readings say about a finding.
type Analysis struct {
	Streams  []string `json:"streams"` // with signals, most telling first
	Sizes    Levels   `json:"sizes"`   // per stream of the product, after minus before, in sigmas
	Before   int      `json:"before"`  // units that show how it was
	After    int      `json:"after"`   // units since the change
	Change   *Since   `json:"change"`  // null for a single unit
	Channels []Moved  `json:"channels"`
	// Coincidences are factors that changed, the most telling first; Causes what the
	// change looks like.
	Coincidences []Coincides `json:"coincidences"`
	Causes       []Cause     `json:"causes"`
	// Opposed and Swapped count the units whose phases are opposed, and whose left looks
	// like the usual right.
	Opposed int `json:"opposed,omitempty"`
	Swapped int `json:"swapped,omitempty"`
	// NoPhase counts the units whose takes hold no phase that could tell the polarity.
	NoPhase int `json:"no_phase,omitempty"`
	// Untold are the known faults that the first cause is not told from by its curves yet.
	Untold []Untold `json:"untold,omitempty"`
	// Rig is what a reference unit says about where the change lies; null when there is none.
	Rig      *RigWitness `json:"rig"`
	AtRisk   Risk        `json:"at_risk"`
	Sentence string      `json:"sentence"`
	Checks   []PlanRow   `json:"checks"` // cheapest first
	Warnings []string    `json:"warnings,omitempty"`
}

// A Since is the change point of a finding.
type Since struct {
	Serial     string   `json:"serial"` // first unit after the change
	Place      int64    `json:"place"`
	P          float64  `json:"p"` // of a split as good as this without any change
	Confidence float64  `json:"confidence"`
	First      string   `json:"set_first"` // first and last unit that the data allow
	Last       string   `json:"set_last"`
	Set        []int64  `json:"set"`   // their places
	Shape      string   `json:"shape"` // step, drift, growth (jumps and goes on growing), either, neither; empty when too few units
	Bands      []string `json:"fitted_on"`
}

// A Moved is how one channel changed, unanchored.
type Moved struct {
	Channel   string  `json:"channel"`
	Change    Levels  `json:"change"`    // dB per band, mean after minus mean before
	Error     Levels  `json:"error"`     // standard error of that, given the change point
	Scatter   Levels  `json:"scatter"`   // standard deviation of a unit before
	Latest    Levels  `json:"latest"`    // dB per band, mean of the latest five units minus mean before
	Moved     bool    `json:"moved"`     // the change is far beyond its standard error
	Words     string  `json:"words"`     // "everything up to 125 Hz falls together"
	Worst     string  `json:"worst"`     // band that changed most
	Size      float64 `json:"size"`      // dB there
	Explained float64 `json:"explained"` // share of the change that all signatures together explain
	Parts     []Share `json:"parts"`
	Left      string  `json:"left"` // what remains, in words
}

// A Share is what one fault signature has in a change.
type Share struct {
	Key    string  `json:"key"`
	Words  string  `json:"words"`
	Amount float64 `json:"amount"` // times its stated size
	Share  float64 `json:"share"`  // of the change, 0 to 1
}

// A Risk is the units since the change that passed.
type Risk struct {
	Units   int      `json:"units"`
	First   string   `json:"first,omitempty"`
	Last    string   `json:"last,omitempty"`
	Serials []string `json:"serials"` // at most mostRisk of them
	// Shown are those of them up to Latest, the latest unit with signals that shows the change;
	// Latest is empty for a single unit, and in what an earlier release stored.
	Shown  int    `json:"shown"`
	Latest string `json:"latest,omitempty"`
}

// Sentence says how many units passed since, and how many of them came after the latest
// that shows the change.
func (r Risk) Sentence() string {
	text := fmt.Sprintf("%s passed since the change may have begun", number(r.Units, "unit"))
	if r.Units > 1 {
		text += fmt.Sprintf(", %s to %s", r.First, r.Last)
	} else {
		text += ", " + r.First
	}
	switch {
	case r.Latest == "":
		return text + ": what left the shop of them may carry it."
	case r.Shown == r.Units:
		return text + ": what left the shop of them carries it."
	case r.Shown == 0:
		return text + fmt.Sprintf(", all after %s, the latest that shows it: the charts do not see it in them.", r.Latest)
	}
	return text + fmt.Sprintf(". %d came up to %s, the latest that shows it: what left the shop of them carries it. In the other %d the charts do not see it.", r.Shown, r.Latest, r.Units-r.Shown)
}

const (
	mostRisk     = 200
	joinedOn     = 12  // streams that the change point is fitted on, at most
	pastUnits    = 60  // units before the first signal that the change point sees
	furtherUnits = 160 // units before it that the coincidences see
	latestUnits  = 5
	findingDraws = 199
)

// analyse reads a finding from the readings up to a place.
func analyse(ctx context.Context, s store.Site, b *board, f store.FindingRow, upTo int64) (Analysis, error) {
	a := analysing{s: s, b: b, f: f, upTo: upTo}
	a.out = Analysis{Streams: []string{}, Channels: []Moved{}, Coincidences: []Coincides{}, Causes: []Cause{}, Checks: []PlanRow{}, AtRisk: Risk{Serials: []string{}}}
	if err := a.load(ctx); err != nil {
		return a.out, err
	}
	switch {
	case len(a.signals) == 0:
		a.out.Sentence = "Nothing of it stands now: its signals are withdrawn, since the rig that gave them was not trusted. When the units are judged again they come back."
		a.out.Checks = []PlanRow{{Check: "Look at the rig's page: why its units wait, and what to do.", Minutes: 0}}
		return a.out, nil
	case f.Kind == OneUnit:
		a.one()
	default:
		a.since()
	}
	a.sizes()
	a.channels()
	a.coincide()
	a.fit()
	a.settleTies()
	if err := a.witness(ctx); err != nil {
		return a.out, err
	}
	a.risk()
	a.out.Sentence = a.sentence()
	if b.learning() {
		a.out.Warnings = append(a.out.Warnings, fmt.Sprintf("Limits are still being learnt (%s): sizes in sigmas are rough.", number(len(b.learner.learnt), "unit")))
	}
	a.out.Checks = a.plan()
	return a.out, nil
}

// An analysing is one call of analyse on its way.
type analysing struct {
	s    store.Site
	b    *board
	f    store.FindingRow
	upTo int64
	out  Analysis

	signals []store.SignalRow
	streams []int              // positions of the streams concerned
	rows    []store.ReadingRow // before and after in order; units of other findings left out
	first   int                // index into rows of the first unit with a signal
	split   int                // index into rows of the first unit after the change
	set     []int              // of rows
	units   map[int64]store.FirstAttempt
	parts   []store.PartUse
	score   []float64 // of rows: the unit projected on the change
	zone    *time.Location
	// reversed is the channel that all opposed units have reversed; empty when they differ
	// or it is not known.
	reversed string
}

// one sets apart the single unit.
func (a *analysing) one() {
	a.split = min(a.first, len(a.rows))
	a.score = a.scores(len(a.rows) - 1)
}

// since finds the change point on the streams concerned, jointly, and whether it is a
// step. The search sees pastUnits units before the first signal.
func (a *analysing) since() {
	low := max(0, a.first-pastUnits)
	rows := make([][]float64, len(a.rows)-low)
	for i := range rows {
		for _, st := range a.streams {
			rows[i] = append(rows[i], a.b.z(st, float64(a.rows[low+i].Streams[st])))
		}
	}
	a.split = min(a.first, len(a.rows)-1)
	j, err := change.FindJoint(rows, change.JointOptions{Draws: findingDraws, Seed: uint64(a.f.Finding)})
	if err != nil {
		a.out.Warnings = append(a.out.Warnings, "Since when is not known: "+err.Error()+".")
		a.score = a.scores(a.split)
		return
	}
	a.out.Warnings = append(a.out.Warnings, j.Warnings...)
	a.split = low + j.Index - 1
	a.score = a.scores(a.split)
	c := Since{P: j.P, Confidence: j.Confidence}
	set := j.Set
	set = a.form(&c, low, set)
	for _, k := range set {
		a.set = append(a.set, low+k-1)
		c.Set = append(c.Set, a.rows[low+k-1].Place)
	}
	c.Serial, c.Place = a.rows[a.split].Serial, a.rows[a.split].Place
	c.First, c.Last = a.rows[a.set[0]].Serial, a.rows[a.set[len(a.set)-1]].Serial
	for _, st := range a.streams {
		c.Bands = append(c.Bands, a.b.setup.StreamList[st].Title)
	}
	if a.set[0] <= low+1 {
		a.out.Warnings = append(a.out.Warnings, "The change may have come before the units that were searched.")
	}
	a.out.Change = &c
}

// leastShape is how many units after the change can tell a step from a drift.
const leastShape = 5

// sureStep is the chance of a plain step being fitted so much better by one that goes on
// growing, below which the set allows for that too.
const sureStep = 0.2

// form tells a step from a drift on the score, and returns the set that goes with it: a
// drift begins earlier than the step that fits it best, and what jumps and goes on growing
// is neither. Where forms cannot be told apart their sets are put together.
func (a *analysing) form(c *Since, low int, set []int) []int {
	o := change.Options{Draws: findingDraws, Seed: uint64(a.f.Finding)}
	growth, err := change.FindGrowth(a.score[low:], o)
	grows := err == nil && growth.P <= sureStep
	if len(a.rows)-a.split < leastShape { // nothing contradicts a growth yet
		set = slices.Concat(set, growth.Set)
		slices.Sort(set)
		return slices.Compact(set)
	}
	shape, err := change.Shape(a.score[low:], o)
	if err != nil {
		return set
	}
	c.Shape = shape.Shape
	if c.Shape == "step" && !grows {
		return set
	}
	if grows {
		set = slices.Concat(set, growth.Set)
	}
	switch onset, err := change.FindDrift(a.score[low:], o); {
	case c.Shape == "step" || err != nil:
	case c.Shape == "drift":
		a.split = low + onset.Index - 1
		set = onset.Set
		if grows {
			set = slices.Concat(set, growth.Set)
		}
	case c.Shape == "neither" && growth.P <= 1-c.Confidence:
		c.Shape = "growth"
		a.split = low + growth.Index - 1
		set = growth.Set
	default:
		set = slices.Concat(set, onset.Set)
	}
	slices.Sort(set)
	return slices.Compact(set)
}

// scores projects the units on the change between those before a split and those from it
// on, in sigmas of the streams concerned.
func (a *analysing) scores(split int) []float64 {
	out := make([]float64, len(a.rows))
	if split <= 0 || split >= len(a.rows) {
		return out
	}
	size := make([]float64, len(a.streams))
	norm := 0.0
	for k, st := range a.streams {
		size[k] = a.mean(st, split, len(a.rows)) - a.mean(st, 0, split)
		norm += size[k] * size[k]
	}
	if norm = math.Sqrt(norm); norm == 0 {
		return out
	}
	for i, r := range a.rows {
		for k, st := range a.streams {
			out[i] += size[k] / norm * a.b.z(st, float64(r.Streams[st]))
		}
	}
	return out
}

// mean returns the mean of a stream over rows from one index to before another, in
// sigmas, NaN without values.
func (a *analysing) mean(stream, from, to int) float64 {
	sum, n := 0.0, 0.0
	for _, r := range a.rows[from:to] {
		if z := a.b.z(stream, float64(r.Streams[stream])); !math.IsNaN(z) {
			sum, n = sum+z, n+1
		}
	}
	return sum / n
}

// sizes fills the change of every stream.
func (a *analysing) sizes() {
	a.out.Before, a.out.After = a.split, len(a.rows)-a.split
	for st := range a.b.setup.StreamList {
		a.out.Sizes = append(a.out.Sizes, a.mean(st, a.split, len(a.rows))-a.mean(st, 0, a.split))
	}
}

// farBeyond is the mean over bands of (change/standard error)² from which a channel has
// moved: bands hang together, so that this mean has the spread of one over about five
// independent ones, and 4 is passed by chance once in a thousand. A channel with less than
// besides of the other's is only taken along by chance or by the rig.
const (
	farBeyond = 4.0
	besides   = 0.1
)

// channels fills how each channel changed.
func (a *analysing) channels() {
	score := make([]float64, len(a.b.setup.Channels))
	best := 0
	for k, name := range a.b.setup.Channels {
		m := a.moved(name)
		n := 0.0
		for i, d := range m.Change {
			if v := d / m.Error[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
				score[k], n = score[k]+v*v, n+1
			}
		}
		if score[k] /= n; math.IsNaN(score[k]) {
			score[k] = 0
		}
		if score[k] > score[best] {
			best = k
		}
		a.out.Channels = append(a.out.Channels, m)
	}
	for k := range score {
		a.out.Channels[k].Moved = k == best || score[k] >= farBeyond && score[k] >= besides*score[best]
	}
}

func (a *analysing) moved(name string) Moved {
	m := Moved{Channel: name, Parts: []Share{}}
	bands := len(a.b.setup.Band)
	levels := make([][]float64, len(a.rows))
	for i, r := range a.rows {
		levels[i] = a.b.setup.unanchored(r, name)
	}
	column := func(band, from, to int) (xs []float64) {
		for _, r := range levels[from:to] {
			if !math.IsNaN(r[band]) {
				xs = append(xs, r[band])
			}
		}
		return xs
	}
	for i := range bands {
		before, after := column(i, 0, a.split), column(i, a.split, len(levels))
		latest := column(i, max(a.split, len(levels)-latestUnits), len(levels))
		d, e, sd, last := math.NaN(), math.NaN(), math.NaN(), math.NaN()
		if len(before) > 1 && len(after) > 0 {
			d, last, sd = sample.Mean(after)-sample.Mean(before), sample.Mean(latest)-sample.Mean(before), sample.SD(before)
			e = sd * math.Sqrt(1/float64(len(before))+1/float64(len(after)))
		}
		m.Change, m.Error, m.Scatter, m.Latest = append(m.Change, d), append(m.Error, e), append(m.Scatter, sd), append(m.Latest, last)
	}
	return m
}

// risk counts the units since the change that have passed: from the earliest place that
// the data allow.
func (a *analysing) risk() {
	from := a.f.FirstPlace
	if c := a.out.Change; c != nil {
		from = min(from, c.Set[0])
	} else if a.f.Kind == TheLine && a.split < len(a.rows) {
		from = min(from, a.rows[a.split].Place)
	}
	to := a.upTo
	if a.f.Kind == OneUnit {
		to = a.f.FirstPlace
	}
	if a.f.ActedPlace != nil {
		to = min(to, *a.f.ActedPlace)
	}
	r := &a.out.AtRisk
	end := a.end()
	if u, ok := a.units[end]; ok && a.f.Kind == TheLine {
		r.Latest = u.Serial
	}
	for p := from; p <= to; p++ {
		if u, ok := a.units[p]; ok && u.Last == string(envelope.Pass) {
			if r.Units++; r.Units == 1 {
				r.First = u.Serial
			}
			r.Last = u.Serial
			if p <= end {
				r.Shown++
			}
			if len(r.Serials) < mostRisk {
				r.Serials = append(r.Serials, u.Serial)
			}
		}
	}
}
