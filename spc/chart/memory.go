package chart

import (
	"encoding/binary"
	"slices"
)

// Zoned says whether the rule looks only at which side of which line a point lies
// on. Trend and Alternating compare neighbouring values and are not.
func (r Rule) Zoned() bool { return r.Key != Trend && r.Key != Alternating }

// Clone returns a reader that has read the same points and goes on by itself.
func (d *Reader) Clone() *Reader {
	c := *d
	c.state = slices.Clone(d.state)
	return &c
}

// Memory appends to buf what decides how the reader will fire on whatever follows:
// readers of the same rules with equal memories fire alike for ever. What no longer
// matters is left out (flags too old to be in a window that still can fill, a run
// beyond the length that fires), so that the memories of zoned rules are few and
// can be the states of a Markov chain. The memory of rules that are not zoned lacks
// the last value itself.
func (d *Reader) Memory(buf []byte) []byte {
	for i := range d.rules {
		r, s := &d.rules[i], &d.state[i]
		switch r.Key {
		case Beyond, TwoOfThree, FourOfFive:
			buf = binary.AppendUvarint(buf, r.alive(s.above))
			buf = binary.AppendUvarint(buf, r.alive(s.below))
		default:
			run := uint64(min(s.run, r.Count)) << 2
			if run > 0 {
				run |= bit(s.rising) | bit(s.rose)<<1
			}
			buf = binary.AppendUvarint(buf, run)
		}
	}
	return buf
}

// alive keeps the flags of past points that a later firing can need. A flag counts
// j points later if it is still in the window then; the rule can fire then with it
// only if it and the newer flags make Count together with at most j new ones.
func (r *Rule) alive(flags uint64) uint64 {
	kept, newer := uint64(0), 0
	for age := 0; age < r.Of-1; age++ {
		if flags>>age&1 == 0 {
			continue
		}
		newer++
		// The flag, of age 0 for the newest point, leaves the window after
		// Of-1-age more points.
		if newer+r.Of-1-age >= r.Count {
			kept |= 1 << age
		}
	}
	return kept
}
