package line

import (
	"context"
	"math"
	"slices"
	"sort"
	"time"

	"alike/internal/store"
	"alike/spc/chart"
)

// NoScore stands in Drift.Scores where a stream was not measured or is not charted.
const NoScore = math.MinInt8

// While no limit set is in force, units are held against the first OwnMost of them,
// when there are LeastOwn.
const (
	LeastOwn = 8
	OwnMost  = 500
)

// A Drift is all streams of the last units, each standardised by the limits that are
// in force for it.
type Drift struct {
	Product  string
	Streams  []Stream
	Units    []DriftUnit    // in order of production
	Earlier  bool           // there are units before the first
	Sections []DriftSection // what the scores are held against, in order
	// Scores holds a row per stream, one after the other, with a score per unit in
	// tenths of a sigma, held within ±127, or NoScore.
	Scores []int8
	// Fired holds, in the same order, which rules fired: bit k for the k-th of RuleKeys.
	Fired []uint8
	Parts []PartChange
}

// A DriftUnit is one unit on the map.
type DriftUnit struct {
	Place   int64
	Serial  string
	Lot     string
	Verdict string // of its first attempt
}

// A DriftSection is a run of units held against the same limits.
type DriftSection struct {
	First   int       // index of the first unit
	Version int       // of the limit set; 0: held against the units' own median and spread
	Learnt  int       // under version 0: units from which the charts had learnt limits by the end; -1 without charts
	Starts  bool      // the limit set came into force at First, not before the map
	Reason  string    // why it was frozen
	At      time.Time // when
	Width   float64   // of the control limits in sigmas; NaN for version 0
	Rules   []chart.Rule
	Center  []float64 // per stream, NaN when it is not charted
	Sigma   []float64
}

// A PartChange is the first unit of another batch of a component.
type PartChange struct {
	Index         int
	Kind          string
	Channel       string // empty for the whole unit
	Batch, Before string
}

// RuleKeys gives the rules their bits in Drift.Fired.
var RuleKeys = []chart.Key{chart.Beyond, chart.SameSide, chart.Trend, chart.Alternating, chart.TwoOfThree, chart.FourOfFive, chart.Hugging, chart.Avoiding}

// Drift returns the map of the last units up to a place, at most limit.
//
// Under a limit set a score is (value - centre)/sigma of the set in force at that
// unit: the newest whose first unit is not behind it. Units before any limit set are
// held against the median of the first OwnMost of them and 1.4826 times their median
// absolute deviation (the factor makes it sigma for a normal stream), so that the
// scores do not depend on which part of the map is asked for.
func (l *Line) Drift(ctx context.Context, product string, upTo int64, limit int) (Drift, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return Drift{}, err
	}
	d := Drift{Product: setup.Code, Streams: setup.StreamList}
	err = l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		readings, err := s.JudgedReadings(ctx, setup.Code, upTo, limit)
		if err != nil || len(readings) == 0 {
			return err
		}
		d.Earlier = readings[0].Place > 1
		d.Scores, d.Fired = make([]int8, len(d.Streams)*len(readings)), make([]uint8, len(d.Streams)*len(readings))
		places := make([]int64, len(readings))
		for i, r := range readings {
			places[i], d.Units = r.Place, append(d.Units, DriftUnit{r.Place, r.Serial, r.Lot, r.Verdict})
		}
		sets, err := s.LimitSets(ctx, setup.Code)
		if err != nil {
			return err
		}
		if d.Sections, err = sections(setup, sets, places); err != nil {
			return err
		}
		if first := &d.Sections[0]; first.Version == 0 { // units without limits come first of all
			if err := first.own(ctx, s, setup, sets); err != nil {
				return err
			}
			if err := first.charts(ctx, l, s, setup, sets); err != nil {
				return err
			}
		}
		d.score(readings)
		fired, err := s.FiredCells(ctx, setup.Code, readings[0].Place, readings[len(readings)-1].Place)
		if err != nil {
			return err
		}
		d.mark(fired)
		uses, err := s.DriftParts(ctx, setup.Code)
		d.Parts = partChanges(d.Units, uses)
		return err
	})
	return d, err
}

// setAt returns the index of the limit set in force at a place, -1 for none. Sets are
// in order of their versions; a newer one may come into force before an older one.
func setAt(sets []store.LimitSetRow, place int64) int {
	for i := len(sets) - 1; i >= 0; i-- {
		if sets[i].FromPlace <= place {
			return i
		}
	}
	return -1
}

// sections cuts the units at these places where the limit set in force changes.
func sections(setup *Setup, sets []store.LimitSetRow, places []int64) ([]DriftSection, error) {
	var out []DriftSection
	last := -2
	for i, place := range places {
		at := setAt(sets, place)
		if at == last {
			continue
		}
		sec := DriftSection{First: i, Width: math.NaN(), Learnt: -1}
		if at >= 0 {
			b, err := newBoard(setup, sets[at])
			if err != nil {
				return nil, err
			}
			sec.Version, sec.Reason, sec.At = b.set.Version, b.set.Reason, b.set.CreatedAt
			sec.Starts = i > 0 || place == b.set.FromPlace
			sec.Width, sec.Rules, sec.Center, sec.Sigma = b.width(), b.rules, b.set.Center, b.set.Sigma
		}
		out, last = append(out, sec), at
	}
	return out, nil
}

// own sets centre and sigma from the first units that no limit set covers.
func (sec *DriftSection) own(ctx context.Context, s store.Site, setup *Setup, sets []store.LimitSetRow) error {
	before := int64(math.MaxInt64)
	for _, set := range sets {
		before = min(before, set.FromPlace)
	}
	readings, err := s.FirstReadings(ctx, setup.Code, before, OwnMost)
	if err != nil {
		return err
	}
	xs := make([]float64, 0, len(readings))
	for i := range setup.StreamList {
		xs = xs[:0]
		for _, r := range readings {
			if x := float64(r.Streams[i]); !math.IsNaN(x) {
				xs = append(xs, x)
			}
		}
		center, sigma := robust(xs)
		sec.Center, sec.Sigma = append(sec.Center, center), append(sec.Sigma, sigma)
	}
	return nil
}

// charts fills in what the charts said while limits were learnt.
func (sec *DriftSection) charts(ctx context.Context, l *Line, s store.Site, setup *Setup, sets []store.LimitSetRow) error {
	before := int64(math.MaxInt64)
	for _, set := range sets {
		before = min(before, set.FromPlace)
	}
	b, err := l.learningBoard(ctx, s, setup, before)
	if err != nil || b == nil {
		return err
	}
	sec.Learnt = len(b.learner.learnt)
	return nil
}

// Texts says what each rule saw, by its key among RuleKeys.
func (sec DriftSection) Texts() map[string]string {
	out := map[string]string{}
	for _, r := range sec.Rules {
		out[string(r.Key)] = r.Text()
	}
	if sec.Version == 0 && sec.Learnt >= 0 {
		out[string(chart.Beyond)], out[string(chart.SameSide)] = beyondLearntText, smallShiftText
	}
	return out
}

// robust returns the median and 1.4826 times the median absolute deviation, NaN when
// there are too few values or they do not vary. It orders xs.
func robust(xs []float64) (center, sigma float64) {
	if len(xs) < LeastOwn {
		return math.NaN(), math.NaN()
	}
	center = median(xs)
	for i, x := range xs {
		xs[i] = math.Abs(x - center)
	}
	if sigma = 1.4826 * median(xs); sigma == 0 {
		return math.NaN(), math.NaN()
	}
	return center, sigma
}

func median(xs []float64) float64 {
	slices.Sort(xs)
	n := len(xs)
	return (xs[(n-1)/2] + xs[n/2]) / 2
}

func (d *Drift) score(readings []store.JudgedReading) {
	n := len(readings)
	for k, sec := range d.Sections {
		end := n
		if k+1 < len(d.Sections) {
			end = d.Sections[k+1].First
		}
		for row := range d.Streams {
			center, sigma := sec.Center[row], sec.Sigma[row]
			out := d.Scores[row*n : (row+1)*n]
			for i := sec.First; i < end; i++ {
				out[i] = tenths((float64(readings[i].Streams[row]) - center) / sigma)
			}
		}
	}
}

// tenths packs a score.
func tenths(z float64) int8 {
	if math.IsNaN(z) {
		return NoScore
	}
	return int8(math.Round(10 * math.Max(-12.7, math.Min(12.7, z))))
}

// mark notes the rules that fired under the limit set in force at their unit.
func (d *Drift) mark(cells []store.FiredCell) {
	row, bit := map[string]int{}, map[string]uint8{}
	for i, st := range d.Streams {
		row[st.Key] = i
	}
	for i, k := range RuleKeys {
		bit[string(k)] = 1 << i
	}
	bit[string(SmallShift)] = bit[string(chart.SameSide)] // which it stands for while limits are learnt: no other has it then
	n := len(d.Units)
	for _, c := range cells {
		i := sort.Search(n, func(i int) bool { return d.Units[i].Place >= c.Place })
		r, known := row[c.Stream]
		if i == n || d.Units[i].Place != c.Place || !known || d.SectionAt(i).Version != c.LimitSet {
			continue
		}
		for _, rule := range c.Rules {
			d.Fired[r*n+i] |= bit[rule]
		}
	}
}

// SectionAt returns what the i-th unit is held against.
func (d *Drift) SectionAt(i int) DriftSection {
	k := sort.Search(len(d.Sections), func(k int) bool { return d.Sections[k].First > i })
	return d.Sections[k-1]
}
