package line

import (
	"math"
	"slices"
	"sync"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/dist"
	"alike/spc/envelope"
	"alike/spc/runlength"
)

// SmallShift is the key, among the rules, of the sums of self-starting scores.
const SmallShift chart.Key = "small-shift"

const (
	// LearnMost is how many units the charts learn while no limits are frozen: the
	// estimate is as good by then as frozen limits would be, and intake stays quick.
	LearnMost = 200
	// learnRead is how many units are read in search of LearnMost that can be learnt.
	learnRead = 3 * LearnMost
	// learnWindow is how many of the last units the sums read once learning is over.
	learnWindow = 40
	// learnAnew is how many units in a row must show a change before the charts take
	// their level for the new one: as many as limits can be frozen from.
	learnAnew = LeastBaseline
	// learnKept is how many units a run of small distances leaves learnt at least: a few
	// units tell too little to send others away.
	learnKept = 8
	// learnScore is how far a score counts in a sum, so that one bad unit is not a run.
	learnScore = 3.0
	// learnLeast is the least standard deviation, in dB, that says anything: below it lies
	// the last digit of exported curves (common practice, no source). A stream that hardly
	// varies has no score.
	learnLeast = 0.002
	// learnSlack is what a sum loses at each unit: half of the shift, in sigmas, that it
	// sees soonest.
	learnSlack = 0.75
)

// A learner reads the units of a product from its first one on, while no limits are
// frozen: each stream by the self-starting scores of chart.SelfStart, with a rule for a
// single score far out and two sums of scores, up and down, for small shifts (Hawkins,
// The Statistician 36 (1987) 299-315).
//
// What it says of a unit follows from the readings up to that unit alone, in the order of
// production, and not from what people do about findings: read again, in one go or unit
// by unit, it says the same. Not learnt are units that did not pass, and those at which
// any chart of any stream is out; a sum that goes out takes back what was learnt since it
// began. Up to the first signal nothing but verdicts is left out, and the scores are
// independent standard normal, whatever mean, sigma and correlation of the streams are.
type learner struct {
	setup  *Setup
	limits learnLimits
	rows   []store.LearnRow
	steps  []learnStep
	of     []chart.SelfStart // per stream
	up, dn []learnRun        // per stream
	learnt []int             // rows that were learnt, in order
	left   []int             // rows in a row that passed and show a change
	order  []int             // rows that are not late
	anew   []int             // rows before which learning began anew
	over   bool              // nothing is learnt any more
	ending bool              // only sums under way are read

	watch int              // stream whose estimates are kept, -1 for none
	seen  []chart.Estimate // by row: what that stream's value was held against
}

// A learnStep is what was said of one unit.
type learnStep struct {
	units  int // learnt before it
	late   bool
	learnt bool // as things stand now
	fired  []learnFire
}

// A learnFire is a rule that fired on a stream at a unit.
type learnFire struct {
	stream int
	rule   chart.Key
	z      float64 // sigmas from the centre, as learnt by then
	began  int64   // place of the first unit of it
}

// A learnRun is one sum of scores to one side.
type learnRun struct {
	sum   float64
	on    bool // it went out and has not come back
	began int  // row at which it left zero
	since int  // row from which on it has not been inside after going out
	ended bool // no new one begins
}

// learnLimits are the limits of all charts of a learner.
type learnLimits struct {
	beyond float64 // of a score
	sum    float64
}

var learnCache struct {
	sync.Mutex
	of map[[2]int]learnLimits
}

// learnLimitsFor shares the budget of one false alarm in so many units equally among a
// rule for single scores and a pair of sums on every stream. The alarms of all add up
// whatever the streams have to do with each other, so that on average there is at most
// one in that number of units. A sum's limit is from its exact run length.
func learnLimitsFor(streams, every int) (learnLimits, error) {
	key := [2]int{streams, every}
	learnCache.Lock()
	defer learnCache.Unlock()
	if l, ok := learnCache.of[key]; ok {
		return l, nil
	}
	one := 4 * float64(streams) * float64(every) // average run length of each side of each chart
	l := learnLimits{beyond: dist.NormQuantileUpper(1 / one)}
	lo, hi := 0.1, 30.0
	for hi-lo > 1e-4 {
		mid := (lo + hi) / 2
		r, err := runlength.CUSUMOneSided(0, learnSlack, mid, 0)
		if err != nil {
			return l, err
		}
		if r.ARL < one {
			lo = mid
		} else {
			hi = mid
		}
	}
	l.sum = hi
	if learnCache.of == nil {
		learnCache.of = map[[2]int]learnLimits{}
	}
	learnCache.of[key] = l
	return l, nil
}

func newLearner(setup *Setup) (*learner, error) {
	limits, err := learnLimitsFor(len(setup.StreamList), setup.FalseAlarms)
	n := len(setup.StreamList)
	return &learner{setup: setup, watch: -1, limits: limits, of: make([]chart.SelfStart, n), up: make([]learnRun, n), dn: make([]learnRun, n)}, err
}

// full reports that nothing more is learnt.
func (l *learner) full() bool {
	return l.over || len(l.learnt) >= LearnMost || len(l.rows) >= learnRead
}

// read takes the next unit.
func (l *learner) read(r store.LearnRow) *learnStep {
	full := l.full()
	at := len(l.rows)
	if !full && len(l.left) >= learnAnew {
		l.startAnew()
	}
	l.rows, l.steps = append(l.rows, r), append(l.steps, learnStep{units: len(l.learnt)})
	if l.watch >= 0 {
		l.seen = append(l.seen, chart.Estimate{Center: math.NaN(), Sigma: math.NaN()})
	}
	st := &l.steps[at]
	if st.late = l.late(r); st.late {
		return st
	}
	l.order = append(l.order, at)
	out, back := false, at
	for s := range l.of {
		e, ok := l.of[s].Freeze()
		ok = ok && e.SD >= learnLeast
		if s == l.watch {
			if !ok {
				e.Center, e.Sigma = math.NaN(), math.NaN()
			}
			l.seen[at] = e
		}
		x := float64(r.Streams[s])
		if !ok || math.IsNaN(x) {
			out = out || l.up[s].on || l.dn[s].on
			continue
		}
		q, z := e.Score(x), (x-e.Center)/e.Sigma
		if wide := l.limits.beyond * l.slack(s); math.Abs(q) > wide && !l.ending {
			st.fired = append(st.fired, learnFire{s, chart.Beyond, z, r.Place})
			out = true
		}
		q = math.Max(-learnScore, math.Min(learnScore, q))
		for _, side := range []struct {
			run *learnRun
			q   float64
		}{{&l.up[s], q}, {&l.dn[s], -q}} {
			began := side.run.push(side.q, l.limits.sum*l.slack(s), at)
			side.run.ended = side.run.ended || l.ending && side.run.sum == 0
			if began >= 0 {
				st.fired = append(st.fired, learnFire{s, SmallShift, z, l.rows[side.run.began].Place})
				back = min(back, began)
			}
			out = out || side.run.on
		}
	}
	if full {
		return st
	}
	l.unlearn(back)
	switch {
	case r.Verdict != string(envelope.Pass):
	case out:
		l.left = append(l.left, at)
	default:
		l.left, l.learnt, st.learnt = nil, append(l.learnt, at), true
		l.add(r)
	}
	return st
}

// push adds a score and returns the row from which on the run has gone out, -1 when it is
// inside. A sum stays at its limit, so that it comes back soon after the shift is gone.
func (r *learnRun) push(q, limit float64, at int) int {
	if r.ended {
		return -1
	}
	if r.sum == 0 {
		r.began, r.since = at, at
	}
	r.sum = math.Min(limit, math.Max(0, r.sum+q-learnSlack))
	switch {
	case r.sum == limit:
		r.on = true
		return r.since
	case r.on && r.sum < limit/2:
		r.on, r.since = false, at+1
	}
	return -1
}

// learnLean widens the limits of streams whose nature is to reach farther to one side
// than a normal one (testdata/learn.txt has what they would cry without).
const learnLean = 1.12

// slack widens the limits of a stream.
func (l *learner) slack(stream int) float64 {
	if l.setup.StreamList[stream].leans() {
		return learnLean
	}
	return 1
}

// drawn returns how many sigmas from the centre the limits of a stream are, both learnt
// from n units; NaN where a few units would put them off the paper.
func (l *learner) drawn(stream, n int) float64 {
	if n < LeastOwn {
		return math.NaN()
	}
	return sigmasAt(l.limits.beyond*l.slack(stream), n)
}

func (l *learner) add(r store.LearnRow) {
	for s := range l.of {
		if x := float64(r.Streams[s]); !math.IsNaN(x) {
			l.of[s].Learn(x)
		}
	}
}

// unlearn takes back the units learnt from a row on, as long as enough remain.
func (l *learner) unlearn(from int) {
	n, _ := slices.BinarySearch(l.learnt, from)
	if n = max(n, min(learnKept, len(l.learnt))); n == len(l.learnt) {
		return
	}
	for _, i := range l.learnt[n:] {
		l.steps[i].learnt = false
	}
	l.relearn(l.learnt[:n:n])
}

// relearn sets what is learnt.
func (l *learner) relearn(rows []int) {
	clear(l.of)
	l.learnt = rows
	for _, i := range rows {
		l.steps[i].learnt = true
		l.add(l.rows[i])
	}
}

// startAnew takes the level of the units that show a change for the new one, before the
// next unit is read: else a change that stays would be cried out for ever, or one of the first
// units, before the work had settled, would stand against all that follow.
func (l *learner) startAnew() {
	for _, i := range l.learnt {
		l.steps[i].learnt = false
	}
	l.relearn(l.left)
	l.left = nil
	clear(l.up)
	clear(l.dn)
	l.anew = append(l.anew, len(l.rows))
}

// late reports whether a unit comes in after units of other lots that were measured
// later: charts read production in its order.
func (l *learner) late(r store.LearnRow) bool {
	if len(l.order) < lateBehind {
		return false
	}
	for _, i := range l.order[len(l.order)-lateBehind:] {
		if b := l.rows[i]; b.Lot == r.Lot || !b.MeasuredAt.After(r.MeasuredAt) {
			return false
		}
	}
	return true
}
