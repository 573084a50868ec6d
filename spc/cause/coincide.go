package cause

import (
	"errors"
	"fmt"
	"slices"

	"alike/spc/compare"
	"alike/spc/sample"
)

// A Factor is something that differed from unit to unit: the batch of a component, the
// operator, the machine, the day. Labels has one value per unit in order of production;
// an empty label means that it is not known.
type Factor struct {
	Key    string
	Labels []string
}

// A Coincidence says how well the units' values follow a factor.
type Coincidence struct {
	Key string
	// Explained is the share of the values' sum of squares around their mean that the
	// labels' own means explain (the correlation ratio), 0 to 1.
	Explained float64
	// P is the share of all rotations of the labels against the values, the true one
	// among them, that explain as much; at least 1/Units.
	P float64
	// Adjusted is P for being one of so many factors, after Holm.
	Adjusted float64
	// At is the unit, from 0, at which the label changed nearest to the change that was
	// asked about, From and To its labels before and after; -1 without any change.
	At       int
	From, To string
	Within   bool // At lies in the set of places that the data do not contradict
	Units    int  // with a known label
	Labels   int  // different ones
}

// leastUnits is how few units can rank factors: below, the smallest p is above 1/8.
const leastUnits = 8

// Coincide ranks factors by how well they coincide with a change: first those that
// changed within the set of places where it may have happened, then by p-value. Values are one number per unit that shows the change, in order of production
// (such as the unit's curve projected on the change). Split is the first unit after
// the change, set the units at which it may have happened, both from 0.
//
// The test rotates each factor's labels against the values, all n ways (with the end
// joined to the beginning), and counts how often as much is explained. A component
// batch lasts for many units, so that a free permutation, which breaks up batches,
// would call every batch that ran before or after the change a culprit; rotations keep
// runs as long as they were and ask only whether their place is a coincidence. The
// p-value is exact when each place is as likely, and cannot be smaller than 1/n: the
// ranking tells more than its size.
// Rotating one series against another, which keeps what hangs together in each, is common
// practice without a source.
//
// Factors with one label, or none, are left out. What changed together with the true
// cause has the same p-value: units alone do not tell them apart. An error means that
// values cannot be used, or that there are fewer than eight.
func Coincide(values []float64, split int, set []int, factors []Factor) ([]Coincidence, error) {
	if err := sample.Check(values, leastUnits); err != nil {
		return nil, err
	}
	if split < 0 || split >= len(values) {
		return nil, fmt.Errorf("a change at unit %d is not among %d units", split, len(values))
	}
	if sample.SumSquares(values) == 0 {
		return nil, errors.New("the values do not vary: there is nothing to coincide with")
	}
	var out []Coincidence
	var ps []float64
	for _, f := range factors {
		if len(f.Labels) != len(values) {
			panic("cause: factor " + f.Key + " is for another number of units")
		}
		c, ok := coincide(values, f)
		if !ok {
			continue
		}
		c.near(f.Labels, split, set)
		out, ps = append(out, c), append(ps, c.P)
	}
	for i, p := range compare.Holm(ps) {
		out[i].Adjusted = p
	}
	slices.SortStableFunc(out, func(a, b Coincidence) int {
		switch {
		case a.Within != b.Within: // what changed elsewhere cannot have made this change
			return order(rank(b.Within), rank(a.Within))
		case a.P != b.P:
			return order(a.P, b.P)
		case a.Labels != b.Labels: // many labels explain more by themselves
			return a.Labels - b.Labels
		}
		return order(b.Explained, a.Explained)
	})
	return out, nil
}

func rank(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func order(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// coincide tests one factor; ok is false when it does not vary.
func coincide(values []float64, f Factor) (c Coincidence, ok bool) {
	n := len(values)
	index := map[string]int{}
	label := make([]int, n) // 0 for unknown
	for i, l := range f.Labels {
		if l == "" {
			continue
		}
		if _, there := index[l]; !there {
			index[l] = len(index) + 1
		}
		label[i] = index[l]
		c.Units++
	}
	c.Key, c.Labels = f.Key, len(index)
	if c.Labels < 2 {
		return c, false
	}
	sums, counts := make([]float64, c.Labels+1), make([]float64, c.Labels+1)
	centred := make([]float64, n)
	mean := sample.Mean(values)
	for i, v := range values {
		centred[i] = v - mean
	}
	explained := func(shift int) float64 {
		clear(sums)
		clear(counts)
		for i, v := range centred {
			l := label[(i+shift)%n]
			sums[l] += v
			counts[l]++
		}
		between := 0.0
		for l, s := range sums { // unknown ones are a group of their own
			if counts[l] > 0 {
				between += s * s / counts[l]
			}
		}
		return between
	}
	whole := sample.SumSquares(values)
	real := explained(0)
	hits := 0
	for shift := range n {
		if explained(shift) >= real-1e-9*whole {
			hits++
		}
	}
	c.Explained, c.P = min(1, real/whole), float64(hits)/float64(n)
	return c, true
}

// near finds where the labels changed nearest to the split.
func (c *Coincidence) near(labels []string, split int, set []int) {
	c.At = -1
	last, best := -1, 0
	for i, l := range labels {
		if l == "" {
			continue
		}
		if last >= 0 && labels[last] != l {
			d := i - split
			if d < 0 {
				d = -d
			}
			if c.At < 0 || d < best {
				c.At, best, c.From, c.To = i, d, labels[last], l
			}
		}
		last = i
	}
	c.Within = c.At >= 0 && slices.Contains(set, c.At)
}
