package line

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/dist"
)

// Texts of the rules of charts that still learn.
const beyondLearntText = "One value lies farther from what was learnt so far than chance brings it; limits are still being learnt."

const smallShiftText = "Small distances to the same side have added up over several units while limits are still being learnt: the level of this stream has moved."

// learning reports whether the limits are still being learnt. Such a board has version 0. Its centre and
// sigma are those learnt so far, without the units that show a change, and its baseline
// the units learnt.
func (b *board) learning() bool { return b != nil && b.learner != nil }

// Learning says how far the charts are that have no frozen limits.
type Learning struct {
	Units int  // learnt
	Full  bool // no more are learnt
	Shown int  // latest units in a row that show a change and are not learnt
}

// enough reports whether limits could be frozen.
func (g Learning) enough() bool { return g.Units >= LeastBaseline }

// Sentence says it in whole sentences.
func (g Learning) Sentence() string {
	text := fmt.Sprintf("Limits are still being learnt (%s)", number(g.Units, "unit"))
	switch {
	case g.Units < 2:
		text += ": the charts begin at the third unit."
	case g.Full:
		text += fmt.Sprintf(": after %d units the charts learn no more. Freeze limits now, from good units.", g.Units)
	case g.enough():
		text += ". Freeze them now, from good units: frozen limits see smaller changes."
	default:
		text += fmt.Sprintf(": only large changes show yet. Freeze them from %d good units or more.", LeastBaseline)
	}
	if g.Shown >= movedUnits {
		text += fmt.Sprintf(" The last %d units show a change and are not learnt: act on it.", g.Shown)
	}
	return text
}

// learningState returns how far a learning board is.
func (b *board) learningState() Learning {
	g := Learning{Units: len(b.learner.learnt), Full: b.learner.full()}
	for i := len(b.learner.steps) - 1; i >= 0 && len(b.learner.steps[i].fired) > 0; i-- {
		g.Shown++
	}
	return g
}

// A lessons keeps learners between units, by product, so that the next unit is read
// without reading all before it again. Whether one still fits is asked of the record.
type lessons struct {
	mu sync.Mutex
	of map[string]*learner
}

func (k *lessons) take(product string) *learner {
	k.mu.Lock()
	defer k.mu.Unlock()
	l := k.of[product]
	delete(k.of, product)
	return l
}

func (k *lessons) keep(product string, l *learner) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.of == nil {
		k.of = map[string]*learner{}
	}
	k.of[product] = l
}

// charts returns the product's charts: under the newest limit set, or learning while
// there is none. It is nil for single drivers, which come batch by batch and are no line
// that could move: batches are compared, and limits may be frozen for those of one.
func (l *Line) charts(ctx context.Context, s store.Site, setup *Setup) (*board, error) {
	b, err := l.board(ctx, s, setup)
	if err != nil || b != nil {
		return b, err
	}
	return l.learningBoard(ctx, s, setup, math.MaxInt64)
}

// learningBoard returns the learning charts as of the units before a place.
func (l *Line) learningBoard(ctx context.Context, s store.Site, setup *Setup, before int64) (*board, error) {
	if setup.Stage == StageDriver {
		return nil, nil
	}
	var k *learner
	if before == math.MaxInt64 {
		k = l.lessons.take(setup.Code)
	}
	k, err := learned(ctx, s, setup, before, k)
	if err != nil {
		return nil, err
	}
	b := newLearningBoard(setup, k)
	if k.full() {
		rows, err := s.LastLearnRows(ctx, setup.Code, before, learnWindow+lateBehind)
		if err != nil {
			return nil, err
		}
		b.readLast(rows)
	}
	if before == math.MaxInt64 {
		l.lessons.keep(setup.Code, k.clone())
	}
	return b, nil
}

// learned brings a learner, or nil for a new one, up to the units before a place.
func learned(ctx context.Context, s store.Site, setup *Setup, before int64, k *learner) (*learner, error) {
	for {
		from, limit := int64(0), learnRead
		if k != nil && len(k.rows) > 0 {
			from = k.rows[len(k.rows)-1].Place + 1
			if k.full() {
				limit = len(k.rows)
			}
		}
		rows, err := s.LearnRows(ctx, setup.Code, before, limit, from)
		if err != nil {
			return nil, err
		}
		if k == nil || k.setup != setup {
			if from > 0 {
				k = nil
				continue
			}
			if k, err = newLearner(setup); err != nil {
				return nil, err
			}
		}
		if len(rows) < len(k.rows) || !slices.EqualFunc(rows[:len(k.rows)], k.rows, store.LearnRow.Same) {
			k = nil
			continue
		}
		for _, r := range rows[len(k.rows):] {
			if k.full() {
				break
			}
			if len(r.Streams) != len(setup.StreamList) {
				return nil, fmt.Errorf("the reading of %s has %d streams, the product has %d", r.Serial, len(r.Streams), len(setup.StreamList))
			}
			k.read(r)
		}
		return k, nil
	}
}

// clone returns a learner that can be read on without the first one's knowing.
func (l *learner) clone() *learner {
	c := *l
	c.rows, c.order, c.anew = slices.Clip(l.rows), slices.Clip(l.order), slices.Clip(l.anew)
	c.steps, c.of = slices.Clone(l.steps), slices.Clone(l.of)
	c.up, c.dn = slices.Clone(l.up), slices.Clone(l.dn)
	c.learnt, c.left = slices.Clone(l.learnt), slices.Clone(l.left)
	return &c
}

func newLearningBoard(setup *Setup, k *learner) *board {
	b := &board{setup: setup, learner: k, runs: map[signalAt]int64{}}
	b.set = store.LimitSetRow{Product: setup.Code, Every: setup.FalseAlarms}
	for _, i := range k.learnt {
		b.set.Baseline = append(b.set.Baseline, k.rows[i].Serial)
	}
	for stream, st := range setup.StreamList {
		center, sigma := math.NaN(), math.NaN()
		if e, ok := k.of[stream].Freeze(); ok && e.SD >= learnLeast {
			center, sigma = e.Center, e.Sigma
		}
		b.set.Streams, b.set.Center, b.set.Sigma = append(b.set.Streams, st.Key), append(b.set.Center, center), append(b.set.Sigma, sigma)
	}
	b.rules = []chart.Rule{{Key: chart.Beyond, Count: 1, Of: 1, Width: sigmasAt(k.limits.beyond, len(k.learnt))}}
	for i, st := range k.steps {
		b.note(k.rows[i].Place, st)
	}
	return b
}

// sigmasAt returns how many sigmas from the centre, both learnt from n units, a score is:
// the inverse of chart.Estimate's Score.
func sigmasAt(score float64, n int) float64 {
	if n < 2 {
		return math.Inf(1)
	}
	nu := float64(n - 1)
	t := dist.StudentT{Nu: nu}.QuantileUpper(dist.NormSurvival(score))
	return t * chart.C4(n) * math.Sqrt(float64(n+1)/float64(n))
}

type signalAt struct {
	place  int64
	stream string
	rule   string
}

func (b *board) note(place int64, st learnStep) {
	for _, f := range st.fired {
		b.runs[signalAt{place, b.setup.StreamList[f.stream].Key, string(f.rule)}] = f.began
	}
}

// readLast has the charts read the last units after learning is over; the first few only
// say what is late.
func (b *board) readLast(rows []store.LearnRow) {
	k := b.learner.clone()
	clear(k.up)
	clear(k.dn)
	k.rows, k.steps, k.order = nil, nil, nil
	k.over = true
	last := int64(0)
	if n := len(b.learner.rows); n > 0 {
		last = b.learner.rows[n-1].Place
	}
	b.said = map[int64]learnStep{}
	for _, r := range rows {
		st := k.read(r)
		if r.Place > last {
			b.said[r.Place] = *st
			b.note(r.Place, *st)
		}
	}
}

// saidOf returns what a learning board says of the unit at a place.
func (b *board) saidOf(place int64) (learnStep, bool) {
	if st, ok := b.said[place]; ok {
		return st, true
	}
	i, ok := slices.BinarySearchFunc(b.learner.rows, place, func(r store.LearnRow, p int64) int { return int(r.Place - p) })
	if !ok {
		return learnStep{}, false
	}
	return b.learner.steps[i], true
}

// learnSignals returns the signals of a learning board at one unit.
func (b *board) learnSignals(r store.ReadingRow) []store.SignalRow {
	st, _ := b.saidOf(r.Place)
	var out []store.SignalRow
	for _, f := range st.fired {
		out = append(out, store.SignalRow{
			Product: b.setup.Code, Place: r.Place, Stream: b.setup.StreamList[f.stream].Key, Rule: string(f.rule),
			Serial: r.Serial, Value: r.Streams[f.stream], Z: float32(f.z),
		})
	}
	return out
}

// lateText says that the learning charts leave a unit out, or nothing.
func (b *board) lateText(r store.ReadingRow, lot string) string {
	if st, ok := b.saidOf(r.Place); !ok || !st.late {
		return ""
	}
	return fmt.Sprintf("unit %s of lot %s comes in late: units of other lots that were measured after it are on the charts already; it is judged and may serve in a baseline, and the charts, whose limits are still being learnt, leave it out", r.Serial, lot)
}
