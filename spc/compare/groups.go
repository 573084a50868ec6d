package compare

import (
	"errors"
	"fmt"
	"math"

	"alike/spc/sample"
)

// A Group is the values of one batch or supplier.
type Group struct {
	Name   string
	Values []float64
}

// A Summary is the size, mean and standard deviation of a group.
type Summary struct {
	Name string
	N    int
	Mean float64
	SD   float64 // divisor N-1
}

// MostGroups is how many groups one comparison takes.
const MostGroups = 100

// ErrNoSpread means that no group varies within.
var ErrNoSpread = errors.New("the values do not vary within the groups: there is no spread to judge a difference by (is the resolution of the reading too coarse?)")

// data are groups shifted by the first value, which is exact among nearly equal
// values, and scaled by a power of two, so that a large common level costs no
// digits and squares stay within float64.
type data struct {
	groups []Group // values in units of scale from origin
	origin float64
	scale  float64
	total  int
	means  []float64
	ss     []float64 // sum of squares within each group
	sst    float64
}

func arrange(groups []Group) (data, error) {
	if len(groups) < 2 {
		return data{}, fmt.Errorf("a comparison needs at least 2 groups, has %d", len(groups))
	}
	if len(groups) > MostGroups {
		return data{}, fmt.Errorf("%d groups are too many for one comparison: compare at most %d", len(groups), MostGroups)
	}
	if err := checkGroups(groups); err != nil {
		return data{}, err
	}
	d := data{origin: groups[0].Values[0]}
	most := 0.0
	for _, g := range groups {
		for _, v := range g.Values {
			most = math.Max(most, math.Abs(v-d.origin))
		}
		d.total += len(g.Values)
	}
	if most == 0 {
		return data{}, ErrNoSpread
	}
	_, exp := math.Frexp(most)
	d.scale = math.Ldexp(1, exp)
	within := 0.0
	for _, g := range groups {
		values := make([]float64, len(g.Values))
		for i, v := range g.Values {
			values[i] = math.Ldexp(v-d.origin, -exp)
		}
		d.groups = append(d.groups, Group{g.Name, values})
		d.means = append(d.means, sample.Mean(values))
		ss := sample.SumSquares(values)
		if ss < dust*float64(len(values)) {
			ss = 0
		}
		d.ss = append(d.ss, ss)
		within += ss
	}
	if within == 0 {
		return data{}, ErrNoSpread
	}
	return d, nil
}

// dust is what rounding leaves of a sum of squares that is zero, per value: the
// values are below 1 in magnitude.
const dust = 0x1p-100

func checkGroups(groups []Group) error {
	seen := map[string]bool{}
	for i, g := range groups {
		if g.Name == "" {
			return fmt.Errorf("group %d has no name", i+1)
		}
		if seen[g.Name] {
			return fmt.Errorf("group %q stands twice: join its values or rename one", g.Name)
		}
		seen[g.Name] = true
		if err := sample.Check(g.Values, 2); err != nil {
			return fmt.Errorf("group %q: %w", g.Name, err)
		}
	}
	return nil
}

// summary is that of a group, in units of scale.
func (d data) summary(i int) Summary {
	n := len(d.groups[i].Values)
	return Summary{d.groups[i].Name, n, d.means[i], math.Sqrt(d.ss[i] / float64(n-1))}
}

func (d data) rescaled(s Summary) Summary {
	return Summary{s.Name, s.N, d.origin + d.scale*s.Mean, d.scale * s.SD}
}
