package chart

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
)

// A Key names a run rule by what it looks for.
type Key string

// The eight run rules after Nelson (J. Quality Technology 16 (1984) 237-239).
const (
	Beyond      Key = "beyond"       // beyond 3 sigmas
	SameSide    Key = "same-side"    // nine in a row on one side of the centre
	Trend       Key = "trend"        // six in a row steadily rising or falling
	Alternating Key = "alternating"  // fourteen in a row up and down in turn
	TwoOfThree  Key = "two-of-three" // two of three beyond 2 sigmas on one side
	FourOfFive  Key = "four-of-five" // four of five beyond 1 sigma on one side
	Hugging     Key = "hugging"      // fifteen in a row within 1 sigma
	Avoiding    Key = "avoiding"     // eight in a row outside 1 sigma, either side
)

// Keys lists all rules in the order in which they are read and shown.
var Keys = []Key{Beyond, SameSide, Trend, Alternating, TwoOfThree, FourOfFive, Hugging, Avoiding}

// A Rule is a pattern with its lengths and width. It fires at the point that
// completes it, and again at every later point whose window still qualifies.
// Comparisons are strict: a point exactly on a line is on neither side of it.
type Rule struct {
	Key   Key     `json:"key"`
	Count int     `json:"count"` // points that must qualify
	Of    int     `json:"of"`    // length of the window they lie in; equal to Count for a run
	Width float64 `json:"width"` // sigmas from the centre; unused by SameSide, Trend, Alternating
}

// Nelson returns the rules with their published lengths and widths.
func Nelson() []Rule {
	return []Rule{
		{Beyond, 1, 1, 3},
		{SameSide, 9, 9, 0},
		{Trend, 6, 6, 0},
		{Alternating, 14, 14, 0},
		{TwoOfThree, 2, 3, 2},
		{FourOfFive, 4, 5, 1},
		{Hugging, 15, 15, 1},
		{Avoiding, 8, 8, 1},
	}
}

// Pick returns the rules of a set with the given keys, in the set's order, or an
// error that names the keys there are.
func Pick(set []Rule, keys []Key) ([]Rule, error) {
	for _, k := range keys {
		known := false
		for _, r := range set {
			known = known || r.Key == k
		}
		if !known {
			names := make([]string, len(Keys))
			for i, k := range Keys {
				names[i] = string(k)
			}
			return nil, fmt.Errorf("rule %q is not one of %s", k, strings.Join(names, ", "))
		}
	}
	var out []Rule
	for _, r := range set {
		for _, k := range keys {
			if r.Key == k {
				out = append(out, r)
				break
			}
		}
	}
	return out, nil
}

// Check returns an error when the rule is unknown or its numbers make no sense.
func (r Rule) Check() error {
	known := false
	for _, k := range Keys {
		known = known || r.Key == k
	}
	switch {
	case !known:
		return fmt.Errorf("unknown rule %q", r.Key)
	case r.Count < 1 || r.Of < r.Count || r.Of > r.Count && r.Of > 64:
		return fmt.Errorf("rule %s asks for %d of %d points", r.Key, r.Count, r.Of)
	case !(r.Width >= 0):
		return fmt.Errorf("rule %s has width %v", r.Key, r.Width)
	}
	return nil
}

// Text says in a sentence what the rule saw.
func (r Rule) Text() string {
	switch r.Key {
	case Beyond:
		return fmt.Sprintf("A point lies more than %s from the centre.", sigmas(r.Width))
	case SameSide:
		return fmt.Sprintf("%d points in a row lie on one side of the centre: the level has shifted.", r.Count)
	case Trend:
		return fmt.Sprintf("%d points in a row rise or fall steadily: something drifts.", r.Count)
	case Alternating:
		return fmt.Sprintf("%d points in a row go up and down in turn: two sources alternate.", r.Count)
	case TwoOfThree:
		return fmt.Sprintf("%d of %d points lie more than %s off on the same side.", r.Count, r.Of, sigmas(r.Width))
	case FourOfFive:
		return fmt.Sprintf("%d of %d points lie more than %s off on the same side: a small shift.", r.Count, r.Of, sigmas(r.Width))
	case Hugging:
		return fmt.Sprintf("%d points in a row lie within %s: the limits are too wide for this process.", r.Count, sigmas(r.Width))
	case Avoiding:
		return fmt.Sprintf("%d points in a row lie outside %s: two levels are mixed.", r.Count, sigmas(r.Width))
	}
	panic("chart: unknown rule " + string(r.Key))
}

func sigmas(w float64) string {
	if w == 1 {
		return "1 sigma"
	}
	return fmt.Sprintf("%.3g sigmas", w)
}

// A Reader applies rules to standardised values one by one. Its zero value has
// no rules; make one with NewReader.
type Reader struct {
	rules []Rule
	state []state
	last  float64
	n     int
}

// state is what one rule remembers: the length of the present run and the sides
// of the last points, newest in the lowest bit.
type state struct {
	run         int
	above       uint64
	below       uint64
	rising      bool
	rose, moved bool
}

// NewReader returns a Reader at the start of a stream.
func NewReader(rules []Rule) *Reader {
	return &Reader{rules: rules, state: make([]state, len(rules))}
}

// Push reads the next standardised value and returns a bit per rule, lowest for
// the first, set where the rule fires. NaN stands for a missing value: it fires
// nothing and every run starts anew behind it.
func (d *Reader) Push(z float64) (fired uint) {
	if math.IsNaN(z) {
		d.Reset()
		return 0
	}
	for i := range d.rules {
		if d.push(&d.rules[i], &d.state[i], z) {
			fired |= 1 << i
		}
	}
	d.last = z
	d.n++
	return fired
}

// Reset forgets all points.
func (d *Reader) Reset() {
	clear(d.state)
	d.n = 0
}

func (d *Reader) push(r *Rule, s *state, z float64) bool {
	switch r.Key {
	case Beyond, TwoOfThree, FourOfFive:
		mask := uint64(1)<<r.Of - 1 // Of is at most 64; 1<<64 is 0, less 1 all ones
		s.above = s.above<<1 | bit(z > r.Width)
		s.below = s.below<<1 | bit(z < -r.Width)
		return s.above&1 == 1 && bits.OnesCount64(s.above&mask) >= r.Count ||
			s.below&1 == 1 && bits.OnesCount64(s.below&mask) >= r.Count
	case SameSide:
		up := z > 0
		switch {
		case z == 0:
			s.run = 0
		case s.run > 0 && up == s.rising:
			s.run++
		default:
			s.run = 1
		}
		s.rising = up
		return s.run >= r.Count
	case Trend, Alternating:
		return d.steps(r, s, z)
	case Hugging:
		s.run = grow(s.run, math.Abs(z) < r.Width)
		return s.run >= r.Count
	case Avoiding:
		s.run = grow(s.run, math.Abs(z) > r.Width)
		return s.run >= r.Count
	}
	panic("chart: unknown rule " + string(r.Key))
}

// steps follows the signs of successive differences; run counts points, so a
// first difference makes a run of two.
func (d *Reader) steps(r *Rule, s *state, z float64) bool {
	if d.n == 0 {
		s.run = 1
		return r.Count == 1
	}
	up := z > d.last
	goesOn := s.moved && (up == s.rose) == (r.Key == Trend)
	switch {
	case z == d.last:
		s.run, s.moved = 1, false
		return false
	case goesOn:
		s.run++
	default:
		s.run = 2
	}
	s.rose, s.moved = up, true
	return s.run >= r.Count
}

func grow(run int, on bool) int {
	if on {
		return run + 1
	}
	return 0
}

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

// Read applies rules to a whole stream of standardised values and returns the
// keys that fired at each.
func Read(z []float64, rules []Rule) [][]Key {
	d := NewReader(rules)
	out := make([][]Key, len(z))
	for i, v := range z {
		out[i] = KeysOf(d.Push(v), rules)
	}
	return out
}

// KeysOf turns the bits that Push returned into keys, nil for none.
func KeysOf(fired uint, rules []Rule) []Key {
	if fired == 0 {
		return nil
	}
	var keys []Key
	for i, r := range rules {
		if fired>>i&1 == 1 {
			keys = append(keys, r.Key)
		}
	}
	return keys
}
